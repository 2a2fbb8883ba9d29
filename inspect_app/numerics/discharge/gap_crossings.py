"""Where readings fall through a level while nothing was logged: by the smooth paths that go with both sides."""

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.discharge.smooth_paths import (
    BACK,
    FEWEST_BINS,
    FLOOR,
    ROUGHNESS,
    Course,
    agreement,
    binned,
    followed,
    jittered,
    onward,
    roughness_at,
    wandered,
)

FloatArray = npt.NDArray[np.float64]

_STEPS: Final = 96  # in which the gap is crossed, each of
_FINER: Final = 12  # between which the path is as good as straight
_ROUGHER: Final = (1.0, 1e2, 1e4, 1e6, 1e8)  # times that the path may be in the gap as on both sides,
_LESS_LIKELY: Final = math.log(0.5)  # by which each is so before the readings are seen, and a step by as much again
_BESIDE: Final = 0.25  # of the gap before and after it, where the path is as rough as in it
_LEAST: Final = 1e-14  # squares of the fall: variance of a level


@dataclass(frozen=True, slots=True)
class GapCrossing:
    """Seconds from the last reading before a gap, their standard uncertainty, and what of it is noise.

    `inside` is the probability that it lies in the gap, and not beside it, where noise hides it.
    """

    after_s: float
    after_u_s: float
    from_noise_s: float
    inside: float


def crossing_in_gap(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], level: float
) -> GapCrossing | None:
    """Tell when readings fell through a level between the last one before and the first one after.

    Parameters
    ----------
    before, after : tuple of two ndarray of shape (n,)
        Times (s, by one clock) and readings.
    level : float

    Returns
    -------
    GapCrossing or None
        None where there are too few readings to either side, or rounding loses every path.

    Notes
    -----
    The readings are a smooth path and noise, as in `unlogged_time.unlogged_time`: the bend of the path is a Wiener
    process of unknown strength, which may grow or fade with time. For each strength the path is followed to the last
    reading before and back to the first one after, and both are joined at every place between (two-filter smoother:
    Fraser and Potter, IEEE Trans. Autom. Control 14, 387 (1969), from memory). How likely the path is below the level
    at each place, in the mean over the strengths by how likely the readings are with each, is taken for how likely it
    was crossed before: its mean and standard deviation are returned. Crossings before or after the gap, where a reading
    beside it is as near to the level as its noise, count as at that end; how likely all others are is returned as well.

    What nobody logged may be rougher than what was: a knee may begin and end in the gap or just beside it, or the load
    step. Paths that are up to 1e8 times rougher in the gap and for a quarter of it to either side are joined as well,
    and so are both sides with one step between them, of which nothing says when; how well the ends agree, and the
    readings beside the gap with those further off, tells how likely each is. Of 100 gaps of 1 to 5 % of the runtime at
    an exponential knee, 2 u held 97 (93 with one roughness for all); of 100 of 5 to 20 %, on three curves, 95 (71); and
    at steep knees on those curves, many of them within the gap, 92 (62; the root mean square of the error over u 54 ->
    1.2). The 90th percentile of the error is no larger by more than a hundredth.
    What lost: rougher in the gap alone, where a bend that changes just beside it is carried through it: of 102 gaps of
    1 to 4 % on curves of other bends from piece to piece p90 was 0.124 %, held 85 of 100 at an error / u of 1.25 (rms),
    so 0.103 %, 96 and 0.93, and of 77 at exponential knees p90 0.219 %, so 0.192; rougher for half of the gap to either
    side (at other such knees p90 0.085 -> 0.103 %, for a quarter 0.086); readings believed half as much (0.085 ->
    0.117 %); noise of few readings after the gap pooled with that before (0.19 -> 0.37 % of the runtime); no path less
    likely than another beforehand (0.18 -> 0.22 %).

    Assumes that the level is crossed once. A path that is not falling throughout is crossed more often, of which this
    knows nothing.
    """
    start_s, stop_s = float(before[0][-1]), float(after[0][0])
    sides = [binned(*side) for side in ((start_s - before[0][::-1], before[1][::-1]), (after[0] - stop_s, after[1]))]
    if min(len(side[0]) for side in sides) < FEWEST_BINS:
        return None
    gap_s = stop_s - start_s
    unit_s = max(gap_s, *(float(side[0][-1]) for side in sides))
    span_v = max(float(np.ptp(np.concatenate([side[1] for side in sides]))), FLOOR * abs(level), 1e-30)
    gap = gap_s / unit_s
    earlier, later = (
        followed(
            (offset_s + way * t[::-1]) / unit_s,
            (v[::-1] - level) / span_v,
            variance[::-1] / span_v**2,
            _ROUGHER,
            _BESIDE * gap,
        )
        for way, offset_s, (t, v, variance) in zip((-1, 1), (0.0, gap_s), sides, strict=True)
    )
    places = np.linspace(0.0, gap, _STEPS + 1)
    mean, variance, joined = _through(earlier, later, places)
    likely = np.stack([joined, _stepped(earlier, later, gap)])
    seen = earlier.likelihood + later.likelihood + _LESS_LIKELY * np.repeat(np.arange(len(_ROUGHER)), len(ROUGHNESS))
    odds = special.softmax(likely + seen + [[0.0], [_LESS_LIKELY * len(_ROUGHER)]])
    smooth, step = odds[0], float(odds[1].sum())
    fine = np.linspace(0.0, gap, _STEPS * _FINER + 1)
    by_paths = special.ndtr(-_between(mean) / _between(np.sqrt(variance))) @ smooth
    below = np.maximum.accumulate(by_paths) + step * fine / gap
    moment, squared = (float(np.trapezoid((1 - below) * f, fine)) for f in (np.ones_like(fine), 2 * fine))
    spread = float(np.sqrt(max(squared - moment**2, 0.0)))
    fall = max(float(odds.sum(axis=0) @ (earlier.state[:, 0] - later.state[:, 0])), 1e-30) / gap
    noise = float(np.sqrt(odds.sum(axis=0) @ (earlier.covariance[:, 0, 0] + later.covariance[:, 0, 0]) / 2)) / fall
    if not np.isfinite(moment + spread + noise):
        return None
    inside = float(below[-1] - below[0])
    return GapCrossing(moment * unit_s, spread * unit_s, min(noise, spread) * unit_s, inside)


