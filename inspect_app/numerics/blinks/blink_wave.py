"""A blinking light as a film shows it: a periodic trapezoid, the frames missing in it, and its fit."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from inspect_app.numerics.bands.band_model import trapezoid

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

PARTLY: Final = 0.06
"""Share of the swing from which on a frame is partly lit."""

LEAST_NOISE: Final = 0.005
"""Of the swing: coding and rounding of codes."""

GAP_EVIDENCE: Final = (9.0, 2.0)
"""Chi-squared of a gap, for one frame in a hundred is missing, and of each frame in it."""

_SAME_LEVEL: Final = 0.02  # of the swing, by which frames at one level may differ

_CELLS_PER_FRAME: Final = 10  # steps of the phase in which the path is sought
_FEWEST_CELLS: Final = 48
_TABLE_STEPS: Final = 32  # within a cell
_MOST_MISSING: Final = 24  # at one place,
_LONGEST_GAP: Final = 0.65  # and blinks: a gap of nearly a blink looks like a frame too many
_SPREAD: Final = 0.03  # of the swing, by which a frame may be off before it counts against a path
_WORST: Final = 300.0  # one frame counts for at most so much
_MISSING_COST: Final = (100.0, 30.0)  # of a gap, and of each frame in it
_NEITHER_LEVEL: Final = 0.25  # of the swing, from either level, at most, and
_NEITHER_SPREADS: Final = 9.0  # times what a frame may be off
_BESIDE: Final = 2  # frames to either side of a switch before which others may be missing


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """Blinks per frame, phase of the first frame once fitted, and the shape of a blink: width and ramp in blinks."""

    rate: float
    phase: float = 0.0
    width: float
    ramp: float
    is_fitted: bool = False


@dataclass(frozen=True, slots=True)
class GapPath:
    """Frames missing before each frame, shape (n,), what the path costs, and by how much frames lie off their numbers.

    `away` is in frames, shape (n,): 0 where frames follow one another evenly.
    """

    missing: IntArray
    cost: float
    away: FloatArray | float = 0.0

    @property
    def places(self) -> FloatArray:
        """Return when each frame was shot, in frames from the first one."""
        return np.asarray(np.arange(len(self.missing)) + np.cumsum(self.missing) + self.away, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class WaveFit:
    """A wave, the standard uncertainty of its rate in blinks per frame, and what remains of the swing, shape (n,)."""

    wave: Wave
    rate_sd: float
    rest: FloatArray


def is_partly_lit(share: FloatArray) -> BoolArray:
    """Say which frames show neither of the two levels nor what a frame beside them shows, shape (n,).

    A coder may leave the light a little off its level for many frames after a switch: those are not partly lit.
    """
    return (share > PARTLY) & (share < 1 - PARTLY) & (_least_step(share) > PARTLY)


def levelled(share: FloatArray) -> FloatArray:
    """Return the shares with frames that show what a frame beside them shows at the nearer of the two levels."""
    return np.where(_least_step(share) < _SAME_LEVEL, np.round(share), share)


def _least_step(share: FloatArray) -> FloatArray:
    """Return how far each frame is from the one beside it that is more like it."""
    steps = np.abs(np.diff(share, prepend=np.inf, append=np.inf))
    return np.minimum(steps[1:], steps[:-1])


def cheapest_path(
    share: FloatArray,
    gaps: IntArray,
    wave: Wave,
    size: int,
    *,
    longest: float = _LONGEST_GAP,
    spread: float = _SPREAD,
    gap_cost: tuple[float, float] = _MISSING_COST,
) -> GapPath:
    """Return the cheapest sequence of gaps that makes the first frames follow the wave (Viterbi, 1967, from memory).

    A state is a phase, in cells; each frame stays in step, or skips as many phases as frames are missing. A frame costs
    what it is off the nearest phase within its cell, so that the edge between two cells costs nothing. Where the light
    stays at one level for no longer than a blink does, frames that are missing there are looked for at the switches on
    either side alone: anywhere else they look the same.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    gaps : ndarray of shape (n,), int
        Frames missing before each frame by the file's clock: the path has more, if any.
    wave : Wave
        Rate and shape of a blink; the phase is sought.
    size : int
        How many frames from the first one on.
    longest : float
        Of a gap, in blinks.
    spread : float
        Of the swing, by which a frame is off.
    gap_cost : tuple of float
        What a gap costs, and each frame in it, as chi-squared.
    """
    rate = wave.rate
    cells = _cells(rate)
    missed = np.arange(int(min(_MOST_MISSING, max(1, longest / rate))) + 1)
    shifts = np.round(missed * rate * cells).astype(int)
    costs = np.where(missed > 0, gap_cost[0] + gap_cost[1] * missed, 0.0)[:, None]
    sources = (np.arange(cells)[None, :] - shifts[:, None]) % cells
    table = trapezoid(np.arange(cells * _TABLE_STEPS) / (cells * _TABLE_STEPS), wave.width, wave.ramp)
    starts = ((np.arange(size) + np.cumsum(gaps[:size])) * rate % 1.0 * len(table)).round().astype(int) % len(table)
    longest_run = max(wave.width, 1 - wave.width) / rate
    may_miss = _may_miss(share[:size], longest_run, min(_NEITHER_LEVEL, _NEITHER_SPREADS * spread))
    until = np.empty((size, cells))
    before = np.zeros(cells)
    for frame, off in enumerate(_off(share[:size], table, starts, spread)):
        stays = not (frame and may_miss[frame])
        until[frame] = off + (before if stays else (before[sources] + costs).min(axis=0))
        before = until[frame]
    missing = gaps[:size].copy()
    cell, cost = int(until[-1].argmin()), float(until[-1].min())
    for frame in np.flatnonzero(may_miss[1:])[::-1] + 1:
        skipped = int((until[frame - 1, sources[:, cell]] + costs[:, 0]).argmin())
        missing[frame] += skipped
        cell = int(sources[skipped, cell])
    return GapPath(missing, cost)


def _off(share: FloatArray, table: FloatArray, starts: IntArray, spread: float) -> Iterator[FloatArray]:
    """Yield what each frame costs off each cell of a blink, shape (cells,), of which the first begins at its start."""
    cells = len(table) // _TABLE_STEPS
    most, least = (edge(table, _TABLE_STEPS + 1, mode="wrap") for edge in (maximum_filter1d, minimum_filter1d))
    # by place within a cell, and twice over all cells: what a frame is compared with lies in one piece
    highest, lowest = (np.tile(each.reshape(cells, _TABLE_STEPS).T, 2) / spread for each in (most, least))
    for seen, start in zip(share / spread, starts, strict=True):
        cell, place = divmod(int(start), _TABLE_STEPS)
        own = slice(cell, cell + cells)
        off = np.maximum(np.maximum(seen - highest[place, own], lowest[place, own] - seen), 0.0)
        yield np.minimum(off * off, _WORST)


def _may_miss(share: FloatArray, longest: float, neither: float) -> BoolArray:
    """Say before which frames others may be missing: near switches, and where the light keeps a level for too long."""
    level = np.where(share > 1 - neither, 1, np.where(share < neither, -1, 0))
    is_switch = np.append(True, (np.diff(level) != 0) | (level[1:] == 0))
    run = np.cumsum(is_switch)
    is_long = np.bincount(run)[run] > longest
    return np.asarray(np.convolve(is_switch, np.ones(2 * _BESIDE + 1), "same").astype(bool) | is_long)


def _cells(rate: float) -> int:
    """Return into how many cells a blink is cut: a missing frame skips nearly a whole number, or an edge would move."""
    fewest = max(_FEWEST_CELLS, round(_CELLS_PER_FRAME / rate))
    counts = np.arange(fewest, fewest * 3 // 2)
    return int(counts[np.abs(counts * rate - np.round(counts * rate)).argmin()])


def full_cost(share: FloatArray, missing: IntArray, wave: Wave) -> float:
    """Return what frames cost off a wave with gaps as they are, and what the gaps cost."""
    gaps = missing[missing > 0]
    off = cheapest_path(share, missing, wave, len(share)).cost
    return off + float(np.sum(_MISSING_COST[0] + _MISSING_COST[1] * gaps))


def fit_wave(share: FloatArray, path: GapPath, wave: Wave, ramp: float | None = None) -> WaveFit:
    """Fit rate, phase, shape and levels with the gaps as they are.

    The shape has corners, so the fit begins at the best of several rates (a frame more or less over the stretch) and
    phases, and with ramps of a shutter that is open throughout, which show the way wherever an edge lies.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    path : GapPath
        Frames missing before each of them.
    wave : Wave
        Where the fit begins.
    ramp : float, optional
        Another ramp to begin with, in blinks.
    """
    numbers = path.places
    middle, span = float(numbers.mean()), float(np.ptp(numbers)) + 1
    away = numbers - middle

    def remainder(parameters: FloatArray) -> FloatArray:
        phase = parameters[1] + (wave.rate + parameters[0] / span) * away
        return _rest(share, trapezoid(phase, parameters[2], parameters[3]))

    near = wave.rate * np.arange(-1, 1.01, 0.5)
    turn = wave.phase + wave.rate * middle
    phases = turn + near if wave.is_fitted else np.arange(0, 1, min(0.1, wave.rate / 2))
    ramp = float(np.clip(ramp or wave.rate, 0.003, min(wave.width, 1 - wave.width) + 0.003))
    starts = [np.array([drift, phase, wave.width, ramp]) for drift in near for phase in phases]
    begun = min(starts, key=lambda start: float(np.sum(remainder(start) ** 2)))
    low, high = np.array([-2.0, begun[1] - 0.5, 0.005, 0.002]), np.array([2.0, begun[1] + 0.5, 0.995, 0.98])
    scales = np.array([wave.rate / 4, wave.rate / 4, 0.02, 0.02])
    solved = optimize.least_squares(
        remainder, begun, bounds=(low, high), x_scale=scales, diff_step=[1e-4] * 4, max_nfev=40
    )
    slopes = np.asarray(solved.jac)
    drift_sd = _drift_sd(slopes, np.asarray(solved.fun))
    drift, phase, width, ramp = (float(value) for value in solved.x)
    rate = wave.rate + drift / span
    fitted = Wave(rate=rate, phase=phase - rate * middle, width=width, ramp=ramp, is_fitted=True)
    return WaveFit(fitted, drift_sd / span, solved.fun)


def _drift_sd(slopes: FloatArray, rest: FloatArray) -> float:
    """Return the standard uncertainty of the first parameter: of the sandwich form where that is more.

    What remains may be more at switches (frames that are not quite even) than where the light is steady, and only
    frames at switches tell the rate.
    """
    rows, count = slopes.shape
    inverse = np.linalg.pinv(slopes)[0]
    even = float(inverse @ inverse) * float(rest @ rest) / max(1, rows - count - 2)
    weight = inverse**2
    telling = float(weight.sum() ** 2 / max(float(weight @ weight), 1e-300))
    uneven = float(weight @ rest**2) * telling / max(1.0, telling - count)
    return float(np.sqrt(max(even, uneven)))


def _rest(share: FloatArray, shape: FloatArray) -> FloatArray:
    """Return what remains of the light after the best level and swing of a shape."""
    centred = shape - shape.mean()
    swing = float(centred @ share) / max(float(centred @ centred), 1e-12)
    return np.asarray(share.mean() + swing * centred - share)


def rms(rest: FloatArray) -> float:
    """Return the root of the mean square of what remains; 0 of nothing."""
    return float(np.sqrt(np.mean(rest**2))) if len(rest) else 0.0
