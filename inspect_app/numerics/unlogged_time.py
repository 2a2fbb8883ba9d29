"""How long a logger stood before it went on, from how far its readings fell meanwhile."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

FloatArray = npt.NDArray[np.float64]

_MOST_ROWS: Final = 4000  # to either side
_FEWEST_BINS: Final = 4
_BROADER: Final = 0.15  # of their distance in rows, over which readings are averaged
_OUT: Final = 8.0  # scatters from the median of five rows: a pulse of the load
_MEDIAN_ROWS: Final = 5
_FLOOR: Final = 1e-7  # of the readings: none are quieter
_GROWTHS: Final = (-5.0, 0.0, 5.0, 10.0, 20.0)  # of roughness, as logarithm, over the time that is looked at
_STRENGTHS: Final = np.logspace(-10, 6, 17)  # of roughness, in ranges of the readings over that time
_GROWTH: Final = np.repeat(_GROWTHS, len(_STRENGTHS))
_ROUGHNESS: Final = np.tile(_STRENGTHS, len(_GROWTHS))
_MOST_GROWN: Final = 60.0  # of roughness, as logarithm
_VAGUE: Final = 1e4  # ranges squared: variance of level, slope and bend before the first reading
_JITTER: Final = 1e-14
_BACK: Final = np.diag([1.0, -1.0, 1.0])  # a path that is followed from its end: its slope turns
_SHORTEST: Final = 0.3  # usual intervals
_TRIED: Final = 160
_FINER: Final = (30, 30, 30)  # more times tried about the likeliest, in turn


@dataclass(frozen=True, slots=True)
class Unlogged:
    """Time from the last reading before to the first one after, its standard uncertainty, and whether both sides fall.

    `falls` says that the readings fall at the end before and at the beginning after, so that they tell a time at all.
    """

    seconds: float
    seconds_u: float
    falls: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """Level, slope and bend of a smooth path at its last reading, for each roughness: means (r, 3), covariances.

    `likelihood` is the logarithm of how likely the readings are, shape (r,).
    """

    state: FloatArray
    covariance: FloatArray
    likelihood: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Courses:
    """A path up to where it is lost, and from its end back to where it is seen again; their unit of time."""

    before: _Course
    after: _Course
    span_s: float

    def likelihood(self, tried_s: FloatArray) -> FloatArray:
        """Return the logarithm of the likelihood of each time between them, shape (times, roughness)."""
        before, after, t = self.before, self.after, tried_s / self.span_s
        onward, wandered = _onward(t)[:, None], _wandered(t)[:, None]
        off = (onward @ before.state[:, :, None])[..., 0] - after.state @ _BACK
        tied = onward @ before.covariance @ onward.swapaxes(-1, -2) + _BACK @ after.covariance @ _BACK
        roughness = _ROUGHNESS * np.exp(np.minimum(np.outer(t / 2, _GROWTH), _MOST_GROWN))
        tied = tied + roughness[..., None, None] * wandered
        tied = tied + _JITTER * np.trace(tied, axis1=-2, axis2=-1)[..., None, None] * np.eye(3)
        misfit = (off * np.linalg.solve(tied, off[..., None])[..., 0]).sum(axis=-1) + np.linalg.slogdet(tied)[1]
        return np.asarray(before.likelihood + after.likelihood - misfit / 2)

    def are_falling(self) -> bool:
        """Say whether the path falls at both ends, in the mean over how likely each roughness is."""
        odds = special.softmax(self.before.likelihood + self.after.likelihood)
        return bool(odds @ self.before.state[:, 1] < 0 < odds @ self.after.state[:, 1])


def unlogged_time(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], usual_s: float, usual_u_s: float
) -> Unlogged | None:
    """Tell how long no reading was taken, where the clock does not.

    Parameters
    ----------
    before, after : tuple of two ndarray of shape (n,)
        Times (s, each side by its own clock) and readings, of the same fall.
    usual_s, usual_u_s : float
        The usual interval between two readings, and the standard uncertainty of a single one.

    Returns
    -------
    Unlogged or None
        None where there are too few readings, or they cover less than one usual interval.

    Notes
    -----
    The readings are a smooth path and noise: the bend of the path is a Wiener process of unknown strength, which may
    grow or fade with time, as before the knee of a battery. Its level, slope and bend are followed to either end
    (Kalman, J. Basic Eng. 82, 35 (1960), from memory) and compared over every time that may lie between: what the path
    may have done meanwhile is in the doubt. Beforehand, it was one usual interval in half of all cases, and otherwise
    any time up to that of the whole log, evenly in its logarithm; mean and standard deviation of what is left are
    reported. Rounded readings are as good as noise of the same variance where noise spreads them over the steps, and
    else tell once each step.

    Two draws of 120 logs each, noise of 0.2 to 5 mV, half rounded to 1 or 10 mV, by the time that was not logged (held
    within 2 u of 100; p90 of the error over the runtime): one interval 100, 0.10 %; 60 to 150 s 97, 0.48 %; 1 to 50 min
    97, 2.2 %; 1 to 7 min before a steep knee 98, 0.6 %. What lost, on such logs: lines through 50 rows to either side
    (98, 0.02 %; 66, 0.86 %; 83, 2.9 %), whose doubt missed the bend; roughness that does not change with time (u half
    as large again for 60 to 150 s, twice for more); a tenth of the log to either side (90 and 83 held of the pauses).

    Breaks down where the load changes meanwhile.
    """
    sides = [_bins(before[0][-1] - before[0][::-1], before[1][::-1]), _bins(after[0] - after[0][0], after[1])]
    if min(len(side[0]) for side in sides) < _FEWEST_BINS:
        return None
    span_s = max(float(side[0][-1]) for side in sides)
    if span_s < usual_s:
        return None
    middle = (sides[0][1][0] + sides[1][1][0]) / 2
    span_v = max(float(np.ptp(np.concatenate([side[1] for side in sides]))), _FLOOR * abs(middle), 1e-30)
    earlier, later = (
        _followed(way * t[::-1] / span_s, (v[::-1] - middle) / span_v, variance[::-1] / span_v**2)
        for way, (t, v, variance) in zip((-1, 1), sides, strict=True)
    )
    courses = _Courses(earlier, later, span_s)
    longest_s = max(float(np.ptp(before[0]) + np.ptp(after[0])), usual_s)
    seconds, seconds_u = _weighed(courses, usual_s, float(np.hypot(usual_u_s, usual_s / 12**0.5)), longest_s)
    return Unlogged(seconds, seconds_u, courses.are_falling())


def _weighed(courses: _Courses, usual_s: float, usual_u_s: float, longest_s: float) -> tuple[float, float]:
    """Return mean and standard deviation of the time, by Bayes' rule."""
    tried_s, likely = _refined(courses, np.geomspace(_SHORTEST * usual_s, longest_s, _TRIED))
    as_usual = courses.likelihood(np.array([usual_s]))
    most = max(float(likely.max()), float(as_usual.max()))
    density = np.exp(likely - most).sum(axis=1) / tried_s / np.log(tried_s[-1] / tried_s[0])
    other, odds = float(np.trapezoid(density, tried_s)), float(np.exp(as_usual - most).sum())
    share = odds / (odds + other)
    moments = [usual_s, usual_s**2 + usual_u_s**2]
    for power in (1, 2):
        beyond = float(np.trapezoid(density * tried_s**power, tried_s))
        moments[power - 1] = share * moments[power - 1] + beyond / (odds + other)
    return moments[0], float(np.sqrt(max(moments[1] - moments[0] ** 2, 0.0)))


