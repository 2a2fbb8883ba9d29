"""Where a log falls below a level for good, with the doubt of noise and gaps."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LASTING_ROWS: Final = 3
LASTING_S: Final = 10.0
"""A dip shorter than either is a pulse of the load, not the end (common practice, no source)."""

_OFF: Final = 0.05  # of the usual current: less is a load that is gone
_CLEAR_FALL: Final = 8.0  # scatters by which two rows must differ to be interpolated as they are
_LEAST_ROWS: Final = 6
_MOST_ROWS: Final = 20_000
_SCATTER_ROWS: Final = 400
_SLOPE_ROWS: Final = 8
_GAP: Final = 5.0  # usual intervals between two rows that are a gap
_STEEPEST: Final = 3.0  # times the mean fall: a cubic with steeper ends is not sure to fall throughout
_INSIDE: Final = 0.8  # of what the slopes bound: the cubic lies well inside (own bench)
_BACK: Final = 0.25  # of its depth, within which a pulse comes back to where it began
_LEVEL: Final = 0.05  # of its depth, by which the values fell in the row before a pulse, at most
_SURE_FALL: Final = 6.0  # standard uncertainties of its slope by which a curve falls where it crosses, at least
_BESIDE: Final = 0.25  # of the reach of its rows, by which a curve may cross outside of them
_DISAGREE: Final = 2.0  # standard uncertainties of the difference of two curves, of which one holds the other's rows
_PULLED: Final = 0.8  # of its own uncertainty, by which a curve may be off that still agrees with shorter ones
_ROW_FLOOR: Final = 0.02
_POWERS: Final = np.arange(4)  # of a cubic


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where a log crosses a level downwards.

    Parameters
    ----------
    index : int
        The first row after the crossing.
    time_s : float
        Interpolated.
    from_noise_s, from_gap_s : float
        Standard uncertainties from noise of the readings, and from not knowing the path between two rows.
    """

    index: int
    time_s: float
    from_noise_s: float
    from_gap_s: float


def lasting_crossing(
    times_s: FloatArray, values: FloatArray, level: float, current: FloatArray | None = None
) -> Crossing | None:
    """Find the first crossing below a level that lasts.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
        Never falling.
    values : ndarray of shape (n,)
        Starting above `level`.
    current : ndarray of shape (n,), optional
        Where the load is gone for the rest of the log, the values no longer count.

    Returns
    -------
    Crossing or None
        None where the values never stay below.

    Notes
    -----
    A stretch below lasts if it holds 3 rows and 10 s, if it reaches the end of the log or of the load, or if the values
    after it no longer fall (a battery rebounds after shutdown), unless they left a level stretch and came back to it.

    Between two rows that differ by more than scatter (at least rounding, rectangular) the crossing is that of a cubic,
    whose doubt is what the slopes before and after leave open: it grows with the gap. But in a gap, cubics through ever
    more rows follow, as many as go on agreeing with those of fewer rows, each laid around the crossing of the one
    before, since noise crosses the level early. What remains is correlated where the cubic does not fit, which widens
    the doubt by its lag-one correlation. Rows after the load is gone, or after the values jumped back, are left out.
    Assumes a smooth fall at the crossing; a kink right there is seen as drift of the cubic.

    What lost (205 logs of 5 to 20 mV of noise and 131 of less by another generator; this one: root mean square
    of the error 0.42 and 0.04 % of the runtime, held in 96 and 98 of 100): parabolas that had to fall by 12 times the
    noise, as before, were often so long that they had no shorter one to agree with (0.99 and 0.04 %, 82 and 97);
    parabolas by the rules of today (0.42 and 0.05 %, 94 and 96), straight lines (1.7 %, 89). A straight line over a
    fixed fall read 0.02 % early where the curve bends, and mixed the rebound in.
    """
    found = _first_lasting(times_s, values < level, values, current)
    if not found:
        return None
    noise = max(scatter(times_s, values, found), _resolution(values, found) / 12**0.5)
    between = _between_rows(times_s, values, level, found, noise)
    is_clear = float(values[found - 1] - values[found]) >= _CLEAR_FALL * noise
    if is_clear and times_s[found] - times_s[found - 1] > _GAP * np.median(np.diff(times_s[: found + 1])):
        return between
    last = _last_falling(values, level, found, noise, current)
    two_rows = [(between.time_s, between.from_noise_s)] if is_clear else []
    return _by_curve(times_s[:last], values[:last] - level, found, noise, two_rows) or between


