"""How many frames a blink takes, by the edges of a light of which some fall while the shutter is shut."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

_TEMPERS: Final = (0.15, 0.06, 0.025, 0.01, 0.0, 0.0)  # of the swing: least noise of each closer look
_COUNTS: Final = (33, 13, 25, 25)  # periods, openings, places of rising and of falling edges in one look
_WINDOW: Final = 4.0  # frames to either side of an edge that are looked at
_MOST_EDGES: Final = 120
_REACH: Final = 1.5  # frames by which the first and the last edge may be off
_WIDEST: Final = 1.0  # frames by which the edges in the middle may be off
_SHORTEST_OPEN: Final = 0.02  # of a frame
_OPEN: Final = 0.5  # of a frame: the opening for which the grids stand
_PARTLY: Final = (0.06, 0.94)  # shares of frames that are partly lit
_FEWEST_PARTLY: Final = 4
_CLOSER: Final = 4.5  # standard deviations that the next look covers
_CAP: Final = 50.0  # chi-squared that one frame counts at most
_COARSEST: Final = 0.6  # of the step of a grid: the least sd that it can tell


@dataclass(frozen=True, slots=True)
class _Edges:
    """Frames near edges of one kind: number of the frame, number of the edge from the middle one, and share lit."""

    frames: FloatArray
    turns: FloatArray
    shares: FloatArray


@dataclass(frozen=True, slots=True)
class _Shear:
    """By how much period and places of edges move for a shutter that is open for a frame longer."""

    period: float
    places: tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Axis:
    """Values that are looked at, evenly spaced, and how likely each is."""

    values: FloatArray
    likely: FloatArray

    def mean(self) -> float:
        return float(self.values @ self.likely)

    def sd(self) -> float:
        return float(np.sqrt(self.likely @ (self.values - self.mean()) ** 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """Frames per blink: the mean of the posterior, and its standard deviation."""

    frames: float
    frames_sd: float


def period_of(
    frames: FloatArray,
    shares: FloatArray,
    gaps: FloatArray,
    *,
    period: float,
    rise: float,
    fall: float,
    noise: float,
) -> Period:
    """Return how many frames a blink takes.

    Parameters
    ----------
    frames : ndarray of shape (n,)
        Number of each frame, missing ones counted.
    shares : ndarray of shape (n,)
        How much of each frame's open time the light was lit.
    gaps : ndarray of shape (m,)
        Numbers of frames after which some are missing.
    period, rise, fall : float
        Starting values, in frames: of the period, and of one rising and one falling edge.
    noise : float
        Standard deviation of the shares.

    Notes
    -----
    A frame near a rising edge is lit for clip((frame - edge) / opening + 1/2), so rising and falling edges are told
    apart once period and opening are given: the posterior over both is the product of two sums over places, on grids
    that close in on its bulk. Where each kind is partly lit in a row, period and opening trade places, so that only
    their ratio is known well: the grids lie along that ridge, for straight ones miss it (of 70 traces at 2 Hz and half
    open they held 86 %, off by up to 24 times their claim; along the ridge 96 %). Edges that all fall while the shutter
    is shut only bound the period; the posterior is then flat between the bounds, and its standard deviation is that of
    a rectangle, where least squares would claim a hundredth of it. The edges next to a gap are left out: before or
    after which of them the frames are missing is not always known.
    """
    middle = float(frames[0] + frames[-1]) / 2
    places = tuple(edge + round((middle - edge) / period) * period for edge in (rise, fall))
    lit = (fall - rise) % period
    dark = period - lit
    beside = _beside(gaps, places, period)
    edges = (
        _near(frames, shares, places[0], period, (dark / 2, lit / 2), beside[0]),
        _near(frames, 1 - shares, places[1], period, (lit / 2, dark / 2), beside[1]),
    )
    slip = 2 * _REACH * period / float(np.ptp(frames))
    spans = [(period - slip, period + slip), (_SHORTEST_OPEN, 1.0)]
    spans += [(place - _WIDEST, place + _WIDEST) for place in places]
    shear = _shear(edges)
    looked = _Look((), 0.0, 0.0)
    for temper in _TEMPERS:
        grids = [np.linspace(*span, count) for span, count in zip(spans, _COUNTS, strict=True)]
        looked = _looked(edges, grids, max(noise, temper), shear)
        spans = [_closer(axis, span) for axis, span in zip(looked.axes, spans, strict=True)]
    return Period(frames=looked.period, frames_sd=looked.period_sd)


def _shear(edges: tuple[_Edges, _Edges]) -> _Shear:
    """Return the ridge by the frames that are partly lit: a line through their shares over the turns of the light."""
    rows, shares = [], []
    for kind, each in enumerate(edges):
        is_partly = (each.shares > _PARTLY[0]) & (each.shares < _PARTLY[1])
        own = np.eye(2)[kind]
        rows += [np.array([turn, *own]) for turn in each.turns[is_partly]]
        shares += list(each.shares[is_partly] - 0.5)
    if len(rows) < _FEWEST_PARTLY:
        return _Shear(0.0, (0.0, 0.0))
    period, rise, fall = -np.linalg.lstsq(np.array(rows), np.array(shares), rcond=None)[0]
    return _Shear(float(period), (float(rise), float(fall)))


def _beside(gaps: FloatArray, places: tuple[float, ...], period: float) -> list[FloatArray]:
    """Return the turns of the rising and of the falling edges that are the last before a gap or the first after it."""
    turns = np.floor((gaps[None, :] - np.array(places)[:, None]) / period)
    before = np.array(places)[:, None] + turns * period
    last, first = before == before.max(axis=0), before == before.min(axis=0)
    return [np.concatenate([turns[kind][last[kind]], turns[kind][first[kind]] + 1]) for kind in (0, 1)]


def _near(
    frames: FloatArray,
    shares: FloatArray,
    first: float,
    period: float,
    reach: tuple[float, float],
    without: FloatArray,
) -> _Edges:
    """Return the frames near edges of one kind, of which one is at `first`; of very many edges some, evenly chosen."""
    turns = np.round((frames - first) / period)
    away = frames - first - turns * period
    is_near = (away > -min(_WINDOW, reach[0])) & (away < min(_WINDOW, reach[1])) & ~np.isin(turns, without)
    seen = np.unique(turns[is_near])
    chosen = seen[np.unique(np.linspace(0, len(seen) - 1, min(len(seen), _MOST_EDGES)).astype(int))]
    kept = is_near & np.isin(turns, chosen)
    return _Edges(frames[kept], turns[kept], shares[kept])


@dataclass(frozen=True, slots=True)
class _Look:
    """The marginal posteriors over periods, openings, and places of both kinds of edges; the period and its sd."""

    axes: tuple[_Axis, ...]
    period: float
    period_sd: float


def _looked(edges: tuple[_Edges, _Edges], grids: list[FloatArray], noise: float, shear: _Shear) -> _Look:
    """Return the posterior over a grid of periods, openings, and places of rising and falling edges."""
    periods, openings, rises, falls = grids
    logs = [
        np.array([_log_likelihood(each, period, openings, places, noise, (shear.period, own)) for period in periods])
        for each, places, own in zip(edges, (rises, falls), shear.places, strict=True)
    ]
    both = special.logsumexp(logs[0], axis=2) + special.logsumexp(logs[1], axis=2)
    marginals = [
        special.logsumexp(both, axis=1),
        special.logsumexp(both, axis=0),
        special.logsumexp(logs[0] + special.logsumexp(logs[1], axis=2)[:, :, None], axis=(0, 1)),
        special.logsumexp(logs[1] + special.logsumexp(logs[0], axis=2)[:, :, None], axis=(0, 1)),
    ]
    likely, along = special.softmax(both), periods[:, None] + shear.period * (openings - _OPEN)
    mean = float(np.sum(likely * along))
    return _Look(
        tuple(_Axis(grid, special.softmax(marginal)) for grid, marginal in zip(grids, marginals, strict=True)),
        mean,
        float(np.sqrt(np.sum(likely * (along - mean) ** 2))),
    )


def _log_likelihood(
    edges: _Edges,
    period: float,
    openings: FloatArray,
    places: FloatArray,
    noise: float,
    shear: tuple[float, float],
) -> FloatArray:
    """Return the log likelihood for one period, shape (openings, places)."""
    moved = (openings[:, None, None] - _OPEN) * (edges.turns * shear[0] + shear[1])
    since = edges.frames - edges.turns * period - places[:, None] - moved
    lit = np.clip(since / openings[:, None, None] + 0.5, 0.0, 1.0)
    off = np.minimum(((edges.shares - lit) / noise) ** 2, _CAP)
    return np.asarray(-0.5 * off.sum(axis=-1))


def _closer(axis: _Axis, span: tuple[float, float]) -> tuple[float, float]:
    reach = _CLOSER * max(axis.sd(), _COARSEST * float(axis.values[1] - axis.values[0]))
    return max(span[0], axis.mean() - reach), min(span[1], axis.mean() + reach)
