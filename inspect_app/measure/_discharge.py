"""A discharge log made sound: its clock proved, its load found, its gaps and restarts named."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Log
from inspect_app.errors import NothingToMeasure, UnusableInput

FloatArray = npt.NDArray[np.float64]

_REMEDY_CLOCK: Final = "Correct the clock, or cut the log to the part with a sound one."
_MOST_RESTARTS: Final = 20
_RESTART_LAG: Final = 3.0  # usual intervals within which a restarted clock begins again
_VOLTAGE_STEP: Final = 0.02  # of the voltage: a larger step across a restart is another run
_LOADED: Final = 0.05  # of the usual load current: less is a rest
_GAP: Final = 5.0  # usual intervals without a row are a gap
_HIGHEST_V: Final = 1000.0
_LEAST_ROWS: Final = 4
_RESTART_ROWS: Final = 50  # before and after a restart that tell how far the voltage fell across it
_MOST_LOST: Final = 20.0  # usual intervals
_STEEPEST: Final = 10.0  # times the slower fall: curves before and after a restart that differ by more are not one
_SURE: Final = 3.0  # standard uncertainties by which the voltage fell across a restart


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
    lost_s : float
        Standard uncertainty from restarts of the logger and from not knowing when the load came on.
    warnings : tuple of str
        What a person must know.
    """

    name: str
    times_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray | None
    is_current_logged: bool
    lost_s: float
    warnings: tuple[str, ...]


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
    times_s, lost_s, notes = _sound_clock(log.name, times_s, voltage_v)
    warnings += notes
    if current_a is None:
        loaded = None if load_ohm is None else voltage_v / load_ohm
        return Run(
            name=log.name,
            times_s=times_s,
            voltage_v=voltage_v,
            current_a=loaded,
            is_current_logged=False,
            lost_s=lost_s,
            warnings=warnings,
        )
    start, stop, discharging_a, notes = _loaded_stretch(log.name, times_s, voltage_v, current_a)
    if start > 0:
        lost_s = float(np.hypot(lost_s, (times_s[start] - times_s[start - 1]) / 12**0.5))
    kept = slice(start, stop)
    return Run(
        name=log.name,
        times_s=times_s[kept],
        voltage_v=voltage_v[kept],
        current_a=discharging_a[kept],
        is_current_logged=True,
        lost_s=lost_s,
        warnings=warnings + notes,
    )


def _columns(log: Log) -> tuple[FloatArray, FloatArray, FloatArray | None, tuple[str, ...]]:
    for column in ("time_s", "voltage_v"):
        if column not in log.columns:
            seen = ", ".join(list(log.columns)[:8])
            raise UnusableInput(
                log.name,
                f"the column {column} is missing; there are {seen}",
                "Name the columns time_s,voltage_v and, where there are any, current_a,temperature_c.",
            )
    taken = [log.columns["time_s"], log.columns["voltage_v"]]
    if "current_a" in log.columns:
        taken.append(log.columns["current_a"])
    empty = np.any([np.isnan(values) for values in taken], axis=0)
    warnings: tuple[str, ...] = ()
    if empty.any():
        warnings = (f"{int(empty.sum())} rows with an empty cell are left out",)
        taken = [values[~empty] for values in taken]
    if len(taken[0]) < _LEAST_ROWS:
        raise NothingToMeasure(
            log.name, f"it has fewer than {_LEAST_ROWS} complete rows ({len(taken[0])})", "Log the whole discharge."
        )
    highest = float(np.abs(taken[1]).max())
    if highest > _HIGHEST_V:
        raise UnusableInput(log.name, f"a voltage of {highest:g} V cannot be", "Give voltage_v in volts.")
    return taken[0], taken[1], taken[2] if len(taken) > 2 else None, warnings


def _sound_clock(name: str, times_s: FloatArray, voltage_v: FloatArray) -> tuple[FloatArray, float, tuple[str, ...]]:
    """Join a clock that starts again at each restart of the logger; refuse one that jumps."""
    steps = np.diff(times_s)
    if not (steps > 0).any():
        raise UnusableInput(name, "the clock stands still", _REMEDY_CLOCK)
    usual = float(np.median(steps[steps > 0]))
    back = np.flatnonzero(steps < 0)
    if not back.size:
        return times_s, 0.0, ()
    if len(back) > _MOST_RESTARTS:
        raise UnusableInput(
            name, f"the clock runs back {len(back)} times, first {_place(times_s, int(back[0]))}", _REMEDY_CLOCK
        )
    regular = steps[(steps > 0) & (steps <= _GAP * usual)]
    usual = float(regular.mean())
    joined, lost, notes = times_s.copy(), len(back) * float(np.var(regular)), []
    for row in (int(row) for row in back):
        missing_s, missing_u_s = _across_restart(name, times_s, voltage_v, row, usual)
        joined[row + 1 :] += joined[row] + missing_s - joined[row + 1]
        lost += missing_u_s**2
        if missing_s > usual:
            notes.append(f"the logger started again after about {missing_s:.4g} s, by the fall of the voltage")
    often = "once" if len(back) == 1 else f"{len(back)} times"
    note = f"the logger started its clock again {often}; the parts are joined, one interval apart"
    return joined, float(np.sqrt(lost)), (note + " or as told" * bool(notes), *notes)


