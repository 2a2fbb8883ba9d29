"""Smooth paths behind noisy readings: level, slope and bend at their end, for every roughness that a path may have."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]

_MOST_ROWS: Final = 4000  # to either side
FEWEST_BINS: Final = 4
_BROADER: Final = 0.15  # of their distance in rows, over which readings are averaged
_OUT: Final = 8.0  # scatters from the median of five rows: a pulse of the load
_MEDIAN_ROWS: Final = 5
FLOOR: Final = 1e-7  # of the readings: none are quieter
_GROWTHS: Final = (-5.0, 0.0, 5.0, 10.0, 20.0, 40.0, 80.0)  # of roughness, as logarithm, over the time
_STRENGTHS: Final = np.logspace(-10, 6, 17)  # of roughness, in ranges of the readings over that time
GROWTH: Final = np.repeat(_GROWTHS, len(_STRENGTHS))
ROUGHNESS: Final = np.tile(_STRENGTHS, len(_GROWTHS))
_VAGUE: Final = 1e4  # ranges squared: variance of level, slope and bend before the first reading
_NEVER: Final = 1e9  # minus the logarithm of how likely a path is whose covariance rounding has lost
_MOST_GROWN: Final = 60.0  # of roughness after t = 0, as logarithm
_JITTER: Final = 1e-14  # of a covariance, lest rounding make it negative
BACK: Final = np.diag([1.0, -1.0, 1.0])  # a path that is followed from its end: its slope turns


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Level, slope and bend of a smooth path at its last reading, for each roughness: means (r, 3), covariances.

    `likelihood` is the logarithm of how likely the readings are, shape (r,).
    """

    state: FloatArray
    covariance: FloatArray
    likelihood: FloatArray


def binned(away_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times, means and variances of readings that are averaged over ever more rows away from the first one."""
    t, v = _without_pulses(away_s[:_MOST_ROWS], values[:_MOST_ROWS])
    starts = [0]
    while starts[-1] + 1 + int(_BROADER * starts[-1]) < len(v):
        starts.append(starts[-1] + 1 + int(_BROADER * starts[-1]))
    if len(starts) < FEWEST_BINS:
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
        return noise + (FLOOR * float(np.abs(v).max())) ** 2
    tenth = max(1, len(v) // 10)
    fall = abs(float(v[:tenth].mean() - v[-tenth:].mean()))
    rows_a_step = max(1.0, step * len(v) / max(fall, step))
    spread = np.exp(-4 * np.pi**2 * max(noise - step**2 / 12, 0.0) / step**2)  # first harmonic of the error of rounding
    floor = (FLOOR * float(np.abs(v).max())) ** 2
    return noise + step**2 / 12 * float(spread) * rows_a_step + floor


def followed(
    t: FloatArray, v: FloatArray, variance: FloatArray, rougher: tuple[float, ...] = (1.0,), beside: float = 0.0
) -> Course:
    """Follow a smooth path to the last of some readings.

    Parameters
    ----------
    t, v, variance : ndarray of shape (n,)
        Times, readings and the variances of their noise, in units of about 1, either way through time. At t = 0 the
        roughness of the path is that of `ROUGHNESS`; before and after, it grows or fades with time as `GROWTH` says.
    rougher : tuple of float
        So many times as rough the path may be near the last reading; each is followed, one after another.
    beside : float
        How near, in units of `t`.

    Returns
    -------
    Course
        Of shape (len(rougher) r,).

    Notes
    -----
    The bend of the path is a Wiener process; its state is followed as by Kalman (J. Basic Eng. 82, 35 (1960), from
    memory).
    """
    many = len(rougher) * len(ROUGHNESS)
    state = np.zeros((many, 3))
    covariance = np.broadcast_to(_VAGUE * np.eye(3), (many, 3, 3)).copy()
    likelihood = np.zeros(many)
    steps, middles = np.abs(np.diff(t, prepend=t[0])), t - np.diff(t, prepend=t[0]) / 2
    times = np.where(np.abs(t[-1] - middles)[:, None] <= beside, rougher, 1.0)
    roughness = (times[:, :, None] * (ROUGHNESS * np.exp(np.outer(middles, GROWTH)))[:, None]).reshape(-1, many)
    for step, rough, value, noise in zip(steps, roughness, v, variance, strict=True):
        moved = onward(step)
        state = state @ moved.T
        covariance = moved @ covariance @ moved.T + rough[:, None, None] * wandered(step)
        expected, off = covariance[:, 0, 0] + noise, value - state[:, 0]
        is_lost = ~(expected > 0)
        expected = np.where(is_lost, 1.0, expected)
        gain = covariance[:, :, 0] / expected[:, None]
        likelihood -= np.where(is_lost, _NEVER, (np.log(expected) + off**2 / expected) / 2)
        state = state + gain * off[:, None]
        covariance = covariance - gain[:, :, None] * covariance[:, None, 0, :]
        covariance = (covariance + covariance.swapaxes(1, 2)) / 2
    return Course(state, covariance, likelihood)


def grown(course: Course, growth: FloatArray) -> Course:
    """Return a course as if its roughness had grown by so much before it began, as logarithm, shape (..., r).

    Between the strengths that were followed it is interpolated; beyond, it is that of the weakest or the strongest.
    """
    many = len(_STRENGTHS)
    first = np.arange(len(ROUGHNESS)) // many * many
    place = np.clip(np.arange(len(ROUGHNESS)) % many + growth / np.log(_STRENGTHS[1] / _STRENGTHS[0]), 0, many - 1)
    lower = np.minimum(place.astype(int), many - 2)
    share, lower = place - lower, first + lower

    def between(values: FloatArray) -> FloatArray:
        by = share.reshape(share.shape + (1,) * (values.ndim - 1))
        return np.asarray(values[lower] * (1 - by) + values[lower + 1] * by)

    return Course(between(course.state), between(course.covariance), between(course.likelihood))


def roughness_at(t: float | FloatArray) -> FloatArray:
    """Return the roughness of each path at a time where nothing is read, shape (..., r)."""
    return np.asarray(ROUGHNESS * np.exp(np.minimum(np.multiply.outer(t, GROWTH), _MOST_GROWN)))


def jittered(covariance: FloatArray) -> FloatArray:
    """Return covariances of shape (..., 3, 3) that rounding leaves positive."""
    trace = np.trace(covariance, axis1=-2, axis2=-1)
    return np.asarray(covariance + _JITTER * trace[..., None, None] * np.eye(3))


def agreement(off: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the logarithm of how likely two ends of a path are that differ by (..., 3), as their covariance says."""
    misfit = (off * np.linalg.solve(covariance, off[..., None])[..., 0]).sum(axis=-1)
    sign, size = np.linalg.slogdet(covariance)
    return np.where((sign > 0) & (misfit >= 0), -(misfit + size) / 2, -_NEVER)


def onward(step: float | FloatArray) -> FloatArray:
    """Return what level, slope and bend become over a step, shape (..., 3, 3)."""
    h = np.asarray(step, dtype=np.float64)
    none, one = np.zeros_like(h), np.ones_like(h)
    rows = [(one, h, h**2 / 2), (none, one, h), (none, none, one)]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def wandered(step: float | FloatArray) -> FloatArray:
    """Return the covariance of what a path of roughness 1 does over a step, shape (..., 3, 3)."""
    h = np.asarray(step, dtype=np.float64)
    rows = [(h**5 / 20, h**4 / 8, h**3 / 6), (h**4 / 8, h**3 / 3, h**2 / 2), (h**3 / 6, h**2 / 2, h)]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
