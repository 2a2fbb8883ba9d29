"""Where a log falls below a level for good, with the doubt of noise and gaps."""

import dataclasses
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.discharge.gap_crossings import crossing_in_gap
from inspect_app.numerics.discharge.lasting_falls import first_row_below, last_loaded, scatter
from inspect_app.numerics.discharge.rounded_falls import passages, resolution

FloatArray = npt.NDArray[np.float64]

_CLEAR_FALL: Final = 8.0  # scatters by which two rows must differ to be interpolated as they are
_USUAL_FALL: Final = 3.5  # scatters: where the rows beside fall by less from row to row,
_BY_CHANCE: Final = 7.5  # scatters more are thrown apart by noise
_MEDIAN_ROWS: Final = (1, 5, 11)  # over which values that come back are sought
_LOWEST_ROWS: Final = 5  # over which the lowest before is
_LEAST_ROWS: Final = 6
_MOST_ROWS: Final = 20_000
_SLOPE_ROWS: Final = 8
_GAP: Final = 5.0  # usual intervals between two rows that are a gap
_SURELY_INSIDE: Final = 0.9  # probability: otherwise the readings beside a gap tell as well
_STEEPEST: Final = 3.0  # times the mean fall: a cubic with steeper ends is not sure to fall throughout
_FLAT: Final = 1e-6  # of the mean fall: rounding of values that stay
_SURELY_ABOVE: Final = 4.0  # scatters
_INSIDE: Final = 0.8  # of what the slopes bound: the cubic lies well inside (own bench)
_SURE_FALL: Final = 6.0  # standard uncertainties of its slope by which a curve falls where it crosses, at least
_BESIDE: Final = 0.25  # of the reach of its rows, by which a curve may cross outside of them
_DISAGREE: Final = 2.25  # standard uncertainties of the difference of two curves, of which one holds the other's rows
_LEAST_APART: Final = 1 / 3  # of the shorter one's variance, that of the difference: few rows tell both badly
_FEW_ROWS: Final = 24  # of a curve whose own fall noise may steepen: a straight line through them tells it better,
_STEEPENED: Final = 2.0  # standard uncertainties of its slope at most
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
    Noise breaks it up and makes single rows of it: medians of more rows are looked at until they fall by more than it.

    Between two rows that differ by more than scatter (at least rounding, rectangular) the crossing is that of a cubic,
    whose doubt is what the slopes before and after leave open. In a gap of more than five usual intervals it is where
    the smooth paths that go with the readings on both sides cross (`gap_crossings.crossing_in_gap`), if these leave no
    more than a tenth to its having been crossed beside it. Elsewhere, cubics through ever more rows follow, as many as
    go on agreeing with those of fewer rows, each laid around the crossing of the one before, since noise crosses the
    level early; where rounding hides the noise, through when readings pass from code to code
    (`rounded_falls.passages`). What remains is correlated where the cubic does not fit, which widens the doubt by its
    lag-one correlation. Rows after the load is gone, or after the lowest before the values come back, are left out, and
    no curve crosses after that. Where the first row without load is dead, the curve of the rows before or the step
    between both rows says when it ended. Assumes a smooth fall at the crossing; a kink right there is seen as drift of
    the cubic.

    Two rows that noise throws apart near the level are not interpolated where the rows beside them fall by far less,
    and a curve through 24 rows or fewer, which noise steepens where it is looked for, is doubted by the fall of a
    straight line through them where that is less. Of 400 own draws of 4 to 25 mV of noise, most at irregular times, the
    error was 0.049 % (rms) and one 6.2 u off without both, so 0.044 %, the worst 3.4 u; of 500 of 20 to 250 rows 0.229
    % (p90) without, so 0.237 %, held 97 and 98 of 100. A straight line's fall in every short curve lost: of those 0.244
    %.

    In gaps, the cubic between the rows around them was off by 0.38 % (p90 of 120 logs with gaps of 60 to 500 s at the
    knee) and 2.8 % (500 to 2000 s), nearly always early, and held 93 and 77 of 100; the paths are by 0.06 and 0.19 %,
    and hold 96 and 98 (200 logs of each).

    What lost: parabolas, often so long that they had no shorter one to agree with (205 logs of 5 to 20 mV of noise: rms
    0.99 % for 0.42, held 82 for 96 of 100), straight lines (1.7 %, 89); keeping the rows of a rebound up to where they
    stand above noise (300 logs of 3 to 36 mV by another hand: held 95 for 97, four results off by more than 4 u for 0).
    A curve that a chance rejects leaves a shorter one with more doubt than twice the noise would: of 360 doublings of
    noise u shrank by more than a tenth in 6 (9 without a least variance of the difference; 4 with half of the shorter
    one's and 2.5 uncertainties, but p90 of logs of 10 to 30 mV up by 5 to 10 %).
    """
    found = first_row_below(times_s, values, level, current)
    if not found:
        return None
    noise = max(scatter(times_s, values, found), resolution(values, found) / 12**0.5)
    between = _between_rows(times_s, values, level, found, noise)
    is_clear = _is_clear(times_s, values, found, noise)
    if is_clear and times_s[found] - times_s[found - 1] > _GAP * np.median(np.diff(times_s[: found + 1])):
        in_gap = _in_gap(times_s, values, level, between, noise, current)
        if in_gap is not None:
            return in_gap
    is_dead = current is not None and found >= last_loaded(current)  # without load: what falls there is no battery
    last = found if is_dead else _last_falling(values, level, found, noise, current)
    two_rows = [(between.time_s, between.from_noise_s)] if is_clear and not is_dead else []
    until_s = math.inf if current is None or last == len(values) else float(times_s[last])
    rounded = None if is_clear else _by_codes(times_s[:last], values[:last], level, found, until_s=until_s)
    if rounded is not None:
        return rounded
    curve = _by_curve(times_s[:last], values[:last] - level, found, noise, two_rows, until_s=until_s)
    if curve is not None or is_clear:
        return curve or between
    return dataclasses.replace(between, from_noise_s=_hidden_s(times_s[: found + 1], values[: found + 1], level, noise))


def _is_clear(times_s: FloatArray, values: FloatArray, index: int, noise: float) -> bool:
    """Say whether two rows differ by more than scatter; by how much more than the rows beside them fall, where little.

    Of many rows near the level, those that noise throws furthest apart are found.
    """
    fall = float(values[index - 1] - values[index])
    beside = max(_slope(times_s[:index], values[:index]), _slope(times_s[index:], values[index:], at_end=False))
    usual = beside * float(times_s[index] - times_s[index - 1])
    is_chance = usual < _USUAL_FALL * noise and fall - usual < _BY_CHANCE * noise
    return fall >= _CLEAR_FALL * noise and not is_chance


def _in_gap(
    times_s: FloatArray, values: FloatArray, level: float, between: Crossing, noise: float, current: FloatArray | None
) -> Crossing | None:
    """Return the crossing in a gap by the paths that go with both sides; as between two rows where few are left.

    None where noise leaves open whether it lies in the gap.
    """
    found = between.index
    last = _last_falling(values, level, found, noise, current)
    told = crossing_in_gap((times_s[:found], values[:found]), (times_s[found:last], values[found:last]), level)
    if told is None:
        return between
    if told.inside < _SURELY_INSIDE:
        return None
    time_s = float(times_s[found - 1]) + told.after_s
    return Crossing(
        index=found,
        time_s=time_s,
        from_noise_s=told.from_noise_s,
        from_gap_s=math.sqrt(told.after_u_s**2 - told.from_noise_s**2),
    )


def _by_codes(times_s: FloatArray, values: FloatArray, level: float, index: int, *, until_s: float) -> Crossing | None:
    """Return the crossing by when readings pass from code to code; None where noise spreads them over codes."""
    passed = passages(times_s, values, index)
    if passed is None or not 1 <= (near := int((passed.values > level).sum())) < len(passed.values):
        return None
    between = _between_rows(passed.times_s, passed.values, level, near, passed.noise)
    two_rows = [(between.time_s, math.hypot(between.from_noise_s, between.from_gap_s))]
    found = _by_curve(passed.times_s, passed.values - level, near, passed.noise, two_rows, until_s=until_s) or between
    return dataclasses.replace(found, index=int(np.clip(times_s.searchsorted(found.time_s), 1, len(times_s) - 1)))


def _hidden_s(times_s: FloatArray, values: FloatArray, level: float, noise: float) -> float:
    """Return for how long noise hides a crossing before the last row, by the fall of the rows before it."""
    slope = _slope(times_s[:-1], values[:-1])
    above = np.flatnonzero(values > level + _SURELY_ABOVE * noise)
    most_s = float(times_s[-1] - times_s[above[-1] if above.size else 0])
    return min(noise / slope, most_s / 2) if slope > 0 else most_s / 2


def _last_falling(values: FloatArray, level: float, index: int, noise: float, current: FloatArray | None) -> int:
    """Return the end of the rows under load: where it goes, or lowest before the values come back above the level."""
    last = len(values) if current is None else max(index + 1, last_loaded(current))
    for rows in _MEDIAN_ROWS:
        smooth = ndimage.median_filter(values[index:last], rows, mode="nearest")
        back = np.flatnonzero(smooth > level + _CLEAR_FALL * noise / math.sqrt(rows))
        if back.size:
            before = values[index : index + int(back[0])]
            return index + 1 + int(ndimage.median_filter(before, _LOWEST_ROWS, mode="nearest").argmin())
    return last


def _between_rows(times_s: FloatArray, values: FloatArray, level: float, index: int, noise: float) -> Crossing:
    """Interpolate between two rows by a cubic with the slopes before and after, which also bound the path."""
    start, stop = float(times_s[index - 1]), float(times_s[index])
    above, below = float(values[index - 1]), float(values[index])
    span, slope = stop - start, (above - below) / max(stop - start, 1e-12)
    straight = start + (above - level) / slope if above > below else stop
    earlier, later = _slope(times_s[:index], values[:index]), _slope(times_s[index:], values[index:], at_end=False)
    crossing = straight
    earliest = min(stop, start + (above - level) / earlier) if earlier > 0 else straight
    is_told = later > _FLAT * slope  # how it ended
    latest = max(start, stop - (level - below) / later) if is_told else stop
    bounds = (earliest, straight, latest)
    if 0 < earlier < _STEEPEST * slope and 0 < later < _STEEPEST * slope and above > below:
        crossing = start + span * _cubic_share((above - level) / (above - below), earlier / slope, later / slope)
    reach = float(np.ptp(bounds)) * _INSIDE
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
    times_s: FloatArray,
    above: FloatArray,
    index: int,
    noise: float,
    shorter: list[tuple[float, float]],
    *,
    until_s: float,
) -> Crossing | None:
    """Fit cubics to ever more rows around the crossing, until they begin to disagree (Lepski, 1990, from memory).

    None crosses after `until_s`, when the load is gone.

    The variance of their difference is that of the shorter less that of the longer, which holds its rows (J. Hausman,
    Econometrica 46, 1251 (1978), from memory). `shorter` holds what is known from fewer rows: crossing and doubt. Half
    of the last difference is a doubt: a curve that only just agrees is then known no better than the shorter one, so
    that more noise, which lets longer ones agree, makes no doubt smaller.
    """
    kept = list(shorter)
    half, middle_s = _LEAST_ROWS, float(times_s[min(index, len(times_s) - 1)])
    while True:
        middle = int(np.searchsorted(times_s, middle_s))
        rows = slice(max(0, middle - half), min(len(above), middle + half))
        found = _curve_crossing(times_s[rows] - middle_s, above[rows], noise)
        if found is not None and middle_s + found[0] - found[1] <= until_s:
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
    variance = max(shorter_u_s**2 - longer_u_s**2, _LEAST_APART * shorter_u_s**2)
    return abs(difference_s) > _DISAGREE * math.sqrt(variance)


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
    fall_u = spread * float(np.sqrt(slope_row @ inverse @ slope_row))
    if fall <= _SURE_FALL * fall_u:
        return None
    if len(t) <= _FEW_ROWS:
        straight = -float(np.polyfit(t / scale, above, 1)[0])
        fall = min(fall, max(straight, fall - _STEEPENED * fall_u))
    u = spread * float(np.sqrt(row @ inverse @ row * (1 + memory) / (1 - memory)))
    return x * scale, u / fall * scale


def _falling_root(coefficients: FloatArray) -> float | None:
    """Return the root nearest to zero at which a polynomial falls, lowest power first."""
    curve = np.polynomial.Polynomial(coefficients)
    roots = curve.roots()
    real = roots[np.abs(roots.imag) < 1e-9].real
    falling = real[curve.deriv()(real) < 0]
    return float(falling[np.abs(falling).argmin()]) if falling.size else None
