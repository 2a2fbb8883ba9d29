"""Spots in a bright field: candidates by matched filters over scales, against a texture's own strength."""

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from inspect_app.numerics.spots.spot_oval import ROUND, Oval
from inspect_app.numerics.spots.spot_profile import blurred_disc
from inspect_app.numerics.spots.texture import BLOCK_PX, Rounding, matched_kernel, texture_power

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
PlaceArray = npt.NDArray[np.intp]

GRID_PX = 24  # blocks in which the filtered texture is gauged
NARROWEST_PX = 2 * GRID_PX  #: a relief that is narrower shows no texture, and is not searched
GAUSSIAN_LIMIT = 6.0  # robust standard deviations: 2e-9 by chance, and there are 1e6 places to look at
TAIL_LIMIT = 2.5  # times the 98th percentile, which a texture with dark lines or points has far out
DIAMETERS_PX = (3 * math.sqrt(2), 6.0)  # tried in every octave
SMALLEST_PX = 3.0  # tried in the first octave besides
TEMPLATE_SOFTNESS = 0.3
MOST_CANDIDATES = 4000  # more than any map takes
BORDER_PX = 5
BORDER_LIMIT = 1.6  # times the limit: the relief breaks off there, and a sharp filter answers to that


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A relief reduced by a power of two, where it is inside of the field, and the spectrum of its texture.

    `power` is nowhere less than what a spot loses by rounding. `kernels` are the filters that are matched to discs in
    the texture as it is, by their diameter in pixels of the level.
    """

    relief: SingleArray
    inside: BoolArray
    power: FloatArray
    factor: int
    kernels: Mapping[float, SingleArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A place that may be a spot: centre and diameter in pixels, depth negative for dark.

    `limit` is what the texture reaches there, `octave` the number of the level in which it was found, `oval` what is
    known of how far it is from a circle.
    """

    x: float
    y: float
    diameter_px: float
    depth: float
    limit: float
    octave: int
    oval: Oval = ROUND

    @property
    def strength(self) -> float:
        """Return the depth over what the texture reaches."""
        return abs(self.depth) / self.limit


def levels_of(
    relief: SingleArray, inside: BoolArray, *, largest_px: float, rounding: Rounding | None = None
) -> tuple[Level, ...]:
    """Return the relief in octaves of resolution, as far as spots of `largest_px` need."""
    levels = []
    factor = 1
    while min(relief.shape) >= NARROWEST_PX and (factor == 1 or DIAMETERS_PX[0] * factor <= largest_px):
        own = texture_power(relief, inside)
        tried = (SMALLEST_PX, *DIAMETERS_PX) if factor == 1 else DIAMETERS_PX
        level = Level(
            relief=relief,
            inside=inside,
            power=own if rounding is None else np.maximum(own, rounding.power(factor)),
            factor=factor,
            kernels={d: matched_kernel(_template(d), own) for d in tried if d * factor <= largest_px},
        )
        levels.append(level)
        inside = np.logical_and.reduce([inside[quarter] for quarter in _quarters(inside)])
        relief = mean_of_four(relief)
        factor *= 2
    return tuple(levels)


def mean_of_four(relief: SingleArray) -> SingleArray:
    """Return the means of 2 x 2 pixels of shape (rows, cols); a last odd row or column is left out."""
    first, *others = (relief[quarter] for quarter in _quarters(relief))
    return sum(others, first.copy()) / np.float32(4)


def _quarters(picture: npt.NDArray[np.generic]) -> list[tuple[slice, slice]]:
    rows, cols = picture.shape[0] // 2 * 2, picture.shape[1] // 2 * 2
    return [(slice(i, rows, 2), slice(j, cols, 2)) for i in (0, 1) for j in (0, 1)]


