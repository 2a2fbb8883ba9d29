"""Where a trace leaves one level for another: onset and half of the swing, finer than its sampling, with their doubt.

A sample is the mean of the light over the time that the shutter stood open. So the one partly lit frame of a step, and
the two or three frames of a decay, say where inside the frame the change began.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LIGHT_KINDS: Final = ("step", "decay", "ramp", "swell")
PICTURE_KINDS: Final = (*LIGHT_KINDS, "round", "trail", "long trail", "afterglow")
"""Shapes of a change of the light and of its picture, in the order of all arrays over kinds."""

_BEFORE: Final = 40  # samples looked at before and after a change, at most
_AFTER: Final = 60
_REACH: Final = 3.0  # intervals by which the first guess may be off
_NARROWEST, _WIDEST = 0.1, 24.0  # widths of decays and ramps, in intervals
_COARSE_WIDTHS: Final = 9
_COARSE_HALVES: Final = 21
_CLOSER_WIDTHS: Final = 11
_CLOSER_HALVES: Final = 19
_MARGINS: Final = (np.inf, 100.0, 40.0)  # of log evidence, within which a look closer is taken; each grid tells more
_CLOSER_REACH: Final = 4.5  # standard deviations of the posterior that the next grid covers
_DECAYED: Final = 9.0  # time constants after which a decay has nothing left to show
_GLOW: Final = (0.35, 5.0)  # share of the light that decays so many times as slowly
_TRAILS: Final = {"trail": 0.3, "long trail": 1.0}  # time constants of the decay of each line, in times of a scan
_HALVES: Final = {
    "step": 0.0,
    "decay": float(np.log(2)),
    "trail": 0.777534,
    "long trail": 1.234472,
    "afterglow": 1.089944,
}
"""Widths after which shapes are half done; 0.5 for symmetrical ones, not named; later ones by bisection."""
_BEGUN: Final = 0.003  # of the swing: from there on to its end less of it a light changes
_NOISE_EXPLAINS: Final = 2.0  # times what the other samples lie off
_MODEL_ERROR: Final = 0.006  # of the swing: rounding, coding, clipping and light that is not quite so shaped


@dataclass(frozen=True, slots=True)
class _Stretch:
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


@dataclass(frozen=True, slots=True)
class _Grid:
    """Log posterior of one kind, shape (shutters, widths, halves).

    Over widths, shape (shutters, widths), and halves, shape (shutters, widths, halves), in intervals; those that all
    shutters share have a first axis of length 1.
    """

    kind: str
    widths: FloatArray
    halves: FloatArray
    logs: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """What shutters and shapes make of one change; arrays of shape (shutters, kinds), times in the unit of the trace.

    Parameters
    ----------
    onset, half : ndarray
        Posterior means: where the change begins, and where it has gone half of the way.
    onset_sd, half_sd : ndarray
        Posterior standard deviations.
    log_evidence : ndarray
        Of shutter and kind, up to a constant that all share, without their priors.
    """

    onset: FloatArray
    half: FloatArray
    onset_sd: FloatArray
    half_sd: FloatArray
    log_evidence: FloatArray

    def doubted(self, doubt: float) -> "Located":
        """Return the same with a standard uncertainty added, in the unit of the trace."""
        onset_sd, half_sd = np.hypot(self.onset_sd, doubt), np.hypot(self.half_sd, doubt)
        return dataclasses.replace(self, onset_sd=onset_sd, half_sd=half_sd)


def locate(
    times: FloatArray,
    values: FloatArray,
    near: int,
    interval: float,
    opened: FloatArray,
    *,
    kinds: Sequence[str] = PICTURE_KINDS,
) -> Located:
    """Locate one change of level, for each shutter and each kind of shape.

    Parameters
    ----------
    times : ndarray of shape (n,)
        When each sample's shutter opened, rising.
    values : ndarray of shape (n,)
        Mean light of each sample; one change only, between two levels that hold.
    near : int
        A sample near the half of the change.
    interval : float
        Usual time between samples.
    opened : ndarray of shape (shutters, n)
        For how long each shutter stands open in each sample.
    kinds : sequence of str
        Shapes that the change may have: `LIGHT_KINDS` or `PICTURE_KINDS`.

    Returns
    -------
    Located
        One row for each shutter, one column for each of `kinds`.

    Notes
    -----
    Model: level + swing x mean of shape((t - onset) / interval) over the open time. Shapes: a step, an exponential
    decay, a straight ramp (a scanned display), a cosine swell; of a picture also the scan of a round screen, scans
    whose lines decay, with a time constant of 0.3 and of 1 times the scan, and a decay of 0.65 of the light with an
    afterglow five times as slow. Widths go from 0.1 to 24 intervals, evenly likely in their logarithm. Level and swing
    are solved by least squares, the scale of the noise is integrated out, so that the posterior of (half, width) on a
    grid that closes in on its bulk is proportional to RSS^(-(n - 2)/2). Noise at the two levels may differ (shot
    noise): samples are weighted by the scatter about the nearer level.

    Where the samples of the change lie off the likeliest shape by more than noise, all shapes are forgiven as much.
    Halves of 125 traces of five shapes unlike all of these (two decays of 0.6 and 0.4, a stretched decay, ramps with
    tails, a decay of second order) came within 0.06 to 0.13 samples (p90); without the afterglow within 0.08 to 0.32.
    """
    first, last = max(0, near - _BEFORE), min(len(times), near + _AFTER)
    scaled = (times[first:last] - times[near]) / interval
    stretch = _stretch(scaled, values[first:last], _weights(values[first:last], near - first))
    shutters = opened[:, first:last] / interval
    found = _bulks(stretch, shutters, kinds)
    misfit = _misfit(stretch, shutters, found)
    if misfit > stretch.forgiven:
        found = _bulks(dataclasses.replace(stretch, forgiven=misfit), shutters, kinds)
    cells = np.stack([_moments(grid) for grid in found], axis=1)
    return Located(
        onset=times[near] + cells[..., 0] * interval,
        half=times[near] + cells[..., 1] * interval,
        onset_sd=cells[..., 2] * interval,
        half_sd=cells[..., 3] * interval,
        log_evidence=cells[..., 4],
    )


def _stretch(times: FloatArray, values: FloatArray, weights: FloatArray) -> _Stretch:
    centred = values - values @ weights / weights.sum()
    return _Stretch(
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


def _bulks(stretch: _Stretch, shutters: FloatArray, kinds: Sequence[str]) -> list[_Grid]:
    """Return grids over the bulk of the posterior of each kind, found by closing in from all that may be.

    What has fallen hopelessly behind the best is not looked at more closely.
    """
    grids = [_widest(stretch, shutters, kind) for kind in kinds]
    for margin in _MARGINS:
        evidence = [float(_evidence(grid).max()) for grid in grids]
        least = max(evidence) - margin
        grids = [
            _grid(stretch, shutters, grid.kind, *_closer(grid)) if own >= least else grid
            for grid, own in zip(grids, evidence, strict=True)
        ]
    return grids


def _misfit(stretch: _Stretch, opened: FloatArray, grids: list[_Grid]) -> float:
    """Return how far the samples in which the light changes lie off the likeliest shape, in shares of its swing.

    0 where noise explains it: within twice what the other samples lie off it.
    """
    best = max(grids, key=lambda grid: float(grid.logs.max()))
    shutter, w, h = np.unravel_index(int(best.logs.argmax()), best.logs.shape)
    widths, halves = (np.broadcast_to(of, (len(opened), *of.shape[1:]))[shutter] for of in (best.widths, best.halves))
    since = stretch.times - (halves[w, h] - _half_of(best.kind, widths[w]))
    light = _filmed(best.kind, widths[w], since, opened[shutter])
    changes = np.convolve((light > _BEGUN) & (light < 1 - _BEGUN), np.ones(3), "same") > 0
    light -= light @ stretch.weights / stretch.weights.sum()
    weighted = light * stretch.weights
    swing = float(weighted @ stretch.values) / max(float(weighted @ light), 1e-12)
    off = stretch.values - swing * light
    if changes.all() or not changes.any():
        return 0.0
    inside, outside = (float(np.sqrt(np.mean(part**2))) for part in (off[changes], off[~changes]))
    return inside / abs(swing) if inside > _NOISE_EXPLAINS * outside and swing else 0.0


def _widest(stretch: _Stretch, opened: FloatArray, kind: str) -> _Grid:
    widths = np.ones(1) if kind == "step" else np.geomspace(_NARROWEST, _WIDEST, _COARSE_WIDTHS)
    halves = np.broadcast_to(np.linspace(-_REACH, _REACH, _COARSE_HALVES), (1, len(widths), _COARSE_HALVES))
    return _grid(stretch, opened, kind, widths[None], halves)


def _evidence(grid: _Grid) -> FloatArray:
    highest = grid.logs.max(axis=(1, 2))
    return np.asarray(highest + np.log(np.exp(grid.logs - highest[:, None, None]).sum(axis=(1, 2))))


def _closer(grid: _Grid) -> tuple[FloatArray, FloatArray]:
    """Return widths and halves around where the posterior lies; the halves lean with the widths as the posterior does.

    A share that lies in one place only is taken as wide as half a step.
    """
    share = _share(grid.logs)
    logs = np.log(grid.widths)
    half, middle = _mean(share, grid.halves), _mean(share, logs[..., None])
    away, aside = grid.halves - half, logs[..., None] - middle
    variance = _mean(share, aside**2)
    lean = _mean(share, away * aside) / np.maximum(variance, 1e-30)
    rest = np.sqrt(_mean(share, (away - lean * aside) ** 2))
    if logs.shape[1] > 1:
        reach = _CLOSER_REACH * np.maximum(variance[..., 0] ** 0.5, (logs[:, 1:2] - logs[:, :1]) / 2)
        least = np.maximum(middle[..., 0] - reach, np.log(_NARROWEST))
        most = np.minimum(middle[..., 0] + reach, np.log(_WIDEST))
        logs = least + (most - least) * np.linspace(0, 1, _CLOSER_WIDTHS)
    reach = _CLOSER_REACH * np.maximum(rest, (grid.halves[:, :1, 1:2] - grid.halves[:, :1, :1]) / 2)
    steps = reach * np.linspace(-1, 1, _CLOSER_HALVES)
    return np.exp(logs), half + lean * (logs[..., None] - middle) + steps


def _grid(stretch: _Stretch, opened: FloatArray, kind: str, widths: FloatArray, halves: FloatArray) -> _Grid:
    logs = _log_likelihood(stretch, opened, kind, widths, halves - _half_of(kind, widths)[..., None])
    cell = halves[:, 0, 1] - halves[:, 0, 0]
    if widths.shape[1] > 1:
        cell = cell * np.log(widths[:, 1] / widths[:, 0]) / np.log(_WIDEST / _NARROWEST)
    return _Grid(kind, widths, halves, logs + np.log(cell)[:, None, None])


def _share(logs: FloatArray) -> FloatArray:
    share = np.exp(logs - logs.max(axis=(1, 2), keepdims=True))
    return np.asarray(share / share.sum(axis=(1, 2), keepdims=True))


def _mean(share: FloatArray, of: FloatArray) -> FloatArray:
    """Return means by a posterior, shape (shutters, 1, 1)."""
    return np.asarray((share * of).sum(axis=(1, 2), keepdims=True))


def _moments(grid: _Grid) -> FloatArray:
    """Return mean onset, mean half, their standard deviations, and the log evidence of a kind, shape (shutters, 5)."""
    share = _share(grid.logs)
    onsets = grid.halves - _half_of(grid.kind, grid.widths)[..., None]
    onset, half = _mean(share, onsets), _mean(share, grid.halves)
    onset_sd, half_sd = (_mean(share, away**2) ** 0.5 for away in (onsets - onset, grid.halves - half))
    return np.column_stack([each.ravel() for each in (onset, half, onset_sd, half_sd, _evidence(grid))])


def _log_likelihood(
    stretch: _Stretch, opened: FloatArray, kind: str, widths: FloatArray, onsets: FloatArray
) -> FloatArray:
    """Return the marginal log likelihood, shape (shutters, widths, halves).

    Samples before every onset are 0 and after the end of every change 1: of those, the sums are enough.
    """
    ends = float((onsets.max(axis=2) + widths * _ended(kind)).max())
    first = int((stretch.times + opened.max(axis=0)).searchsorted(float(onsets.min())))
    last = max(first + 1, int(stretch.times.searchsorted(ends)))
    weights, total = stretch.weights[first:last], stretch.weight_sums[-1]
    since = stretch.times[first:last] - onsets[..., None]
    width, open_times = widths[..., None, None], opened[:, None, None, first:last]
    light = _filmed(kind, width, since, open_times)
    lit = total - stretch.weight_sums[last]
    light_sum = light @ weights + lit
    own = np.maximum((light * light) @ weights + lit - light_sum**2 / total, 1e-12)
    shared = light @ (weights * stretch.values[first:last]) + stretch.value_sums[-1] - stretch.value_sums[last]
    swing_squared = (shared / own) ** 2
    count = len(stretch.values)
    residual = stretch.squares + swing_squared * (count * stretch.forgiven**2 - own)
    return np.asarray(-0.5 * (count - 2) * np.log(np.maximum(residual / stretch.squares, 1e-9)))


def _ended(kind: str) -> float:
    """Return after how many widths a shape has nothing left to show."""
    ends = {"step": 0.0, "decay": _DECAYED, "afterglow": _DECAYED * _GLOW[1]}
    return ends.get(kind, 1 + _DECAYED * _TRAILS.get(kind, 0.0))


def _half_of(kind: str, widths: FloatArray) -> FloatArray:
    """Return when shapes have gone half of their way, in intervals after the onset."""
    return widths * _HALVES.get(kind, 0.5)


def _filmed(kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray) -> FloatArray:
    """Return the mean of a shape over the open times, `since` the times from its onset to when they begin."""
    return np.asarray((_grown(kind, width, since + open_times) - _grown(kind, width, since)) / open_times)


def _grown(kind: str, width: FloatArray, since: FloatArray) -> FloatArray:
    """Return the integral of a shape, which goes from 0 to 1, from its onset to `since`."""
    time = np.maximum(since, 0.0)
    if kind == "step":
        return time
    if kind == "decay":
        return np.asarray(time + width * np.expm1(-time / width))
    if kind == "afterglow":
        share, slower = _GLOW
        return (1 - share) * _grown("decay", width, since) + share * _grown("decay", slower * width, since)
    if kind in _TRAILS:
        return _trailed(time, width, width * _TRAILS[kind])
    inside = np.minimum(time, width)
    if kind == "ramp":
        return np.asarray(inside * (inside / (2 * width) - 1) + time)
    if kind == "round":
        return np.asarray(width * _round_area(inside / width) + time - inside)
    return np.asarray((inside - width / np.pi * np.sin(np.pi * inside / width)) / 2 + time - inside)


def _trailed(time: FloatArray, width: FloatArray, decay: FloatArray) -> FloatArray:
    """Return the integral of a scan whose lines decay: that of a ramp under an exponential, twice integrated."""

    def twice(since: FloatArray) -> FloatArray:
        return np.asarray(since * (since / 2 - decay) - decay**2 * np.expm1(-since / decay))

    return np.asarray((twice(time) - twice(np.maximum(time - width, 0.0))) / width)


def _round_area(share: FloatArray) -> FloatArray:
    """Return the integral of the part of a disc that lies above a line, over how far down the line is, 0 to 1."""
    z = 2 * share - 1
    root = np.sqrt(np.maximum(1 - z * z, 0.0))
    return np.asarray((z / 2 + (z * np.arcsin(z.clip(-1, 1)) + root - root**3 / 3) / np.pi) / 2)
