"""A discharge log made sound: its columns proved, its load found, charging left out."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Log
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._logs.clock import Lost, sound_clock, steady_clock
from inspect_app.quantity import UNITS, conversion_factor

FloatArray = npt.NDArray[np.float64]

_LOADED: Final = 0.05  # of the usual load current: less is a rest
_FEW_ROWS: Final = 0.01  # share of the rows that may draw far more than the load,
_MUCH_CHARGE: Final = 0.1  # if the others carry so much of what they do
_STEADY: Final = 1.2  # times the lower of two readings that the higher is, at most, where one between them is a slip:
_FAR_ABOVE, _FAR_BELOW = 1.5, 0.1  # so many times the higher, or the lower, and not a pulse of the load
_MOST_SLIPS, _MOST_SLIPS_SHARE = 5, 0.01  # rows, or share of them
_HIGHEST_V: Final = 1000.0
_LEAST_ROWS: Final = 4
_UNITS: Final = {"time": "s", "voltage": "V", "current": "A"}  # of the columns that are read, in this order


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A discharge: rising time, voltage, discharge current (positive) where it is known.

    Parameters
    ----------
    name : str
        Of the file.
    times_s, voltage_v : ndarray of shape (n,)
        From the first loaded row.
    current_a : ndarray of shape (n,) or None
        Positive while discharging.
    is_current_logged : bool
        The current was read, so that it shows when the load went; otherwise it is that of a resistance.
    lost : tuple of Lost
        By restarts of the logger, by a clock that was set on, and by not knowing when the load came on.
    warnings : tuple of str
        What a person must know.
    no_load_a : float, optional
        The current below which the rows before the first one count as without load, where any were left out.
    """

    name: str
    times_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray | None
    is_current_logged: bool
    lost: tuple[Lost, ...]
    warnings: tuple[str, ...]
    no_load_a: float | None = None


def read_run(log: Log, load_ohm: float | None) -> Run:
    """Return the discharge in a log.

    Raises
    ------
    UnusableInput
        A column is missing, the clock jumps, or a voltage is impossible.
    NothingToMeasure
        Too few rows, or no load in them.
    """
    times_s, voltage_v, current_a, warnings = _columns(log)
    times_s, lost, notes = sound_clock(log.name, times_s, voltage_v)
    warnings += notes
    clock_s = times_s
    times_s, set_on, notes = steady_clock(clock_s, voltage_v, current_a)
    lost = (*(Lost(float(np.interp(each.at_s, clock_s, times_s)), each.seconds_u) for each in lost), *set_on)
    warnings += notes
    if current_a is None:
        loaded = None if load_ohm is None else voltage_v / load_ohm
        return Run(
            name=log.name,
            times_s=times_s,
            voltage_v=voltage_v,
            current_a=loaded,
            is_current_logged=False,
            lost=lost,
            warnings=warnings,
        )
    start, stop, discharging_a, least_a, notes = _loaded_stretch(log.name, times_s, voltage_v, current_a)
    if start > 0:
        lost = (Lost(float(times_s[start]), float(times_s[start] - times_s[start - 1]) / 12**0.5), *lost)
    kept = slice(start, stop)
    return Run(
        name=log.name,
        times_s=times_s[kept],
        voltage_v=voltage_v[kept],
        current_a=discharging_a[kept],
        is_current_logged=True,
        lost=lost,
        warnings=warnings + notes,
        no_load_a=least_a if start > 0 else None,
    )


def _columns(log: Log) -> tuple[FloatArray, FloatArray, FloatArray | None, tuple[str, ...]]:
    found = {measured: _column(log, measured, unit) for measured, unit in _UNITS.items()}
    for measured, unit in _UNITS.items():
        is_needed = measured != "current" or _said(log, measured) not in (None, measured)
        if found[measured] is None and is_needed:
            raise _missing(log, measured, unit)
    taken = [values for values in found.values() if values is not None]
    empty = np.any([np.isnan(values) for values in taken], axis=0)
    warnings = log.notes
    if empty.any():
        warnings += (f"{int(empty.sum())} rows with an empty cell are left out",)
        taken = [values[~empty] for values in taken]
    slips = _slips(taken[1])
    if slips.size:
        seen = f"{taken[1][slips[0]]:g} V at {taken[0][slips[0]]:.10g} s"
        warnings += (f"{slips.size} single readings far off those beside them are left out, the first of {seen}",)
        taken = [np.delete(values, slips) for values in taken]
    if len(taken[0]) < _LEAST_ROWS:
        raise NothingToMeasure(
            log.name, f"it has fewer than {_LEAST_ROWS} complete rows ({len(taken[0])})", "Log the whole discharge."
        )
    highest = float(np.abs(taken[1]).max())
    if highest > _HIGHEST_V:
        raise UnusableInput(log.name, f"a voltage of {highest:g} V cannot be", "Give voltage_v in volts.")
    return taken[0], taken[1], taken[2] if len(taken) > 2 else None, warnings