def _through(earlier: Course, later: Course, places: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level and variance of all paths through a gap, for each time rougher in it, and how likely they are."""
    down, up = _carried(earlier, places), _carried(later, places[::-1])
    return _joined(down, (up[0][::-1] @ BACK, BACK @ up[1][::-1] @ BACK))


def _stepped(earlier: Course, later: Course, gap: float) -> FloatArray:
    """Return how likely both sides are with a step of level, slope and bend somewhere between them (logarithm)."""
    moved = onward(gap)
    off = later.state @ BACK - earlier.state @ moved.T
    tied = moved @ earlier.covariance @ moved.T + BACK @ later.covariance @ BACK
    return agreement(off, jittered(tied + np.diag([1.0, gap**-2, gap**-4])))


def _carried(course: Course, places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Carry a course over places, from the first, where it is: means (places, n r, 3), n times rougher; covariances."""
    means, covariances = [course.state], [course.covariance]
    for start, stop in itertools.pairwise(places):
        moved, strayed = onward(abs(stop - start)), wandered(abs(stop - start))
        rough = np.outer(_ROUGHER, roughness_at((start + stop) / 2)).ravel()
        means.append(means[-1] @ moved.T)
        covariances.append(moved @ covariances[-1] @ moved.T + rough[:, None, None] * strayed)
    return np.stack(means), np.stack(covariances)


def _between(values: FloatArray) -> FloatArray:
    """Return values of shape (places, r) at all finer steps between."""
    shares = np.arange(_FINER)[:, None] / _FINER
    inner = values[:-1, None] * (1 - shares) + values[1:, None] * shares
    return np.concatenate([inner.reshape(-1, values.shape[1]), values[-1:]])


def _joined(
    down: tuple[FloatArray, FloatArray], up: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return level and its variance, shape (places, r), by both sides, and how likely they are together (logarithm)."""
    off = up[0] - down[0]
    tied = jittered(down[1] + up[1])
    pulled = np.linalg.solve(tied, np.stack([off, down[1][..., 0]], axis=-1))
    level = down[0][..., 0] + (down[1][..., 0] * pulled[..., 0]).sum(axis=-1)
    variance = down[1][..., 0, 0] - (down[1][..., 0] * pulled[..., 1]).sum(axis=-1)
    return level, np.maximum(variance, _LEAST), agreement(off[-1], tied[-1])
