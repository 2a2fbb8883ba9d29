"""Where readings that are rounded more coarsely than they scatter pass from one code to the next."""

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.discharge.lasting_falls import SCATTER_ROWS, scatter

FloatArray = npt.NDArray[np.float64]

_BESIDE: Final = 3  # passages before and after the row asked about, that tell how many rows a code takes:
_FEWEST: Final = 3
_SPREAD: Final = 0.4  # of a code: noise that spreads readings over codes, so that means of them are right
_ROWS: Final = 4.0  # at least: fewer lie off it each in its own way
_ENDS: Final = 0.075  # of a code for as long as one is read: what rounding adds to a sum, by algebra
_MOVED: Final = 0.707  # square rows by which a passage is off, for each that noise puts out of its order: by algebra
_GAP: Final = 5.0  # usual intervals: what is passed in a gap is passed at no known moment
_CODED: Final = 1e-3  # of a code, by which readings may lie off it
_MOST_ROWS: Final = 200_000  # before and after; in longer logs they take as long as the parsing


def resolution(values: FloatArray, near: int) -> float:
    """Return the step to which the readings around the row `near` are rounded; 0 where they are all the same."""
    steps = np.diff(np.unique(values[max(0, near - SCATTER_ROWS) : near + SCATTER_ROWS]))
    return float(steps.min()) if steps.size else 0.0


def rounded_away(times_s: FloatArray, values: FloatArray) -> float:
    """Return the standard uncertainty that rounding leaves to the integral of a fall, in the unit of values times s.

    Notes
    -----
    Over a whole code the errors of a straight fall cancel; where it begins, bends and ends they do not, by half a code
    times what one takes, times the second Bernoulli polynomial of where within it (standard deviation 1 / root of 180;
    two ends and two bends). Noise of 0.4 of a code spreads readings over codes, so that nothing of it is left. Without
    this, energies of 80 logs rounded to 5 or 10 mV were held 86 of 100 at an error / u of 1.58 (rms), with it 94 and
    1.08.
    """
    code = resolution(values, len(values))
    changed = np.flatnonzero(np.diff(values))
    if not changed.size or scatter(times_s, values, len(values)) > _SPREAD * code:
        return 0.0
    return _ENDS * code * float(np.diff(times_s[changed]).max(initial=0.0))


class Passages(NamedTuple):
    """When a falling reading passes from each code to the next: half a code is rounded up before, and down after.

    Parameters
    ----------
    times_s, values : ndarray of shape (n,)
        Rising, and falling by one code each.
    noise : float
        Standard uncertainty of a value, by the two rows between which it is passed, and by noise.
    """

    times_s: FloatArray
    values: FloatArray
    noise: float


def passages(times_s: FloatArray, values: FloatArray, near: int) -> Passages | None:
    """Return when readings pass from code to code; None where noise spreads them over codes, or codes are short.

    Parameters
    ----------
    times_s, values : ndarray of shape (n,)
        Of a fall.
    near : int
        The row near which it is asked.

    Notes
    -----
    Rounding lies off alike for all rows of a code: the mean of many tells no more than that of few. When a reading goes
    over to the next code tells the value to a row. Where noise makes it go to and fro, it is when as many rows before
    are below as after it are above. 100 logs of 0.5 to 6 h at 1 to 5 s a row, rounded to 5 or 10 mV, with 0.05 to 1 mV
    of noise: the moment of a crossing by cubics through rows was off by 0.0146 % (p90; error / u of 1.03, rms, one of
    40 such logs with a gap 9), by cubics through passages 0.0060 % and 0.67.
    """
    code = resolution(values, near)
    if code <= 0 or scatter(times_s, values, near) > _SPREAD * code:
        return None
    first, last = max(0, near - _MOST_ROWS), min(len(values), near + _MOST_ROWS)
    t, v = times_s[first:last], values[first:last]
    codes = np.rint((v - v[0]) / code)
    ordered = np.sort(codes)[::-1]  # as they would be without noise: each code for as long as it is read
    is_coded = bool((np.abs(v - v[0] - codes * code) < _CODED * code).all())
    moved = np.abs(ordered - codes)
    if not is_coded or moved.max() > 1:
        return None
    steps_s = np.diff(t)
    passed = 1 + np.flatnonzero((np.diff(ordered) == -1) & (steps_s <= _GAP * np.median(steps_s)))
    beside = passed[max(0, int(passed.searchsorted(near - first)) - _BESIDE) :][: 2 * _BESIDE]
    if len(beside) < _FEWEST or (rows := float(np.ptp(beside)) / (len(beside) - 1)) < _ROWS:
        return None
    half = int(rows / 2)
    to_and_fro = float(moved[max(0, beside[0] - half) : beside[-1] + half].sum()) / len(beside)
    noise = code / rows * (1 / 12 + _MOVED * to_and_fro) ** 0.5
    return Passages((t[passed - 1] + t[passed]) / 2, v[0] + (ordered[passed] + 0.5) * code, noise)