def _slips(voltage_v: FloatArray) -> npt.NDArray[np.int64]:
    """Return single rows whose voltage no battery has between the two beside them; none where they are many."""
    before, own, after = voltage_v[:-2], voltage_v[1:-1], voltage_v[2:]
    low, high = np.minimum(before, after), np.maximum(before, after)
    is_steady = (low > 0) & (high < _STEADY * low)
    found = 1 + np.flatnonzero(is_steady & ((own > _FAR_ABOVE * high) | (own < _FAR_BELOW * low)))
    most = max(_MOST_SLIPS, int(_MOST_SLIPS_SHARE * len(voltage_v)))
    return found if len(found) <= most else found[:0]


def _column(log: Log, measured: str, unit: str) -> FloatArray | None:
    """Return a column in a unit, whichever of the same kind its name bears; None where there is none, or several."""
    kind, _ = UNITS[unit]
    named = {f"{measured}_{each.lower()}": each for each, (dimension, _) in UNITS.items() if dimension == kind}
    found = [title for title in named if title in log.columns]
    if len(found) != 1:
        return log.columns.get(f"{measured}_{unit.lower()}")
    return log.columns[found[0]] * conversion_factor(named[found[0]], unit)


def _said(log: Log, measured: str) -> str | None:
    """Return the name of a column that tells it in no unit that can be taken: bare, or with a unit that is not its own.

    The latter stands in brackets (`inspect_app.capture._log_head.read_head`).
    """
    names = [measured, *(f"{measured}_{unit.lower()}" for unit in UNITS)]
    return next((title for title in log.columns if title.split(" [")[0] in names), None)


def _missing(log: Log, measured: str, unit: str) -> UnusableInput:
    wanted, said = f"{measured}_{unit.lower()}", _said(log, measured)
    if said is not None:
        problem = f"the column {said} does not tell its unit, or tells two or another kind"
        return UnusableInput(log.name, problem, f"Give it in {unit} as {wanted}, and name no other unit for it.")
    seen = ", ".join(list(log.columns)[:8])
    return UnusableInput(
        log.name,
        f"the column {wanted} is missing; there are {seen}",
        "Name the columns time_s,voltage_v and, where there are any, current_a,temperature_c.",
    )


def _loaded_stretch(
    name: str, times_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray
) -> tuple[int, int, FloatArray, float, tuple[str, ...]]:
    """Find where the load comes on; leave out charging."""
    strongest = _strongest(current_a)
    if strongest == 0:
        raise NothingToMeasure(name, "the current is zero throughout", "Log the discharge under load.")
    usual = float(np.median(np.abs(current_a[np.abs(current_a) > _LOADED * strongest])))
    sign = _discharging_sign(voltage_v, current_a, usual)
    discharging_a = sign * current_a
    loaded, charging = discharging_a > _LOADED * usual, discharging_a < -_LOADED * usual
    if not loaded.any():
        raise NothingToMeasure(name, "the battery is only charged in this log", "Log the discharge under load.")
    start, stop = _longest_without(charging, loaded)
    start += int(loaded[start:stop].argmax())
    warnings = []
    if sign < 0:
        warnings.append("negative current is taken for discharge, since the voltage falls with it")
    if start > 0:
        left_s = float(times_s[start] - times_s[0])
        warnings.append(f"the first {left_s:.6g} s, before the load comes on, are left out")
    return start, stop, discharging_a, _LOADED * usual, tuple(warnings)


def _strongest(current_a: FloatArray) -> float:
    """Return the largest current of a load, without that of few rows beside which the others carry much of the charge.

    A load of constant power draws ever more as a voltage that is logged on falls to 0: of 22 such rows of 1931 the
    strongest drew 1600 times the usual current, so that the run seemed to start there.
    """
    size = np.abs(current_a)
    few = max(1, int(_FEW_ROWS * len(size)))
    usual = float(np.partition(size, -few)[-few])
    is_usual = size <= usual
    carried, besides = (abs(float(current_a[rows].sum())) for rows in (is_usual, ~is_usual))
    return usual if carried > _MUCH_CHARGE * besides else float(size.max())


def _discharging_sign(voltage_v: FloatArray, current_a: FloatArray, usual: float) -> float:
    """Return the sign of the current that lowers the voltage, while there is any."""
    alive = voltage_v > 0
    positive, negative = alive & (current_a > _LOADED * usual), alive & (current_a < -_LOADED * usual)
    if not negative.any():
        return 1.0
    if not positive.any():
        return -1.0
    steps = np.diff(voltage_v)
    rise_positive = float(steps[positive[1:] & positive[:-1]].sum())
    rise_negative = float(steps[negative[1:] & negative[:-1]].sum())
    return 1.0 if rise_positive < rise_negative else -1.0


def _longest_without(charging: npt.NDArray[np.bool_], loaded: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Return the stretch without charging that holds most loaded rows."""
    if not charging.any():
        return 0, len(charging)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], charging, [True]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    counts = np.concatenate([[0], np.cumsum(loaded)])
    best = int((counts[stops] - counts[starts]).argmax())
    return int(starts[best]), int(stops[best])