def _place(times_s: FloatArray, row: int) -> str:
    return f"after row {row + 1} below the names, from {times_s[row]:.10g} s to {times_s[row + 1]:.10g} s"


def _across_restart(
    name: str, times_s: FloatArray, voltage_v: FloatArray, row: int, usual: float
) -> tuple[float, float]:
    """Return the time from a row to the next, between which the clock began anew, and its standard uncertainty.

    One interval, and a doubt by what the voltage fell across it, noise and all, or by twenty intervals where noise
    hides that it falls at all: less noise, less doubt. Where that is more than noise explains, on curves that fall
    alike before and after, the time that it took: nothing else says how long the logger stood. Over 119 logs with
    pauses of 1 to 50 min and up to 5 mV of noise, 2 u held the truth in 88 of 100 (one interval alone: in 19, errors to
    10 % and 22 refused); what it misses are pauses whose fall noise hides.
    """
    begins_anew = min(abs(times_s[row + 1] - times_s[0]), abs(times_s[row + 1])) <= _RESTART_LAG * usual
    goes_on = row + 2 >= len(times_s) or 0 <= times_s[row + 2] - times_s[row + 1] <= _GAP * usual
    step_v = abs(float(voltage_v[row + 1] - voltage_v[row]))
    fall = _fall_across(times_s, voltage_v, row, usual)
    is_pause = fall is not None and fall.is_pause(usual)
    if not (begins_anew and goes_on) or not (is_pause or step_v <= _VOLTAGE_STEP * abs(float(voltage_v[row]))):
        raise UnusableInput(name, f"the clock jumps {_place(times_s, row)}", _REMEDY_CLOCK)
    if fall is None:
        return usual, usual
    if is_pause:
        return usual + fall.volts / fall.rate, float(np.hypot(fall.pause_u_s, usual))
    most_s = _MOST_LOST * usual
    lost_s = min(abs(fall.volts) / fall.rate, most_s) if fall.rate > 0 else most_s
    return usual, float(np.hypot(lost_s / 3**0.5, usual / 12**0.5))


@dataclass(frozen=True, slots=True)
class _Fall:
    """How far the voltage fell across a restart beyond one interval, and how fast it falls there, per second."""

    volts: float
    volts_u: float
    slower: float
    faster: float
    rate_u: float

    @property
    def rate(self) -> float:
        """The mean of before and after: exact where the curve is a parabola."""
        return (self.slower + self.faster) / 2

    @property
    def pause_u_s(self) -> float:
        """Standard uncertainty of the time that the fall took, by noise and by the path between the two rates."""
        path_s = (self.volts / self.slower - self.volts / self.faster) / 12**0.5
        return float(np.linalg.norm([self.volts_u / self.rate, path_s, self.volts * self.rate_u / self.rate**2]))

    def is_pause(self, usual: float) -> bool:
        """Say whether it fell for longer than an interval, and as a curve that goes on."""
        goes_on = 0 < self.faster < _STEEPEST * self.slower
        return goes_on and self.volts > _SURE * self.volts_u + usual * self.rate


def _fall_across(times_s: FloatArray, voltage_v: FloatArray, row: int, usual: float) -> _Fall | None:
    """Compare lines through the rows before and after; None where there are too few."""
    ends, slopes = [], []
    for part, at_s in (
        (slice(max(0, row + 1 - _RESTART_ROWS), row + 1), times_s[row]),
        (slice(row + 1, row + 1 + _RESTART_ROWS), times_s[row + 1] - usual),
    ):
        t, v = times_s[part] - at_s, voltage_v[part]
        if len(t) < _LEAST_ROWS or np.ptp(t) == 0:
            return None
        slope, end = np.polyfit(t, v, 1)
        rest = v - slope * t - end
        memory = float(np.clip(rest[1:] @ rest[:-1] / max(float(rest @ rest), 1e-30), 0.0, 0.95))
        variance = float(rest @ rest) / (len(t) - 2) * (1 + memory) / (1 - memory)
        slope_variance = variance / float(np.square(t - t.mean()).sum())
        ends.append((float(end), variance / len(t) + slope_variance * float(t.mean()) ** 2))
        slopes.append((-float(slope), slope_variance))
    slower, faster = sorted(slope for slope, _ in slopes)
    return _Fall(
        volts=ends[0][0] - ends[1][0],
        volts_u=(ends[0][1] + ends[1][1]) ** 0.5,
        slower=slower,
        faster=faster,
        rate_u=(slopes[0][1] + slopes[1][1]) ** 0.5 / 2,
    )


def _loaded_stretch(
    name: str, times_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray
) -> tuple[int, int, FloatArray, tuple[str, ...]]:
    """Find where the load comes on; leave out charging."""
    strongest = float(np.abs(current_a).max())
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
    return start, stop, discharging_a, tuple(warnings)


def _discharging_sign(voltage_v: FloatArray, current_a: FloatArray, usual: float) -> float:
    """Return the sign of the current that lowers the voltage."""
    positive, negative = current_a > _LOADED * usual, current_a < -_LOADED * usual
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
