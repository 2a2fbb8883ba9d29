"""Where a trace leaves one level for another: onset and half of the swing, finer than its sampling, with their doubt.

A sample is the mean of the light over the time that the shutter stood open. So the one partly lit frame of a step, and
the two or three frames of a decay, say where inside the frame the change began.
"""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.changes.change_bounds import bounded, bounds_of
from inspect_app.numerics.changes.change_fit import (
    Stretch,
    coarse,
    filmed_light,
    first_share,
    log_likelihood,
    stretch_of,
)
from inspect_app.numerics.changes.change_misfit import around, misfit, neighbours_alike, unsettled
from inspect_app.numerics.changes.change_shapes import FLIGHTS, PICTURE_KINDS, SOFT, STAIRS, SUMS, half_of, soft_half_of

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_BEFORE: Final = 40  # samples looked at before and after a change, at most
_AFTER: Final = 60
_REACH: Final = 3.0  # intervals by which the first guess may be off
_NARROWEST, _WIDEST = 0.1, 24.0  # widths of decays and ramps, in intervals
_COARSE_WIDTHS: Final = 9
_COARSE_HALVES: Final = 21
_STEP_HALVES: Final = 161
_CLOSER_WIDTHS: Final = np.linspace(0, 1, 11)
_CLOSER_HALVES: Final = np.linspace(-1, 1, 19)
_CLOSER_STEPS: Final = np.linspace(-1, 1, 61)
_MARGINS: Final = (np.inf, 100.0, 40.0)  # of log evidence, within which a look closer is taken; each grid tells more
_CLOSER_REACH: Final = 4.5  # standard deviations of the posterior that the next grid covers
_BEGUN: Final = 0.003  # of the swing: from there on to its end less of it a light changes
_NOISE_EXPLAINS: Final = 2.0  # times what the other samples lie off
_LOOKS_LIKE: Final = FLIGHTS | SOFT | dict.fromkeys(SUMS, "decay")  # what is not always fitted, and what it looks like
_UNSEEN: Final = np.array([0.0, 0.0, 0.0, 0.0, 3.0])  # log evidence of a third or a soft step that nothing tells of
_SOFT, _SOFTEST = 15.0, 0.5  # intervals a misfit of all the swing moves stairs by, and at most
_SOFTLY: Final = np.array([0.05, 0.02])  # refreshes that onset and half of soft stairs are off by, unlike those tried
_UNEVEN: Final = 1.5  # rises that it moves other shapes by
_ALIKE: Final = 0.25  # correlation of neighbours on the levels, from which on they are taken to drift


@dataclass(frozen=True, slots=True)
class _Grid:
    """Log posterior of one kind, shape (shutters, widths, halves).

    Over widths, shape (shutters, widths), and halves, shape (shutters, widths, halves), in intervals; those that all
    shutters share have a first axis of length 1.
    """

    kind: str
    bounds: tuple[float, float]
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

    def without_stairs(self, kinds: Sequence[str]) -> "Located":
        """Return the same where no stair is believed: a screen that fades until it is renewed shows none."""
        told = np.where([kind in STAIRS for kind in kinds], -np.inf, self.log_evidence)
        return dataclasses.replace(self, log_evidence=told)


