"""The samples around one change of level, and how likely a shape at a place makes them."""

import dataclasses
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.changes.change_shapes import STAIRS, ended_after, filmed

FloatArray = npt.NDArray[np.float64]

_MODEL_ERROR: Final = 0.006  # of the swing: rounding, coding, clipping and light that is not quite so shaped
_RIDGE: Final = 1e-9  # keeps steps apart that no sample tells apart


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples around one change: times in intervals from near its half, values about their mean, weights.

    Running sums of the weights and of the weighted values go from nothing to all, shape (n + 1,). `forgiven` is what
    each sample may lie off every shape, in shares of the swing. Where neighbours are `alike`, by a correlation above 0,
    values are what each has beyond that share of the one before.
    """

    times: FloatArray
    values: FloatArray
    weights: FloatArray
    weight_sums: FloatArray
    value_sums: FloatArray
    squares: float
    alike: float = 0.0
    forgiven: float = _MODEL_ERROR

    def coarse(self) -> "Stretch":
        """Return the same in single precision."""
        return dataclasses.replace(
            self,
            times=coarse(self.times),
            values=coarse(self.values),
            weights=coarse(self.weights),
            weight_sums=coarse(self.weight_sums),
            value_sums=coarse(self.value_sums),
        )


def coarse(values: FloatArray) -> FloatArray:
    """Return numbers in single precision, which take a third of the time and tell well enough where to look closer."""
    single: npt.NDArray[Any] = values.astype(np.float32)
    return single


def stretch_of(times: FloatArray, values: FloatArray, near: int, alike: float = 0.0, *, coded: float = 0.0) -> Stretch:
    """Return the samples around one change, weighted by the noise of the levels before and after it.

    Parameters
    ----------
    times : ndarray of shape (n,)
        When each sample's shutter opened, in intervals from near the half of the change.
    values : ndarray of shape (n,)
        Mean light of each sample.
    near : int
        The sample from which times are counted.
    alike : float
        Correlation of neighbours on the two levels, 0 to below 1.
    coded : float
        Share of the swing by which a coder may move samples of the change, though it holds the levels still.

    Notes
    -----
    What a coder may do counts as noise of every sample: levels that it holds still would tell of none.

    Drift and sway are taken for noise of which each sample keeps a share of the one before (AR(1)): what is beyond that
    share is white, and in it a step stands out of drift many times its size. Levels stay what they are.
    """
    weights = _weights(values, near, alike, coded)
    values = _beyond(values, float(values[0]), alike)
    centred = values - values @ weights / weights.sum()
    return Stretch(
        times=times,
        values=centred,
        weights=weights,
        weight_sums=np.concatenate([[0.0], np.cumsum(weights)]),
        value_sums=np.concatenate([[0.0], np.cumsum(weights * centred)]),
        squares=max(float(weights @ centred**2), 1e-30),
        alike=alike,
        forgiven=max(_MODEL_ERROR, coded) * (1 + alike**2) ** 0.5 / (1 - alike),
    )


def _beyond(light: FloatArray, before: float, alike: float) -> FloatArray:
    """Return what each sample has beyond a share of the one before it; levels stay what they are."""
    if not alike:
        return light
    earlier = np.concatenate([np.full_like(light[..., :1], before), light[..., :-1]], axis=-1)
    return np.asarray((light - alike * earlier) / (1 - alike))


def _weights(values: FloatArray, near: int, alike: float, coded: float) -> FloatArray:
    """Return one over the variance of each sample, relative to the mean variance of the two levels."""
    sides = slice(0, max(3, near - 3)), slice(min(len(values) - 3, near + 5), None)
    before, after = (values[side] for side in sides)
    beyond = _beyond(values, float(values[0]), alike)
    low, high = float(np.median(before)), float(np.median(after))
    spread = np.array([_scatter(beyond[side]) for side in sides]) ** 2 + (coded * (high - low)) ** 2
    floor = max(spread.max() * 0.04, 1e-30)
    share = np.clip((values - low) / (high - low), 0, 1) if high != low else np.zeros_like(values)
    variance = np.maximum(spread[0] + (spread[1] - spread[0]) * share, floor)
    variance = (variance + alike**2 * np.append(variance[:1], variance[:-1])) / (1 + alike**2)  # of both neighbours
    return np.asarray(variance.mean() / variance)


def _scatter(values: FloatArray) -> float:
    """Return the standard deviation of white noise, from differences of neighbours, proof against slow drift."""
    if len(values) < 3:
        return 0.0
    return float(np.sqrt(np.mean(np.diff(values) ** 2) / 2))


def log_likelihood(
    stretch: Stretch, opened: FloatArray, kind: str, widths: FloatArray, onsets: FloatArray
) -> FloatArray:
    """Return the marginal log likelihood, shape (shutters, widths, halves).

    Parameters
    ----------
    stretch : Stretch
        Samples around the change.
    opened : ndarray of shape (shutters, n)
        For how long each shutter stands open in each sample, in intervals.
    kind : str
        Shape of the change.
    widths : ndarray of shape (shutters or 1, widths)
        How wide the shape may be, in intervals.
    onsets : ndarray of shape (shutters or 1, widths, halves)
        When it may begin, in the times of `stretch`.

    Notes
    -----
    Level and swing are solved by least squares, the scale of the noise is integrated out: RSS^(-(n - 2)/2). Samples
    before every onset are 0 and after the end of every change 1: of those, the sums are enough.
    """
    ends = float((onsets.max(axis=2) + widths * ended_after(kind)).max())
    first = int((stretch.times + opened.max(axis=0)).searchsorted(float(onsets.min())))
    seen = slice(first, min(len(stretch.times), max(first + 1, int(stretch.times.searchsorted(ends))) + 1))
    since = stretch.times[seen] - onsets[..., None]
    width, open_times = widths[..., None, None], opened[:, None, None, seen]
    light, apart = filmed_light(stretch, kind, width, since, open_times, seen)
    own = np.maximum(_product(stretch, light, light, seen), 1e-12)
    swing_squared = (_told(stretch, light, seen) / own) ** 2
    residual = stretch.squares + swing_squared * (len(stretch.values) * stretch.forgiven**2 - own)
    logs = -0.5 * (len(stretch.values) - 2) * np.log(np.maximum(residual / stretch.squares, 1e-9))
    if apart is None:
        return np.asarray(logs)
    free, room = len(STAIRS[kind]), float(np.prod(np.ptp(STAIRS[kind], axis=1)))
    unsure = 2 * np.pi * residual / (len(stretch.values) - 2) / np.maximum(swing_squared, 1e-30)
    spread = free * np.log(np.maximum(unsure, 1e-30)) + np.log(own) - np.log(np.maximum(apart, 1e-30))
    logs += np.minimum(spread / 2 - np.log(room), 0.0)
    return np.asarray(logs)


def filmed_light(
    stretch: Stretch, kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray, seen: slice
) -> tuple[FloatArray, FloatArray | None]:
    """Return what the samples that are seen show of a shape; the steps of stairs are as high as fits best.

    For stairs also how well their steps are told apart: the determinant of their products.
    """
    steps = _filmed_steps(stretch, kind, width, since, open_times)
    if len(steps) == 1:
        return steps[0], None
    shares, apart = _heights(stretch, kind, steps, seen)
    light = sum(share[..., None] * step for share, step in zip(shares, steps, strict=True))
    return np.asarray(light), apart


def first_share(
    stretch: Stretch, kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray
) -> FloatArray:
    """Return what share of the light the first step of stairs takes, as fits best."""
    steps = _filmed_steps(stretch, kind, width, since, open_times)
    return _heights(stretch, kind, steps, slice(0, len(stretch.times)))[0][0]


def _filmed_steps(
    stretch: Stretch, kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray
) -> list[FloatArray]:
    """Return what samples show of each step of a shape; one for what is no stair."""
    count = 1 + len(STAIRS.get(kind, ()))
    each = [filmed(kind, width, since - later * width if later else since, open_times) for later in range(count)]
    return [_beyond(step, 0.0, stretch.alike) for step in each]


def _heights(stretch: Stretch, kind: str, steps: list[FloatArray], seen: slice) -> tuple[list[FloatArray], FloatArray]:
    """Return what share of the light each step takes, and how well they are told apart."""
    count = len(steps)
    pairs = combinations_with_replacement(range(count), 2)
    products = {(one, other): _product(stretch, steps[one], steps[other], seen) for one, other in pairs}
    heights, apart = _solved(products, [_told(stretch, step, seen) for step in steps])
    return _shares(heights, STAIRS[kind]), apart


def _solved(products: dict[tuple[int, int], FloatArray], told: list[FloatArray]) -> tuple[list[FloatArray], FloatArray]:
    """Return the heights of steps by least squares, and the determinant of their products.

    Gauss's elimination over all places at once: a library that takes them one by one takes ten times as long.
    """
    count = len(told)
    ridge = _RIDGE * (1 + sum(products[k, k] for k in range(count)))
    left, right = products | {(k, k): products[k, k] + ridge for k in range(count)}, list(told)
    for k in range(count):
        for below in range(k + 1, count):
            factor = left[k, below] / left[k, k]
            right[below] = right[below] - factor * right[k]
            for col in range(below, count):
                left[below, col] = left[below, col] - factor * left[k, col]
    heights: list[FloatArray] = []
    for k in reversed(range(count)):
        rest = sum(left[k, k + 1 + n] * height for n, height in enumerate(heights))
        heights.insert(0, (right[k] - rest) / left[k, k])
    return heights, np.maximum(np.prod([left[k, k] for k in range(count)], axis=0), 0.0)


def _shares(heights: list[FloatArray], bounds: tuple[tuple[float, float], ...]) -> list[FloatArray]:
    """Return what share of the light each step takes, those of the first and third within bounds."""
    count, total = len(heights), np.asarray(sum(heights))
    first, *_, last = (
        np.divide(height, total, out=np.full_like(total, 1 / count), where=total != 0) for height in heights
    )
    first = first.clip(*bounds[0])
    if count == 2:
        return [first, 1 - first]
    third = np.minimum(last.clip(*bounds[1]), 1 - first)
    return [first, 1 - first - third, third]


def _product(stretch: Stretch, one: FloatArray, other: FloatArray, seen: slice) -> FloatArray:
    """Return the weighted product of two shapes about their means; what comes after what is seen is 1."""
    weights, after = stretch.weights[seen], stretch.weight_sums[-1] - stretch.weight_sums[seen.stop]
    sums = one @ weights + after
    others = sums if other is one else other @ weights + after
    return np.asarray((one * other) @ weights + after - sums * others / stretch.weight_sums[-1])


def _told(stretch: Stretch, light: FloatArray, seen: slice) -> FloatArray:
    """Return the weighted product of a shape and the values."""
    weighted = stretch.weights[seen] * stretch.values[seen]
    return np.asarray(light @ weighted + stretch.value_sums[-1] - stretch.value_sums[seen.stop])
