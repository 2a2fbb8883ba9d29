"""The clock of a discharge log made sound: restarts of the logger joined, a clock set on put right, jumps refused."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.errors import UnusableInput
from inspect_app.numerics.discharge.unlogged_time import Unlogged, chance_set_on, unlogged_time

FloatArray = npt.NDArray[np.float64]

_REMEDY_CLOCK: Final = "Correct the clock, or cut the log to the part with a sound one."
_MOST_RESTARTS: Final = 20
_RESTART_LAG: Final = 3.0  # usual intervals within which a restarted clock begins again
_VOLTAGE_STEP: Final = 0.02  # of the voltage: a larger step across a restart is another run, unless
_ALIKE_STEP: Final = 2.0  # it is at most so many times those beside it, as where a cell recovers
_GAP: Final = 5.0  # usual intervals without a row are a gap
_LONG_GAP: Final = 0.01  # of the time that was logged: shorter ones move no result by much, and
_MOST_LONG_GAPS: Final = 10  # are looked at, the longest
_SAME_LOAD: Final = 0.05  # of the current, by which it may differ across a gap, lest the load move the voltage
_LOAD_ROWS: Final = 5
_LIKELIER: Final = 0.5  # probability
_DOUBTED: Final = 0.5  # of the usual interval: less doubt is not worth a word
_SURE: Final = 2.0  # standard uncertainties by which it stood for longer than one interval, if that is told


@dataclass(frozen=True, slots=True)
class Lost:
    """When time was lost, and the standard uncertainty of how much, both in seconds."""

    at_s: float
    seconds_u: float


def sound_clock(
    name: str, times_s: FloatArray, voltage_v: FloatArray
) -> tuple[FloatArray, tuple[Lost, ...], tuple[str, ...]]:
    """Join a clock that starts again at each restart of the logger; refuse one that jumps.

    Parameters
    ----------
    name : str
        Of the file.
    times_s, voltage_v : ndarray of shape (n,)

    Returns
    -------
    times_s : ndarray of shape (n,)
        Never falling.
    lost : tuple of Lost
    notes : tuple of str
        What a person must know.

    Raises
    ------
    UnusableInput
        The clock stands still, runs back too often, or jumps.
    """
    steps = np.diff(times_s)
    if not (steps > 0).any():
        raise UnusableInput(name, "the clock stands still", _REMEDY_CLOCK)
    usual_s = float(np.median(steps[steps > 0]))
    back = np.flatnonzero(steps < 0)
    if not back.size:
        return times_s, (), ()
    if len(back) > _MOST_RESTARTS:
        raise UnusableInput(
            name, f"the clock runs back {len(back)} times, first {_place(times_s, int(back[0]))}", _REMEDY_CLOCK
        )
    regular = steps[(steps > 0) & (steps <= _GAP * usual_s)]
    usual_s, usual_u_s = float(regular.mean()), float(regular.std())
    joined, lost, notes = times_s.copy(), [], []
    for row in (int(row) for row in back):
        missing = _across_restart(name, times_s, voltage_v, row, (usual_s, usual_u_s))
        joined[row + 1 :] += joined[row] + missing.seconds - joined[row + 1]
        lost.append(Lost(float(joined[row]), missing.seconds_u))
        if missing.seconds - usual_s > _SURE * missing.seconds_u:
            notes.append(f"the logger started again after about {missing.seconds:.4g} s, by the fall of the voltage")
    often = "once" if len(back) == 1 else f"{len(back)} times"
    note = f"the logger started its clock again {often}; the parts are joined, one interval apart"
    return joined, tuple(lost), (note + " or as told" * bool(notes), *notes)


def steady_clock(
    times_s: FloatArray, voltage_v: FloatArray, current_a: FloatArray | None
) -> tuple[FloatArray, tuple[Lost, ...], tuple[str, ...]]:
    """Take out of a clock that never runs back by what it was set on, as to summer time, while the voltage went on.

    Parameters
    ----------
    times_s, voltage_v : ndarray of shape (n,)
    current_a : ndarray of shape (n,) or None
        A gap across which it changes is the clock's word, for the load moves the voltage.

    Returns
    -------
    times_s : ndarray of shape (n,)
        Across each such gap as the voltage tells.
    lost : tuple of Lost
    notes : tuple of str

    Notes
    -----
    See `inspect_app.numerics.discharge.unlogged_time.chance_set_on`. What hardly falls does not tell, and the clock is
    believed; where it may have been set on by whole hours, as well as not, the doubt holds both.
    """
    steps = np.diff(times_s)
    regular = steps[steps > 0]
    if not regular.size:
        return times_s, (), ()
    regular = regular[regular <= _GAP * np.median(regular)]
    usual_s, usual_u_s = float(regular.mean()), float(regular.std())
    gaps = _long_gaps(steps, usual_s, float(regular.sum()))
    put_right, lost, notes = times_s.copy() if gaps else times_s, [], []
    for row, start, stop in zip(gaps, [-1, *gaps], [*gaps[1:], len(steps)], strict=False):
        earlier, later = slice(start + 1, row + 1), slice(row + 1, stop + 1)
        before, after = (times_s[earlier], voltage_v[earlier]), (times_s[later], voltage_v[later])
        told_s = float(steps[row])
        set_on = chance_set_on(before, after, usual_s, told_s) if _is_same_load(current_a, row) else 0.0
        either_u_s = math.sqrt(set_on * (1 - set_on)) * told_s
        told = unlogged_time(before, after, usual_s, usual_u_s) if set_on > _LIKELIER else None
        jump = f"the clock runs on by {told_s:.6g} s {_place(times_s, row)}"
        if told is not None:
            put_right[row + 1 :] += told.seconds - told_s
            lost.append(Lost(float(put_right[row]), math.hypot(told.seconds_u, either_u_s)))
            notes.append(
                f"{jump}, and the voltage falls there as in about {told.seconds:.0f} s: the clock is taken as set on"
                " meanwhile, and the time as the voltage tells it"
            )
        elif either_u_s > _DOUBTED * usual_s:
            lost.append(Lost(float(put_right[row]), either_u_s))
            notes.append(f"{jump}, by whole hours: it may have been set on meanwhile, and is believed with that doubt")
    return put_right, tuple(lost), tuple(notes)


def _long_gaps(steps: FloatArray, usual_s: float, logged_s: float) -> list[int]:
    """Return the rows after which the longest gaps begin, in their order."""
    gaps = np.flatnonzero(steps > max(_GAP * usual_s, _LONG_GAP * logged_s))
    return sorted(int(gap) for gap in gaps[np.argsort(steps[gaps])[-_MOST_LONG_GAPS:]])


def _is_same_load(current_a: FloatArray | None, row: int) -> bool:
    if current_a is None:
        return True
    before, after = current_a[max(0, row + 1 - _LOAD_ROWS) : row + 1].mean(), current_a[row + 1 :][:_LOAD_ROWS].mean()
    return bool(abs(after - before) <= _SAME_LOAD * abs(before))


def _place(times_s: FloatArray, row: int) -> str:
    return f"after row {row + 1} below the names, from {times_s[row]:.10g} s to {times_s[row + 1]:.10g} s"


def _across_restart(
    name: str, times_s: FloatArray, voltage_v: FloatArray, row: int, usual: tuple[float, float]
) -> Unlogged:
    """Return the time from a row to the next, between which the clock began anew, by what the voltage fell across it.

    Nothing else says how long the logger stood; one interval where there are too few rows to tell.
    """
    usual_s, usual_u_s = usual
    begins_anew = min(abs(times_s[row + 1] - times_s[0]), abs(times_s[row + 1])) <= _RESTART_LAG * usual_s
    goes_on = row + 2 >= len(times_s) or 0 <= times_s[row + 2] - times_s[row + 1] <= _GAP * usual_s
    start, stop = _one_clock(times_s, row)
    told = unlogged_time(
        (times_s[start : row + 1], voltage_v[start : row + 1]),
        (times_s[row + 1 : stop], voltage_v[row + 1 : stop]),
        usual_s,
        usual_u_s,
    )
    fallen_v = float(voltage_v[row] - voltage_v[row + 1])
    is_told = fallen_v > 0 and told is not None and told.falls
    has_both_sides = 0 < row < len(voltage_v) - 2
    beside = np.diff(voltage_v[row - 1 : row + 3])[[0, -1]] if has_both_sides else np.zeros(2)
    is_small = abs(fallen_v) <= _VOLTAGE_STEP * abs(float(voltage_v[row]))
    is_alike = bool(np.all(fallen_v * beside < 0)) and abs(fallen_v) <= _ALIKE_STEP * float(np.abs(beside).min())
    if not (begins_anew and goes_on) or not (is_told or is_small or is_alike):
        raise UnusableInput(name, f"the clock jumps {_place(times_s, row)}", _REMEDY_CLOCK)
    return told or Unlogged(usual_s, float(np.hypot(usual_s, usual_u_s)), falls=False)


def _one_clock(times_s: FloatArray, row: int) -> tuple[int, int]:
    """Return the first row, and the one after the last, between the restarts before and after the one at a row."""
    back = np.flatnonzero(np.diff(times_s) < 0)
    earlier, later = back[back < row], back[back > row]
    return int(earlier[-1]) + 1 if earlier.size else 0, int(later[0]) + 1 if later.size else len(times_s)
