"""The samples around one change of level, and how likely a shape at a place makes them."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.change_shapes import STAIRS, ended_after, filmed

FloatArray = npt.NDArray[np.float64]

_MODEL_ERROR: Final = 0.006  # of the swing: rounding, coding, clipping and light that is not quite so shaped


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples around one change: times in intervals from near its half, values about their mean, weights.

    Running sums of the weights and of the weighted values go from nothing to all, shape (n + 1,). `forgiven` is what
    each sample may lie off every shape, in shares of the swing.
    """

    times: FloatArray
    values: FloatArray
    weights: FloatArray
    weight_sums: FloatArray
    value_sums: FloatArray
    squares: float
    forgiven: float = _MODEL_ERROR


def stretch_of(times: FloatArray, values: FloatArray, near: int) -> Stretch:
    """Return the samples around one change, weighted by the noise of the levels before and after it.

    Parameters
    ----------
    times : ndarray of shape (n,)
        When each sample's shutter opened, in intervals from near the half of the change.
    values : ndarray of shape (n,)
        Mean light of each sample.
    near : int
        The sample from which times are counted.
    """
    weights = _weights(values, near)
    centred = values - values @ weights / weights.sum()
    return Stretch(
        times=times,
        values=centred,
        weights=weights,
        weight_sums=np.concatenate([[0.0], np.cumsum(weights)]),
        value_sums=np.concatenate([[0.0], np.cumsum(weights * centred)]),
        squares=max(float(weights @ centred**2), 1e-30),
    )


def _weights(values: FloatArray, near: int) -> FloatArray:
    """Return one over the variance of each sample, relative to the mean variance of the two levels."""
    before, after = values[: max(3, near - 3)], values[min(len(values) - 3, near + 5) :]
    spread = np.array([_scatter(before), _scatter(after)]) ** 2
    floor = max(spread.max() * 0.04, 1e-30)
    low, high = float(np.median(before)), float(np.median(after))
    share = np.clip((values - low) / (high - low), 0, 1) if high != low else np.zeros_like(values)
    variance = np.maximum(spread[0] + (spread[1] - spread[0]) * share, floor)
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
    seen = slice(first, max(first + 1, int(stretch.times.searchsorted(ends))))
    since = stretch.times[seen] - onsets[..., None]
    width, open_times = widths[..., None, None], opened[:, None, None, seen]
    light, apart = filmed_light(stretch, kind, width, since, open_times, seen)
    own = np.maximum(_product(stretch, light, light, seen), 1e-12)
    swing_squared = (_told(stretch, light, seen) / own) ** 2
    residual = stretch.squares + swing_squared * (len(stretch.values) * stretch.forgiven**2 - own)
    logs = -0.5 * (len(stretch.values) - 2) * np.log(np.maximum(residual / stretch.squares, 1e-9))
    if apart is None:
        return np.asarray(logs)
    variance = residual / (len(stretch.values) - 2) * own / np.maximum(swing_squared * apart, 1e-30)
    logs += np.minimum(0.5 * np.log(2 * np.pi * np.maximum(variance, 1e-30)) - np.log(np.ptp(STAIRS[kind])), 0.0)
    return np.asarray(logs)


def filmed_light(
    stretch: Stretch, kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray, seen: slice
) -> tuple[FloatArray, FloatArray | None]:
    """Return what the samples that are seen show of a shape; a stair has the height of its first step that fits best.

    For a stair also how well its two steps are told apart: the determinant of their products.
    """
    first = filmed(kind, width, since, open_times)
    if kind not in STAIRS:
        return first, None
    second = filmed(kind, width, since - width, open_times)
    own, mixed, other = (_product(stretch, *pair, seen) for pair in ((first, first), (first, second), (second, second)))
    one, two = _told(stretch, first, seen), _told(stretch, second, seen)
    rise, rest = np.asarray(one * other - two * mixed), np.asarray(two * own - one * mixed)
    both = rise + rest
    share = np.divide(rise, both, out=np.full_like(both, 0.5), where=both != 0).clip(*STAIRS[kind])[..., None]
    return share * first + (1 - share) * second, np.maximum(own * other - mixed**2, 0.0)


def _product(stretch: Stretch, one: FloatArray, other: FloatArray, seen: slice) -> FloatArray:
    """Return the weighted product of two shapes about their means; what comes after what is seen is 1."""
    weights, after = stretch.weights[seen], stretch.weight_sums[-1] - stretch.weight_sums[seen.stop]
    sums = (one @ weights + after) * (other @ weights + after)
    return np.asarray((one * other) @ weights + after - sums / stretch.weight_sums[-1])


def _told(stretch: Stretch, light: FloatArray, seen: slice) -> FloatArray:
    """Return the weighted product of a shape and the values."""
    weighted = stretch.weights[seen] * stretch.values[seen]
    return np.asarray(light @ weighted + stretch.value_sums[-1] - stretch.value_sums[seen.stop])