def _first_lasting(times_s: FloatArray, below: BoolArray, values: FloatArray, current: FloatArray | None) -> int | None:
    alive = len(below) if current is None else _last_loaded(current)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], below, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    starts, stops = starts[starts < alive], stops[starts < alive]
    if not len(starts):
        return None
    lasts = (stops - starts >= LASTING_ROWS) & (times_s[stops - 1] - times_s[starts] >= LASTING_S)
    lasts |= stops >= alive
    is_end = not _falls_on(times_s[stops[-1] :], values[stops[-1] :])
    lasts[-1] |= is_end and not _is_pulse(values, int(starts[-1]), int(stops[-1]))
    return int(starts[lasts.argmax()]) if lasts.any() else None


def _last_loaded(current: FloatArray) -> int:
    """Return the number of rows up to the last one under load."""
    loaded = np.flatnonzero(current > _OFF * np.median(np.abs(current)))
    return int(loaded[-1]) + 1 if loaded.size else len(current)


def _is_pulse(values: FloatArray, start: int, stop: int) -> bool:
    """Say whether values fall out of a level stretch and come back to it: the load's doing, not the battery's end."""
    if start < 2 or stop >= len(values):
        return False
    earlier, before, after = (float(values[row]) for row in (start - 2, start - 1, stop))
    depth = (before + after) / 2 - float(values[start:stop].min())
    return abs(after - before) < _BACK * depth and earlier - before < _LEVEL * depth