def _bins(away_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times, means and variances of readings that are averaged over ever more rows away from the first one."""
    t, v = _without_pulses(away_s[:_MOST_ROWS], values[:_MOST_ROWS])
    starts = [0]
    while starts[-1] + 1 + int(_BROADER * starts[-1]) < len(v):
        starts.append(starts[-1] + 1 + int(_BROADER * starts[-1]))
    if len(starts) < _FEWEST_BINS:
        return t, v, np.zeros_like(v)
    rows = np.diff(np.append(starts, len(v)))
    return np.add.reduceat(t, starts) / rows, np.add.reduceat(v, starts) / rows, _variance(v) / rows


def _without_pulses(t: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray]:
    off = np.abs(v - ndimage.median_filter(v, _MEDIAN_ROWS, mode="nearest"))
    kept = off <= _OUT * max(float(np.median(off)), _resolution(v)) / 0.6745
    kept[0] = True
    return t[kept], v[kept]


def _resolution(v: FloatArray) -> float:
    steps = np.diff(np.unique(v))
    return float(steps.min()) if steps.size else 0.0


def _variance(v: FloatArray) -> float:
    """Return the variance of a mean of readings times their number: noise, and rounding that it does not spread."""
    step, off = _resolution(v), v[1:-1] - (v[2:] + v[:-2]) / 2
    noise = float(np.mean(off**2)) / 1.5
    if step <= 0:
        return noise + (_FLOOR * float(np.abs(v).max())) ** 2
    tenth = max(1, len(v) // 10)
    fall = abs(float(v[:tenth].mean() - v[-tenth:].mean()))
    rows_a_step = max(1.0, step * len(v) / max(fall, step))
    spread = np.exp(-4 * np.pi**2 * max(noise - step**2 / 12, 0.0) / step**2)  # first harmonic of the error of rounding
    floor = (_FLOOR * float(np.abs(v).max())) ** 2
    return noise + step**2 / 12 * float(spread) * rows_a_step + floor


def _followed(t: FloatArray, v: FloatArray, variance: FloatArray) -> _Course:
    """Follow a smooth path to the last of some readings, which is at t = 0."""
    state = np.zeros((len(_ROUGHNESS), 3))
    covariance = np.broadcast_to(_VAGUE * np.eye(3), (len(_ROUGHNESS), 3, 3)).copy()
    likelihood = np.zeros(len(_ROUGHNESS))
    steps = np.abs(np.diff(t, prepend=t[0]))
    roughness = _ROUGHNESS * np.exp(np.outer(t - np.diff(t, prepend=t[0]) / 2, _GROWTH))
    for step, rough, value, noise in zip(steps, roughness, v, variance, strict=True):
        onward = _onward(step)
        state = state @ onward.T
        covariance = onward @ covariance @ onward.T + rough[:, None, None] * _wandered(step)
        expected, off = covariance[:, 0, 0] + noise, value - state[:, 0]
        gain = covariance[:, :, 0] / expected[:, None]
        likelihood -= (np.log(expected) + off**2 / expected) / 2
        state = state + gain * off[:, None]
        covariance = covariance - gain[:, :, None] * covariance[:, None, 0, :]
        covariance = (covariance + covariance.swapaxes(1, 2)) / 2
    return _Course(state, covariance, likelihood)


def _onward(step: float | FloatArray) -> FloatArray:
    """Return what level, slope and bend become over a step, shape (..., 3, 3)."""
    h = np.asarray(step, dtype=np.float64)
    none, one = np.zeros_like(h), np.ones_like(h)
    rows = [(one, h, h**2 / 2), (none, one, h), (none, none, one)]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _wandered(step: float | FloatArray) -> FloatArray:
    """Return the covariance of what a path of roughness 1 does over a step, shape (..., 3, 3)."""
    h = np.asarray(step, dtype=np.float64)
    rows = [(h**5 / 20, h**4 / 8, h**3 / 6), (h**4 / 8, h**3 / 3, h**2 / 2), (h**3 / 6, h**2 / 2, h)]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _refined(courses: _Courses, tried_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return times, rising, with more of them about the likeliest, and the likelihood of each."""
    likely = courses.likelihood(tried_s)
    for more in _FINER:
        best = int(special.logsumexp(likely, axis=1).argmax())
        low, high = tried_s[max(best - 2, 0)], tried_s[min(best + 2, len(tried_s) - 1)]
        finer = np.linspace(low, high, more + 2)[1:-1]
        likely = np.concatenate([likely, courses.likelihood(finer)])
        tried_s, order = np.unique(np.append(tried_s, finer), return_index=True)
        likely = likely[order]
    return tried_s, likely
