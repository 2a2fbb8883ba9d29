"""Spots in a bright field: candidates by matched filters over scales, against a texture's own strength."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

# A disc of diameter 2 sqrt(2) sigma and unit depth gives this at its centre, less the surround at twice the width.
UNIT_RESPONSE = math.exp(-1 / 4) - math.exp(-1)
BLOCK_PX = 24
GAUSSIAN_LIMIT = 6.0  # robust standard deviations: 1e-9 by chance, and there are 1e7 places to look at
TAIL_LIMIT = 2.5  # times the 98th percentile, which a texture with dark lines or points has far out
OCTAVE_SIGMAS_PX = (1.0, math.sqrt(2), 2.0, 2 * math.sqrt(2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A place that may be a spot: centre and diameter in pixels, depth negative for dark.

    `strength` is the depth over what the texture reaches there; `noise` the standard deviation of the depth that the
    same filter finds where there is no spot.
    """

    x: float
    y: float
    diameter_px: float
    depth: float
    strength: float
    noise: float


def find_candidates(
    relief: SingleArray, inside: BoolArray, *, largest_px: float, faintest: float
) -> tuple[Candidate, ...]:
    """Find places that stand out of a field's texture like a spot.

    Parameters
    ----------
    relief : ndarray of shape (rows, cols), float32
        Picture over its smooth part, less 1; 0 outside of the field.
    inside : ndarray of shape (rows, cols), bool
        Where spots are sought.
    largest_px : float
        Diameter up to which scales are tried.
    faintest : float
        Least depth of interest, such as 0.05.

    Returns
    -------
    tuple of Candidate
        Strongest first, at most one to a place.

    Notes
    -----
    At each scale the relief is smoothed with a Gaussian as wide as the spot and with one twice as wide; the difference
    is the matched filter of a soft spot on an unknown level. A place counts where the difference exceeds 6 robust
    standard deviations and 2.5 times the 98th percentile of its neighbourhood, both taken from blocks of 24 pixels (at
    the scale's own resolution): the first holds off noise, the second a texture that is not Gaussian, such as lines
    between fibre bundles. Scales go by steps of sqrt(2); every octave works on a picture of half the size.
    """
    found: list[Candidate] = []
    picture, mask, factor = relief, inside, 1
    picture = ndimage.gaussian_filter(picture, OCTAVE_SIGMAS_PX[0], truncate=3.5)
    while min(picture.shape) >= 2 * BLOCK_PX and 2 * math.sqrt(2) * factor <= largest_px:
        levels = [picture]
        for narrow, wide in pairwise(OCTAVE_SIGMAS_PX):
            step = math.sqrt(wide**2 - narrow**2)
            levels.append(ndimage.gaussian_filter(levels[-1], step, truncate=3.5))
        for k in (0, 1):
            difference = (levels[k] - levels[k + 2]) / np.float32(UNIT_RESPONSE)
            diameter = 2 * math.sqrt(2) * OCTAVE_SIGMAS_PX[k]
            found += _peaks(difference, mask, diameter, factor, faintest)
        picture, mask, factor = levels[2][::2, ::2], mask[::2, ::2], 2 * factor
    return _one_to_a_place(found)


def _peaks(difference: SingleArray, mask: BoolArray, diameter: float, factor: int, faintest: float) -> list[Candidate]:
    size = np.abs(difference)
    size[~mask] = 0
    noise, limit = _texture(size, mask)
    limit = np.maximum(limit, np.float32(0.8 * faintest))
    rows, cols = np.nonzero(size > _spread_out(limit, size.shape))
    at_border = (rows == 0) | (cols == 0) | (rows == size.shape[0] - 1) | (cols == size.shape[1] - 1)
    rows, cols = rows[~at_border], cols[~at_border]
    value = size[rows, cols]
    is_peak = np.ones(len(rows), dtype=bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            is_peak &= value >= size[rows + dy, cols + dx]
    return [
        Candidate(
            x=float(col * factor),
            y=float(row * factor),
            diameter_px=diameter * factor,
            depth=float(difference[row, col]),
            strength=float(size[row, col] / limit[_block_of(row, limit.shape[0]), _block_of(col, limit.shape[1])]),
            noise=float(noise[_block_of(row, limit.shape[0]), _block_of(col, limit.shape[1])]),
        )
        for row, col in zip(rows[is_peak], cols[is_peak], strict=True)
    ]


def _block_of(place: int, blocks: int) -> int:
    return min(int(place) // BLOCK_PX, blocks - 1)


def _texture(size: SingleArray, mask: BoolArray) -> tuple[SingleArray, SingleArray]:
    """Return standard deviation and limit of the filtered texture per block, from absolute values."""
    down, across = size.shape[0] // BLOCK_PX, size.shape[1] // BLOCK_PX
    cut = (slice(0, down * BLOCK_PX), slice(0, across * BLOCK_PX))
    split = (down, BLOCK_PX, across, BLOCK_PX)
    thin = (slice(None), slice(None, None, 2), slice(None), slice(None, None, 2))
    values = size[cut].reshape(split)[thin].swapaxes(1, 2).reshape(down, across, -1)
    covered = mask[cut].reshape(split)[thin].mean(axis=(1, 3)) > 0.5
    ordered = np.sort(values, axis=2)
    count = ordered.shape[2]
    noise = np.where(covered, 1.4826 * ordered[:, :, count // 2], np.nan)
    tail = np.where(covered, ordered[:, :, int(0.98 * count)], np.nan)
    noise, tail = _median_of_neighbours(noise), _median_of_neighbours(tail)
    limit = np.maximum(GAUSSIAN_LIMIT * noise, TAIL_LIMIT * tail)
    return noise.astype(np.float32), limit.astype(np.float32)


def _median_of_neighbours(blocks: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the median over 5 x 5 blocks, leaving out those outside; where none is inside, that of all."""
    overall = float(np.nanmedian(blocks)) if np.isfinite(blocks).any() else math.inf
    padded = np.pad(blocks, 2, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (5, 5)).reshape(*blocks.shape, 25)
    known = np.isfinite(windows).any(axis=2)
    filled = np.full(blocks.shape, overall)
    filled[known] = np.nanmedian(windows[known], axis=1)
    return filled


def _spread_out(blocks: SingleArray, shape: tuple[int, ...]) -> SingleArray:
    rows = np.minimum(np.arange(shape[0]) // BLOCK_PX, blocks.shape[0] - 1)
    cols = np.minimum(np.arange(shape[1]) // BLOCK_PX, blocks.shape[1] - 1)
    spread: SingleArray = blocks[rows][:, cols]
    return spread


def _one_to_a_place(found: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Keep the strongest of candidates that overlap, and none in the halo that a stronger one's filter makes."""
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda c: -c.strength):
        for other in kept:
            away = math.hypot(candidate.x - other.x, candidate.y - other.y)
            if away < max(candidate.diameter_px, other.diameter_px) / 2 + 1:
                break
            is_halo = candidate.depth * other.depth < 0 and abs(candidate.depth) < 0.3 * abs(other.depth)
            if is_halo and away < 1.5 * (candidate.diameter_px + other.diameter_px):
                break
        else:
            kept.append(candidate)
    return tuple(kept)