def _falls_on(times_s: FloatArray, values: FloatArray) -> bool:
    """Say whether values go on falling after a dip, as under load, rather than rest after shutdown."""
    if len(values) < LASTING_ROWS:
        return False
    third = max(1, len(values) // 3)
    noise = scatter(times_s, values, len(values))
    fallen = float(values[:third].mean()) - float(values[-third:].mean())
    return fallen > 4 * noise / math.sqrt(third)


def scatter(times_s: FloatArray, values: FloatArray, near: int) -> float:
    """Return the scatter of readings about a smooth path, from the rows before a row: each against its neighbours.

    Parameters
    ----------
    times_s, values : ndarray of shape (n,)
    near : int
        The row; as many as 400 before it are looked at, and fewer than 5 show none.

    Returns
    -------
    float
        A standard deviation, robust against single rows.
    """
    t, y = times_s[max(0, near - _SCATTER_ROWS) : near], values[max(0, near - _SCATTER_ROWS) : near]
    if len(y) < 5:
        return 0.0
    span = t[2:] - t[:-2]
    share = np.divide(t[1:-1] - t[:-2], span, out=np.full_like(span, 0.5), where=span > 0)
    off = y[1:-1] - (y[:-2] * (1 - share) + y[2:] * share)
    size = np.sqrt(1 + (1 - share) ** 2 + share**2)
    return float(np.median(np.abs(off / size)) / 0.6745)


def _resolution(values: FloatArray, near: int) -> float:
    """Return the step to which the readings around `near` are rounded."""
    steps = np.diff(np.unique(values[max(0, near - _SCATTER_ROWS) : near + _SCATTER_ROWS]))
    return float(steps.min()) if steps.size else 0.0


def _last_falling(values: FloatArray, level: float, index: int, noise: float, current: FloatArray | None) -> int:
    """Return the end of the rows under load: where the load goes, or the values jump back above the level."""
    last = len(values) if current is None else max(index + 1, _last_loaded(current))
    back = np.flatnonzero(values[index:last] > level + _CLEAR_FALL * noise)
    return index + int(back[0]) if back.size else last


def _between_rows(times_s: FloatArray, values: FloatArray, level: float, index: int, noise: float) -> Crossing:
    """Interpolate between two rows by a cubic with the slopes before and after, which also bound the path."""
    start, stop = float(times_s[index - 1]), float(times_s[index])
    above, below = float(values[index - 1]), float(values[index])
    span, slope = stop - start, (above - below) / max(stop - start, 1e-12)
    straight = start + (above - level) / slope if above > below else stop
    earlier, later = _slope(times_s[:index], values[:index]), _slope(times_s[index:], values[index:], at_end=False)
    bounds, crossing = [straight], straight
    if earlier > 0:
        bounds.append(min(stop, start + (above - level) / earlier))
    if later > 0:
        bounds.append(max(start, stop - (level - below) / later))
    if 0 < earlier < _STEEPEST * slope and 0 < later < _STEEPEST * slope and above > below:
        crossing = start + span * _cubic_share((above - level) / (above - below), earlier / slope, later / slope)
    reach = float(np.ptp(bounds)) * _INSIDE if len(bounds) > 1 else span
    return Crossing(
        index=index,
        time_s=crossing,
        from_noise_s=min(noise / slope, span),
        from_gap_s=reach / 12**0.5,
    )


def _cubic_share(fallen: float, earlier: float, later: float) -> float:
    """Return where a cubic from 0 to 1 with given slopes at its ends has fallen so far (bisection; it is monotone)."""
    low, high = 0.0, 1.0
    for _ in range(50):
        x = (low + high) / 2
        value = earlier * x * (1 - x) ** 2 + x * x * (3 - 2 * x) - later * x * x * (1 - x)
        low, high = (x, high) if value < fallen else (low, x)
    return (low + high) / 2


def _slope(times_s: FloatArray, values: FloatArray, *, at_end: bool = True) -> float:
    """Return the fall per second over a few rows at the end or start; 0 where it cannot be told."""
    kept = slice(-_SLOPE_ROWS, None) if at_end else slice(0, _SLOPE_ROWS)
    t, y = times_s[kept], values[kept]
    if len(t) < 3 or t[-1] <= t[0]:
        return 0.0
    return float(-np.polyfit(t - t[0], y, 1)[0])


def _by_curve(
    times_s: FloatArray, above: FloatArray, index: int, noise: float, shorter: list[tuple[float, float]]
) -> Crossing | None:
    """Fit cubics to ever more rows around the crossing, until they begin to disagree (Lepski, 1990, from memory).

    The variance of their difference is that of the shorter less that of the longer, which holds its rows (J. Hausman,
    Econometrica 46, 1251 (1978), from memory). `shorter` holds what is known from fewer rows: crossing and doubt. Half
    of the last difference is a doubt: a curve that only just agrees is then known no better than the shorter one, so
    that more noise, which lets longer ones agree, makes no doubt smaller.
    """
    kept = list(shorter)
    half, middle_s = _LEAST_ROWS, float(times_s[index])
    while True:
        middle = int(np.searchsorted(times_s, middle_s))
        rows = slice(max(0, middle - half), min(len(above), middle + half))
        found = _curve_crossing(times_s[rows] - middle_s, above[rows], noise)
        if found is not None:
            crossing_s, u_s = middle_s + found[0], found[1]
            if any(_disagree(crossing_s - known_s, known_u_s, u_s) for known_s, known_u_s in kept):
                break
            kept.append((crossing_s, u_s))
            middle_s = crossing_s
        if half >= _MOST_ROWS or half >= len(above):
            break
        half *= 2
    if len(kept) == len(shorter):
        return None
    time_s, u_s = kept[-1]
    drift = abs(time_s - kept[-2][0]) if len(kept) > 1 else 0.0
    row = int(np.clip(np.searchsorted(times_s, time_s), 1, len(times_s) - 1))
    pulled = math.hypot(drift / 2, _PULLED * u_s)
    return Crossing(
        index=row,
        time_s=time_s,
        from_noise_s=u_s,
        from_gap_s=max(pulled, _ROW_FLOOR * float(times_s[row] - times_s[row - 1])),
    )


def _disagree(difference_s: float, shorter_u_s: float, longer_u_s: float) -> bool:
    return abs(difference_s) > _DISAGREE * math.sqrt(max(shorter_u_s**2 - longer_u_s**2, 0.0))


def _curve_crossing(t: FloatArray, above: FloatArray, noise: float) -> tuple[float, float] | None:
    """Return where a cubic through readings falls through zero nearest to t = 0, and its standard uncertainty.

    None where it is not sure to fall there.
    """
    scale = float(np.ptp(t))
    if len(t) < 2 * _LEAST_ROWS - 2 or scale <= 0:
        return None
    columns = (t[:, None] / scale) ** _POWERS
    inverse = np.linalg.pinv(columns.T @ columns)
    c = inverse @ (columns.T @ above)
    rest = above - columns @ c
    spread = max(float(np.sqrt(rest @ rest / (len(t) - len(c)))), noise)
    memory = float(np.clip(rest[1:] @ rest[:-1] / max(float(rest @ rest), 1e-30), 0.0, 0.95))
    x = _falling_root(c)
    if x is None or not t[0] / scale - _BESIDE <= x <= t[-1] / scale + _BESIDE:
        return None
    row, slope_row = x**_POWERS, _POWERS * x ** np.maximum(_POWERS - 1, 0)
    fall = -float(slope_row @ c)
    if fall <= _SURE_FALL * spread * float(np.sqrt(slope_row @ inverse @ slope_row)):
        return None
    u = spread * float(np.sqrt(row @ inverse @ row * (1 + memory) / (1 - memory)))
    return x * scale, u / fall * scale


def _falling_root(coefficients: FloatArray) -> float | None:
    """Return the root nearest to zero at which a polynomial falls, lowest power first."""
    curve = np.polynomial.Polynomial(coefficients)
    roots = curve.roots()
    real = roots[np.abs(roots.imag) < 1e-9].real
    falling = real[curve.deriv()(real) < 0]
    return float(falling[np.abs(falling).argmin()]) if falling.size else None
