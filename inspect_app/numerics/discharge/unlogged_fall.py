"""How likely a time is from one end of a fall to the next, by how steep it is at both and how far it fell between."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.discharge.smooth_paths import Course

FloatArray = npt.NDArray[np.float64]

_SLOPES: Final = 24  # equally likely ones, that stand for all
_TRIED: Final = 4000
_FLATTEST: Final = 1e-3  # of the steepest slope that may be
_UNLIKELY: Final = 1e-5  # of all roughness: left out
_FAR: Final = 5.0  # standard deviations
_TURNED: Final = 3.0  # by which the logarithm of a slope changes over the whole fall, and the rate of it
_HIDDEN: Final = 0.6  # standard deviation of the logarithm of a mean slope, where much of the fall is not seen
_MUCH: Final = 1 / 5  # of the fall
_BOWED: Final = 0.5  # of its change, times the share that is not seen: how far the logarithm of a slope leaves its line
_MOST_BULGE: Final = 0.5  # of the logarithm of a mean slope
_MOST_UNSURE: Final = 0.1  # its variance, by what is not known of the rates at both ends
_QUIETEST: Final = 1e-16  # square of the fall that is seen: variance of what fell
_SAME: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class FallEnd:
    """Equally likely slopes at an end of a fall, shape (slopes,), and what goes with each.

    `log_slope` is the logarithm of the fall per unit of time; `rate` how fast that grows with time; `level` the value.
    """

    log_slope: FloatArray
    level: FloatArray
    level_variance: FloatArray
    rate: FloatArray
    rate_variance: FloatArray


def fall_end(course: Course, way: int) -> FallEnd | None:
    """Return the slopes by which a path falls at its last reading, in the mean over how likely each roughness is.

    Parameters
    ----------
    course : Course
    way : int
        1 if it was followed with time, -1 if against it.

    Returns
    -------
    FallEnd or None
        None where it does not fall.
    """
    odds = special.softmax(course.likelihood)
    kept = odds > _UNLIKELY
    odds, state, covariance = odds[kept], course.state[kept], course.covariance[kept]
    slope, slope_u = -way * state[:, 1], np.sqrt(np.maximum(covariance[:, 1, 1], np.finfo(float).tiny))
    steepest = float((slope + _FAR * slope_u).max())
    if steepest <= 0:
        return None
    flattest = max(float((slope - _FAR * slope_u).min()), _FLATTEST * steepest)
    tried = np.geomspace(flattest, steepest, _TRIED)
    below = (odds * special.ndtr((tried[:, None] - slope) / slope_u)).sum(axis=1)
    if below[-1] <= below[0]:
        return None
    places = below[0] + (np.arange(_SLOPES) + 0.5) / _SLOPES * (below[-1] - below[0])
    likely = np.interp(places, below, tried)
    z = (likely[:, None] - slope) / slope_u
    shares = special.softmax(np.log(odds / slope_u) - z**2 / 2, axis=1)

    def given(column: int, sign: int) -> tuple[FloatArray, FloatArray]:
        tie = -way * sign * covariance[:, column, 1]
        means = sign * state[:, column] + z * tie / slope_u
        mean = (shares * means).sum(axis=1)
        rest = np.maximum(covariance[:, column, column] - (tie / slope_u) ** 2, 0.0)
        return mean, (shares * (rest + (means - mean[:, None]) ** 2)).sum(axis=1)

    level, level_variance = given(0, 1)
    bend, bend_variance = given(2, -1)
    return FallEnd(np.log(likely), level, level_variance, bend / likely, bend_variance / likely**2)


def likelihood_of_time(before: FallEnd, after: FallEnd, times: FloatArray, seen: float) -> FloatArray:
    """Return the logarithm of how likely each time from one end to the next is.

    Parameters
    ----------
    before, after : FallEnd
    times : ndarray of shape (n,)
    seen : float
        For how long the fall is seen, on both sides together.

    Returns
    -------
    ndarray of shape (n,)

    Notes
    -----
    A path that falls throughout has a slope whose logarithm y may do anything. Over a time t, a share x of the whole,
    y changes by 0 +- 3 x, as a knee does, and by what its rates at both ends make of t; the difference is uncertain by
    3 x, where x is small in proportion to the root of x less, and evenly between what the one rate and the other make
    of it. The mean slope is that of a straight y, corrected for both rates as a cubic is; how far the level fell over t
    times that tells t. The logarithm of the mean slope is uncertain by 0.5 where far more than a third of the fall is
    not seen, in proportion to x**2 where it is less (own draws; no source).
    """
    level, turn = before.level[:, None] - after.level, after.log_slope - before.log_slope[:, None]
    level_variance = before.level_variance[:, None] + after.level_variance
    unlike, mean_rate = before.rate[:, None] - after.rate, (before.rate[:, None] + after.rate) / 2
    unsure = before.rate_variance[:, None] + after.rate_variance
    is_turned = np.abs(turn) > _SAME
    straight = np.exp(before.log_slope[:, None]) * np.where(
        is_turned, np.expm1(turn) / np.where(is_turned, turn, 1.0), 1.0
    )
    apart = sum(float(np.diff(end.log_slope).mean()) ** 2 for end in (before, after))
    likely = np.empty(len(times))
    for number, t in enumerate(times):
        share = t / (seen + t)
        alone, told = (_TURNED * share) ** 2, t**2 * unsure / 4
        believed = alone / (alone + told)
        turn_variance = apart + believed * told + alone * min(1.0, _TURNED * share) + (t * unlike) ** 2 / 12
        slope = straight * np.exp(np.clip(believed * t * unlike / 12, -_MOST_BULGE, _MOST_BULGE))
        hidden = _HIDDEN * share**2 / (share**2 + _MUCH**2)
        slope_variance = hidden**2 + (_BOWED * share * turn) ** 2 + np.minimum(t**2 * unsure / 144, _MOST_UNSURE)
        variance = level_variance + t * slope * np.maximum(level, 0.0) * slope_variance + _QUIETEST
        off = (turn - believed * t * mean_rate) ** 2 / turn_variance + (level - t * slope) ** 2 / variance
        likely[number] = special.logsumexp(-(off + np.log(turn_variance * variance)) / 2)
    return likely