def locate(
    times: FloatArray,
    values: FloatArray,
    near: int,
    interval: float,
    opened: FloatArray,
    *,
    kinds: Sequence[str] = PICTURE_KINDS,
    refresh: tuple[float, float] = (0.0, np.inf),
    coded: float = 0.0,
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
    refresh : tuple of float
        Shortest and longest time that a display may show one picture, in the unit of `times`.
    coded : float
        Share of the swing by which a coder may move samples of the change, though it holds the levels still.

    Returns
    -------
    Located
        One row for each shutter, one column for each of `kinds`.

    Notes
    -----
    Model: level + swing x mean of shape((t - onset) / interval) over the open time. Shapes: a step, an exponential
    decay, a straight ramp (a scanned display), a cosine swell; of a picture also the scan of a round screen, scans
    whose lines decay, with a time constant of 0.3 and of 1 times the scan, the sums of decays that `SUMS` names (with a
    strong and a faint afterglow, of second order, stretched), and two or three steps one refresh apart, high as
    `STAIRS` says: a display that shows
    in part what its own camera gathered before the switch, and then all. Widths go from 0.1 to 24 intervals, those of
    stairs over `refresh`, evenly likely in their logarithm. Level, swing and heights of stairs are solved by least
    squares, the scale of the noise is integrated out, so that the posterior of (half, width) on a grid that closes in
    on its bulk is proportional to RSS^(-(n - 2)/2). Noise at the two levels may differ (shot noise): samples are
    weighted by the scatter about the nearer level.

    A step is looked for 0.04 intervals apart: a frame that it lights in part under a short shutter lies between times
    at which that was closed, which hardly fit worse. On the grid of the other shapes, halves of 39 films of steps came
    within 0.140 frames (p90) and were held 92 of 100; on one of 0.025 intervals 0.132 and 97, and 40 other films came
    to the same on either within 2 %.

    Where the samples of the change lie off the likeliest shape by more than noise, all shapes are forgiven as much, and
    their instants doubted by a rule of thumb in it (own bench), within what any shape allows
    (`inspect_app.numerics.changes.change_bounds`). Of 100 traces of five other shapes first changes were held 78 and
    halves 92; so 82 and 94.

    Sums of decays are looked for where neither a step nor stairs are likeliest. With one afterglow alone, first changes
    of 120 traces of five other shapes were held 86 of 100, now 90 with less doubt of shapes that are not fitted; those
    of second order came within 0.25 samples (p90), now 0.17. Ramps with tails are held no better (83 of 100).

    Stairs of three steps are looked for only where nothing else explains a change, and as long again before and after
    it, up to twice the noise; where they are not, each is as likely as the two steps that it looks like, less what a
    share more costs. 400 traces of displays with three steps of any height, under noise, drift or a lamp that fades:
    with two steps first changes were held 62 of 100 and within 2.9 samples (p90), halves 69 and 1.5; now 98 and 0.07,
    97 and 0.2.

    Soft stairs, whose two steps settle or are scanned, are looked for there too, and where stairs are likeliest. Their
    widths are refreshes; how long a step takes is tried at three shares of one, and doubted by what lies between. Of
    270 traces of displays whose steps settle (0.5 to 4 ms), are scanned (half to nearly all of a refresh), or both,
    first changes were held 61 of 100 and within 1.8 samples (p90), halves 78 and 0.66; now 93 and 0.66, 96 and 0.32.
    With scans of 0.75 of a refresh alone 89 and 92 of 100. Steps whose scan settles too still read late: 88 of 100.

    Drift passes for a low first step: where neighbours on the levels are alike by more than 0.25, shapes are fitted to
    what each sample has beyond that share of the one before. Of 40 traces of steps of 0.62 and 0.38 under drift first
    changes came within 1.2 samples (p90) and were held 92 of 100, halves 1.1 and 45; now 0.05, and all are held.
    What lost: to believe stairs in drift only where all other shapes lie off by fifteen times the drift (those
    figures); counting samples for fewer where neighbours are alike (96 of 100 halves of films with drift held, but
    first changes of the own bench within 0.21 instead of 0.12 frames). What follows a change for as long as it took is
    not asked about drift: a third step may be there.

    What noise leaves open between shapes is told by noise: more of it widens u on the average, not in each trace. Of
    48 traces at 1.5, 2 and 4 times their noise, 16 of 288 u shrank by more than 2 %, 3 by more than 10, one by 22: in
    the lines of shape and shutter. Other noise of the same size spreads u of such traces by 1 to 11 % (one sd).
    """
    first, last = max(0, near - _BEFORE), min(len(times), near + _AFTER)
    scaled = (times[first:last] - times[near]) / interval
    stretch = stretch_of(scaled, values[first:last], near - first, coded=coded)
    shutters = opened[:, first:last] / interval
    bounds = {kind: _bounds(kind, refresh, interval) for kind in kinds}
    found = _fitted(stretch, shutters, kinds, bounds)
    off, changes = _left(stretch, shutters, found)
    alike = neighbours_alike(off[~unsettled(changes)], coded)
    if alike > _ALIKE:
        stretch = stretch_of(scaled, values[first:last], near - first, alike, coded=coded)
        found = _fitted(stretch, shutters, kinds, bounds)
        off, changes = _left(stretch, shutters, found)
    left = misfit(off[changes], off[~changes], _NOISE_EXPLAINS)
    if left > stretch.forgiven:
        some = [kind for kind in kinds if kind in found]
        found = _bulks(dataclasses.replace(stretch, forgiven=left), shutters, some, bounds)
    told = {kind: _moments(grid) for kind, grid in found.items()}
    told |= {kind: _softly(stretch, shutters, found[kind], told[kind]) for kind in SOFT.keys() & found.keys()}
    told |= {kind: told[_LOOKS_LIKE[kind]] - _UNSEEN for kind in kinds if kind not in told}
    cells = np.stack([told[kind] for kind in kinds], axis=1)
    if left > stretch.forgiven:
        unlike = _unlike(cells, kinds, left * (1 - stretch.alike))
        cells[..., 2:4] = np.hypot(cells[..., 2:4], unlike[..., None])
    cells[..., :4] = bounded(cells[..., :4], bounds_of(stretch.times, values[first:last], near - first, shutters))
    return Located(
        onset=times[near] + cells[..., 0] * interval,
        half=times[near] + cells[..., 1] * interval,
        onset_sd=cells[..., 2] * interval,
        half_sd=cells[..., 3] * interval,
        log_evidence=cells[..., 4],
    )


def _unlike(cells: FloatArray, kinds: Sequence[str], misfit: float) -> FloatArray:
    """Return what a misfit, in shares of the swing, moves instants by, in intervals: steps are soft, rises uneven."""
    uneven = _UNEVEN * misfit * 2 * np.abs(cells[..., 1] - cells[..., 0])
    soft = min(_SOFTEST, _SOFT * misfit)
    stairs, may_be_soft = ([kind in of for kind in kinds] for of in (STAIRS, SOFT))
    return np.where(may_be_soft, np.minimum(soft, uneven), np.where(stairs, soft, uneven))


def _bounds(kind: str, refresh: tuple[float, float], interval: float) -> tuple[float, float]:
    """Return the narrowest and the widest that a shape may be, in intervals."""
    if kind not in STAIRS:
        return _NARROWEST, _WIDEST
    least, most = np.array(refresh) / interval
    return float(np.clip(least, _NARROWEST, _WIDEST / 2)), float(np.clip(most, 2 * _NARROWEST, _WIDEST))


def _fitted(
    stretch: Stretch, shutters: FloatArray, kinds: Sequence[str], bounds: Mapping[str, tuple[float, float]]
) -> dict[str, _Grid]:
    """Return grids of all kinds; of stairs of three steps, and of soft ones, only where they may be.

    Three steps are looked for where nothing else explains the change up to noise, soft ones there and where stairs do.
    """
    found = _bulks(stretch, shutters, [kind for kind in kinds if kind not in _LOOKS_LIKE], bounds)
    if not set(kinds) & set(_LOOKS_LIKE):
        return found
    off, changes = _left(stretch, shutters, found)
    near = around(changes)
    unexplained = misfit(off[near], off[~near], _NOISE_EXPLAINS) > stretch.forgiven
    likely = max(found.values(), key=lambda grid: float(_evidence(grid).max())).kind
    is_sudden = likely == "step" or likely in STAIRS
    more = [*(FLIGHTS if unexplained else ()), *(SOFT if unexplained or likely in STAIRS else ())]
    more += [kind for kind in SUMS if unexplained or not is_sudden]
    return found | _bulks(stretch, shutters, more, bounds) if more else found


def _bulks(
    stretch: Stretch, shutters: FloatArray, kinds: Sequence[str], bounds: Mapping[str, tuple[float, float]]
) -> dict[str, _Grid]:
    """Return grids over the bulk of the posterior of each kind, found by closing in from all that may be.

    What has fallen hopelessly behind the best is not looked at more closely.
    """
    grids = [_widest(stretch, shutters, kind, bounds[kind]) for kind in kinds]
    for margin in _MARGINS:
        evidence = [float(_evidence(grid).max()) for grid in grids]
        least = max(evidence) - margin
        grids = [
            _grid(stretch, shutters, grid.kind, grid.bounds, *_closer(grid)) if own >= least else grid
            for grid, own in zip(grids, evidence, strict=True)
        ]
    return {grid.kind: grid for grid in grids}


def _left(stretch: Stretch, opened: FloatArray, grids: Mapping[str, _Grid]) -> tuple[FloatArray, BoolArray]:
    """Return how far each sample lies off the likeliest shape, in shares of its swing, and where the light changes."""
    best = max(grids.values(), key=lambda grid: float(grid.logs.max()))
    shutter, w, h = np.unravel_index(int(best.logs.argmax()), best.logs.shape)
    widths, halves = (np.broadcast_to(of, (len(opened), *of.shape[1:]))[shutter] for of in (best.widths, best.halves))
    since = stretch.times - (halves[w, h] - half_of(best.kind, widths[w]))
    light, _ = filmed_light(stretch, best.kind, widths[w], since, opened[shutter], slice(0, len(since)))
    changes = np.convolve((np.abs(light) > _BEGUN) & (np.abs(light - 1) > _BEGUN), np.ones(3), "same") > 0
    light = light - light @ stretch.weights / stretch.weights.sum()
    weighted = light * stretch.weights
    swing = float(weighted @ stretch.values) / max(float(weighted @ light), 1e-12)
    return (stretch.values - swing * light) / (swing or np.inf), changes


def _softly(stretch: Stretch, opened: FloatArray, grid: _Grid, told: FloatArray) -> FloatArray:
    """Return the moments of soft stairs, the half by the heights of their steps, doubted for how soft they may be."""
    told, count = told.copy(), len(opened)
    all_widths, all_halves = (np.broadcast_to(of, (count, *of.shape[1:])) for of in (grid.widths, grid.halves))
    for shutter, (logs, widths, halves) in enumerate(zip(grid.logs, all_widths, all_halves, strict=True)):
        w, h = np.unravel_index(int(logs.argmax()), logs.shape)
        width, usual = float(widths[w]), float(half_of(grid.kind, widths[w]))
        since = stretch.times - (halves[w, h] - usual)
        first = float(first_share(stretch, grid.kind, widths[w], since, opened[shutter]))
        told[shutter, 1] += soft_half_of(grid.kind, width, first) - usual
        told[shutter, 2:4] = np.hypot(told[shutter, 2:4], width * _SOFTLY)
    return told


def _widest(stretch: Stretch, opened: FloatArray, kind: str, bounds: tuple[float, float]) -> _Grid:
    widths = np.ones(1) if kind == "step" else np.geomspace(*bounds, _COARSE_WIDTHS)
    count = _STEP_HALVES if kind == "step" else _COARSE_HALVES
    halves = np.broadcast_to(np.linspace(-_REACH, _REACH, count), (1, len(widths), count))
    if kind in STAIRS:  # whose steps are told apart by small differences
        return _grid(stretch, opened, kind, bounds, widths[None], halves)
    return _grid(stretch.coarse(), coarse(opened), kind, bounds, coarse(widths[None]), coarse(halves))


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
        least = np.maximum(middle[..., 0] - reach, np.log(grid.bounds[0]))
        most = np.minimum(middle[..., 0] + reach, np.log(grid.bounds[1]))
        logs = least + (most - least) * _CLOSER_WIDTHS
    reach = _CLOSER_REACH * np.maximum(rest, (grid.halves[:, :1, 1:2] - grid.halves[:, :1, :1]) / 2)
    places = _CLOSER_HALVES if logs.shape[1] > 1 else _CLOSER_STEPS
    return np.exp(logs), half + lean * (logs[..., None] - middle) + reach * places


def _grid(
    stretch: Stretch,
    opened: FloatArray,
    kind: str,
    bounds: tuple[float, float],
    widths: FloatArray,
    halves: FloatArray,
) -> _Grid:
    logs = log_likelihood(stretch, opened, kind, widths, halves - half_of(kind, widths)[..., None])
    cell = halves[:, 0, 1] - halves[:, 0, 0]
    if widths.shape[1] > 1:
        cell = cell * np.log(widths[:, 1] / widths[:, 0]) / np.log(bounds[1] / bounds[0])
    return _Grid(kind, bounds, widths, halves, logs + np.log(cell)[:, None, None])


def _share(logs: FloatArray) -> FloatArray:
    share = np.exp(logs - logs.max(axis=(1, 2), keepdims=True))
    return np.asarray(share / share.sum(axis=(1, 2), keepdims=True))


def _mean(share: FloatArray, of: FloatArray) -> FloatArray:
    """Return means by a posterior, shape (shutters, 1, 1)."""
    return np.asarray((share * of).sum(axis=(1, 2), keepdims=True))


def _moments(grid: _Grid) -> FloatArray:
    """Return mean onset, mean half, their standard deviations, and the log evidence of a kind, shape (shutters, 5)."""
    share = _share(grid.logs)
    onsets = grid.halves - half_of(grid.kind, grid.widths)[..., None]
    onset, half = _mean(share, onsets), _mean(share, grid.halves)
    onset_sd, half_sd = (_mean(share, away**2) ** 0.5 for away in (onsets - onset, grid.halves - half))
    return np.column_stack([each.ravel() for each in (onset, half, onset_sd, half_sd, _evidence(grid))])
