"""Where a trace leaves one level for another: onset and half of the swing, finer than its sampling, with their doubt.

A sample is the mean of the light over the time that the shutter stood open. So the one partly lit frame of a step, and
the two or three frames of a decay, say where inside the frame the change began.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

SHUTTERS: Final = (1.0, 0.75, 0.5, 0.25, 0.02)
"""Shares of the frame interval that the shutter may stand open."""
SHUTTER_PRIOR: Final = (0.85, 0.05, 0.05, 0.025, 0.025)
"""Film of fast events is shot with the shutter open throughout (common practice, no source)."""

_BEFORE: Final = 40  # samples looked at before and after a change, at most
_AFTER: Final = 60
_REACH: Final = 3.0  # intervals by which the first guess may be off
_NARROWEST, _WIDEST = 0.1, 24.0  # widths of decays and ramps, in intervals
_COARSE_WIDTHS: Final = 16
_FINE_WIDTHS: Final = 24
_COARSE_STEP: Final = 1 / 8  # of the half, in intervals
_FINE_HALVES: Final = 49
_MODEL_ERROR: Final = 0.006  # of the swing: rounding, coding, clipping and light that is not quite so shaped
_KIND_PRIOR: Final = {"step": 0.5, "decay": 0.3, "ramp": 0.15, "swell": 0.05}
_FINE_REACH: Final = 4.5  # standard deviations of the coarse posterior that the fine grid covers


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A way to go from 0 to 1, beginning at time 0: ``step``, ``decay``, ``ramp`` or ``swell``; width in intervals."""

    kind: str
    width: float = 0.0

    @property
    def half(self) -> float:
        """When it has gone half of the way, in intervals after the onset."""
        if self.kind == "decay":
            return self.width * float(np.log(2))
        return self.width / 2


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Samples around one change: times in intervals from near its half, values, and weights."""

    times: FloatArray
    values: FloatArray
    weights: FloatArray


@dataclass(frozen=True, slots=True)
class _Grid:
    """Log posterior of one kind over widths (rows) and halves (columns); times in intervals."""

    shapes: tuple[Shape, ...]
    halves: FloatArray
    logs: FloatArray

    def onsets(self) -> FloatArray:
        return np.asarray(self.halves[None, :] - np.array([shape.half for shape in self.shapes])[:, None])


@dataclass(frozen=True, slots=True, kw_only=True)
class Instants:
    """What one shutter makes of one change; times in the unit of the trace.

    Parameters
    ----------
    onset, half : float
        Posterior means: where the change begins, and where it has gone half of the way.
    onset_sd, half_sd : float
        Posterior standard deviations.
    log_evidence : float
        Of the shutter, up to a constant that all shutters share.
    kind : str
        The likeliest shape.
    """

    onset: float
    half: float
    onset_sd: float
    half_sd: float
    log_evidence: float
    kind: str


def locate(
    times: FloatArray, values: FloatArray, near: int, interval: float, shutters: Sequence[float] = SHUTTERS
) -> tuple[Instants, ...]:
    """Locate one change of level, once for each shutter.

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
    shutters : sequence of float
        Shares of the interval that the shutter stands open.

    Returns
    -------
    tuple of Instants
        One for each shutter, in order.

    Notes
    -----
    Model: level + swing x mean of shape((t - onset) / interval) over the open time, shapes: a step, an exponential
    decay, a straight ramp (a scanned display), a cosine swell, with 20 widths each from 0.15 to 24 intervals. Level
    and swing are solved by least squares, the scale of the noise is integrated out, so that the posterior of
    (onset, shape) on a grid of 1/24 interval is proportional to RSS^(-(n - 2)/2). Noise at the two levels may differ
    (shot noise): samples are weighted by the scatter about the nearer level.
    """
    first, last = max(0, near - _BEFORE), min(len(times), near + _AFTER)
    scaled = (times[first:last] - times[near]) / interval
    sampled = values[first:last]
    stretch = _Stretch(scaled, sampled, _weights(sampled, near - first))
    opened = np.minimum(1.0, np.append(np.diff(scaled), 1.0))
    found = []
    for shutter in shutters:
        fitted = _posterior(stretch, opened * shutter)
        found.append(_in_time(fitted, times[near], interval))
    return tuple(found)


def _in_time(fitted: Instants, origin: float, interval: float) -> Instants:
    return Instants(
        onset=origin + fitted.onset * interval,
        half=origin + fitted.half * interval,
        onset_sd=fitted.onset_sd * interval,
        half_sd=fitted.half_sd * interval,
        log_evidence=fitted.log_evidence,
        kind=fitted.kind,
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


def _posterior(stretch: _Stretch, opened: FloatArray) -> Instants:
    grids = []
    for kind in _KIND_PRIOR:
        coarse = _grid(stretch, opened, _coarse_shapes(kind), np.arange(-_REACH, _REACH + 1e-9, _COARSE_STEP))
        shapes, halves = _closer(coarse)
        grids.append(_grid(stretch, opened, shapes, halves))
    return _moments(grids)


def _coarse_shapes(kind: str) -> tuple[Shape, ...]:
    if kind == "step":
        return (Shape(kind=kind),)
    return tuple(Shape(kind=kind, width=float(w)) for w in np.geomspace(_NARROWEST, _WIDEST, _COARSE_WIDTHS))


def _closer(coarse: _Grid) -> tuple[tuple[Shape, ...], FloatArray]:
    """Return shapes and halves around where the coarse posterior lies."""
    share = np.exp(coarse.logs - coarse.logs.max())
    share /= share.sum()
    over_halves, over_shapes = share.sum(axis=0), share.sum(axis=1)
    middle = float(over_halves @ coarse.halves)
    reach = _FINE_REACH * max(float(np.sqrt(over_halves @ (coarse.halves - middle) ** 2)), _COARSE_STEP / 2)
    halves = np.linspace(middle - reach, middle + reach, _FINE_HALVES)
    if len(coarse.shapes) == 1:
        return coarse.shapes, halves
    logs = np.log([shape.width for shape in coarse.shapes])
    centre, pace = float(over_shapes @ logs), float(logs[1] - logs[0])
    spread = _FINE_REACH * max(float(np.sqrt(over_shapes @ (logs - centre) ** 2)), pace / 3)
    low, high = max(logs[0], centre - spread), min(logs[-1], centre + spread)
    widths = np.exp(np.linspace(low, high, _FINE_WIDTHS))
    return tuple(Shape(kind=coarse.shapes[0].kind, width=float(width)) for width in widths), halves


def _grid(stretch: _Stretch, opened: FloatArray, shapes: tuple[Shape, ...], halves: FloatArray) -> _Grid:
    logs = np.array([_log_likelihood(stretch, opened, halves - shape.half, shape) for shape in shapes])
    cell = float(halves[1] - halves[0])
    if len(shapes) > 1:
        cell *= float(np.log(shapes[1].width / shapes[0].width)) / float(np.log(_WIDEST / _NARROWEST))
    return _Grid(shapes, halves, logs + np.log(_KIND_PRIOR[shapes[0].kind] * cell))


def _moments(grids: list[_Grid]) -> Instants:
    logs = np.concatenate([grid.logs.ravel() for grid in grids])
    evidence = float(special.logsumexp(logs))
    share = np.exp(logs - evidence)
    onsets = np.concatenate([grid.onsets().ravel() for grid in grids])
    halves = np.concatenate([np.broadcast_to(grid.halves, grid.logs.shape).ravel() for grid in grids])
    onset, half = float(share @ onsets), float(share @ halves)
    likeliest = max(grids, key=lambda grid: float(special.logsumexp(grid.logs)))
    return Instants(
        onset=onset,
        half=half,
        onset_sd=float(np.sqrt(share @ (onsets - onset) ** 2)),
        half_sd=float(np.sqrt(share @ (halves - half) ** 2)),
        log_evidence=evidence,
        kind=likeliest.shapes[0].kind,
    )


def _log_likelihood(stretch: _Stretch, opened: FloatArray, onsets: FloatArray, shape: Shape) -> FloatArray:
    """Return the marginal log likelihood of each onset, shape (onsets,)."""
    values, weights = stretch.values, stretch.weights
    since = stretch.times[None, :] - onsets[:, None]
    light = (_grown(since + opened, shape) - _grown(since, shape)) / opened
    total = weights.sum()
    light_mean, value_mean = light @ weights / total, float(values @ weights / total)
    light, value = light - light_mean[:, None], values - value_mean
    own = (light**2) @ weights
    shared = light @ (weights * value)
    all_squares = float(weights @ value**2)
    residual = all_squares - shared**2 / np.maximum(own, 1e-12)
    floor = max(all_squares, 1e-30) * 1e-9
    residual += len(values) * _MODEL_ERROR**2 * shared**2 / np.maximum(own, 1e-12) / np.maximum(own, 1e-12)
    freedom = len(values) - 2
    return np.asarray(-0.5 * freedom * np.log(np.maximum(residual, floor) / max(all_squares, 1e-30)))


def _grown(since: FloatArray, shape: Shape) -> FloatArray:
    """Return the integral of a shape from its onset to `since`."""
    time = np.maximum(since, 0.0)
    if shape.kind == "step":
        return time
    width = shape.width
    if shape.kind == "decay":
        return np.asarray(time + width * np.expm1(-time / width))
    inside = np.minimum(time, width)
    if shape.kind == "ramp":
        return np.asarray(inside**2 / (2 * width) + time - inside)
    return np.asarray((inside - width / np.pi * np.sin(np.pi * inside / width)) / 2 + time - inside)