def find_candidates(levels: Sequence[Level], *, faintest: float, from_octave: int = 0) -> tuple[Candidate, ...]:
    """Find places that stand out of a field's texture like a spot.

    Parameters
    ----------
    levels : sequence of Level
        The relief in octaves.
    faintest : float
        Least depth of interest, such as 0.05.
    from_octave : int
        Number of the first level to search.

    Returns
    -------
    tuple of Candidate
        Strongest first, at most one to a place and 4 000 in all.

    Notes
    -----
    Each octave is filtered for soft discs of two diameters with the filter that is matched to them in this octave's
    texture (`texture.matched_kernel`). A place counts where the answer exceeds 6 robust standard deviations and 2.5
    times the 98th percentile of its neighbourhood, both taken from blocks of 24 pixels (at the octave's own
    resolution): the first holds off noise, the second a texture that is not Gaussian, such as lines between fibre
    bundles.

    On the bench (`tests/bench/bench_spots.py`, 24 fields each, no false alarm either way) differences of Gaussians in
    place of the matched filters found 98.5 % instead of 99.0 % of the spots under mild texture, and 82 % instead of 86
    % under a texture so strong that the rest drown in it. Of 239 spots under that texture 26 are lost: 25 answer with
    2.8 to 5.7 standard deviations. Limits of 5 in place of 6 and 2.1 in place of 2.5 reported 3 that were none.
    """
    found: list[Candidate] = []
    for octave, level in list(enumerate(levels))[from_octave:]:
        # Half a kernel of zeros is enough: what comes around from the other end falls on what is cut off.
        size = [fft.next_fast_len(n + BLOCK_PX // 2, real=True) for n in level.relief.shape]
        spectrum = fft.rfft2(level.relief, s=size, workers=2)
        for diameter, kernel in level.kernels.items():
            answer = _filtered(level, spectrum, size, kernel)
            found += _peaks(answer, level, octave, diameter, faintest)
    return _one_to_a_place(found)


@functools.cache
def _template(diameter: float) -> FloatArray:
    rows, cols = np.indices((BLOCK_PX, BLOCK_PX))
    r = np.hypot(cols - BLOCK_PX // 2, rows - BLOCK_PX // 2)
    profile = blurred_disc(diameter / 2, max(TEMPLATE_SOFTNESS * diameter / 2, 0.5), float(r.max()))
    values: FloatArray = np.interp(r, profile.r, profile.value) / profile.value[0]
    return values


def _filtered(level: Level, spectrum: npt.NDArray[np.complex64], size: list[int], kernel: SingleArray) -> SingleArray:
    # Along the rows first, few of which are not empty: two thirds of the time of a whole transform.
    spread = fft.fft(fft.rfft(kernel, n=size[1]), n=size[0], axis=0, workers=2)
    spread *= spectrum
    start = BLOCK_PX // 2
    rows, cols = level.relief.shape
    # In place along the columns, and back along those rows only that are kept: two fifths of the time of the whole.
    columns = fft.ifft(spread, axis=0, workers=2, overwrite_x=True)[start : start + rows]
    answer: SingleArray = fft.irfft(columns, n=size[1], axis=1, workers=2)[:, start : start + cols]
    return answer


def _peaks(answer: SingleArray, level: Level, octave: int, diameter: float, faintest: float) -> list[Candidate]:
    size = np.abs(answer) * level.inside
    limit = np.maximum(_limit_of(size, level.inside), np.float32(0.8 * faintest))
    # Few places exceed the least of the limits, and only they are held against their own.
    rows, cols = np.divmod(np.flatnonzero(size > limit.min()), size.shape[1])
    at_border = (rows == 0) | (cols == 0) | (rows == size.shape[0] - 1) | (cols == size.shape[1] - 1)
    rows, cols = rows[~at_border], cols[~at_border]
    own_limit = limit[_blocks_of(rows, limit.shape[0]), _blocks_of(cols, limit.shape[1])]
    exceeds = size[rows, cols] > own_limit
    rows, cols, own_limit = rows[exceeds], cols[exceeds], own_limit[exceeds]
    value = size[rows, cols]
    is_peak = value > own_limit * np.where(_well_inside(level.inside, rows, cols), 1, np.float32(BORDER_LIMIT))
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            is_peak &= value >= size[rows + dy, cols + dx]
    shift = (level.factor - 1) / 2
    return [
        Candidate(
            x=float(col * level.factor + shift),
            y=float(row * level.factor + shift),
            diameter_px=diameter * level.factor,
            depth=float(answer[row, col]),
            limit=float(reached),
            octave=octave,
        )
        for row, col, reached in zip(rows[is_peak], cols[is_peak], own_limit[is_peak], strict=True)
    ]


def _well_inside(inside: BoolArray, rows: PlaceArray, cols: PlaceArray) -> BoolArray:
    """Say of which places the field goes on for 5 pixels up, down, left and right."""
    deep = np.ones(len(rows), dtype=bool)
    for dy, dx in ((0, 0), (-BORDER_PX, 0), (BORDER_PX, 0), (0, -BORDER_PX), (0, BORDER_PX)):
        y, x = rows + dy, cols + dx
        within = (y >= 0) & (y < inside.shape[0]) & (x >= 0) & (x < inside.shape[1])
        deep &= within & inside[np.where(within, y, 0), np.where(within, x, 0)]
    return deep


def _blocks_of(places: PlaceArray, blocks: int) -> PlaceArray:
    return np.minimum(places // GRID_PX, blocks - 1)


def _limit_of(size: SingleArray, mask: BoolArray) -> SingleArray:
    """Return what the filtered texture reaches per block, from absolute values."""
    down, across = size.shape[0] // GRID_PX, size.shape[1] // GRID_PX
    cut = (slice(0, down * GRID_PX), slice(0, across * GRID_PX))
    split = (down, GRID_PX, across, GRID_PX)
    thin = (slice(None), slice(None, None, 2), slice(None), slice(None, None, 2))
    covered = mask[cut].reshape(split)[thin].mean(axis=(1, 3)) > 0.3
    values = size[cut].reshape(split)[thin].swapaxes(1, 2)[covered].reshape(-1, GRID_PX**2 // 4)
    ordered = np.sort(values, axis=1)  # with vector instructions; to select two places takes ten times as long
    noise, tail = np.full((2, down, across), np.nan)
    noise[covered] = 1.4826 * ordered[:, values.shape[1] // 2]
    tail[covered] = ordered[:, int(0.98 * values.shape[1])]
    limit = np.maximum(GAUSSIAN_LIMIT * _median_of_neighbours(noise), TAIL_LIMIT * _median_of_neighbours(tail))
    return limit.astype(np.float32)


def _median_of_neighbours(blocks: npt.NDArray[np.floating]) -> FloatArray:
    """Return the median over 3 x 3 blocks, leaving out those outside; where none is inside, that of all.

    Of an even number of blocks the lower one of the middle two: in a corner half of the blocks may hold a spot.
    """
    overall = float(np.nanmedian(blocks)) if np.isfinite(blocks).any() else math.inf
    padded = np.pad(blocks.astype(np.float64), 1, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).reshape(-1, 9)
    ordered = np.sort(windows, axis=1)  # what is not known comes last
    known = np.isfinite(windows).sum(axis=1)
    middle = ordered[np.arange(len(ordered)), np.maximum(known - 1, 0) // 2]
    return np.where(known > 0, middle, overall).reshape(blocks.shape)


def _one_to_a_place(found: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Keep the strongest of candidates that overlap, and of those the strongest 4 000."""
    kept: list[Candidate] = []
    x, y, diameter = np.zeros((3, MOST_CANDIDATES))
    for candidate in sorted(found, key=lambda c: -c.strength):
        count = len(kept)
        if count == MOST_CANDIDATES:
            break
        away = np.hypot(x[:count] - candidate.x, y[:count] - candidate.y)
        if not np.any(away < np.maximum(diameter[:count], candidate.diameter_px) / 2 + 1):
            x[count], y[count], diameter[count] = candidate.x, candidate.y, candidate.diameter_px
            kept.append(candidate)
    return tuple(kept)
