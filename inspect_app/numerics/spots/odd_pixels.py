"""Single pixels that are dead in light or hot in darkness."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse, spatial
from scipy.sparse import csgraph

from inspect_app.numerics.fields.smooth_field import SmoothField

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
PixelArray = npt.NDArray[np.intp]

DEAD_LEVEL = 0.5  # of the neighbours' median (common practice, no source)
HOT_LIMIT = 6.0  # robust standard deviations (common practice, no source)
GAUGED = 1.06  # times the limit: a block's noise is itself known to 2 %, the median of 7 x 7 pixels to 0.18 deviations
HIGHEST_HOT_LIMIT = 9.0  # however skewed the noise
UPPER_SHARE, UPPER_DEVIATIONS = 0.99, 2.326  # of normal noise, this share lies below these standard deviations
TAIL_SHARES = (0.9772, 0.8413)  # one standard deviation of normal noise lies between, though black cuts 84 % off
COARSE_STEPS = 2.0  # noise floors: with less noise there are too few codes to tell its skew
NEIGHBOURS_REACH_PX = 3
NOISE_PIXELS = 20_000  # tell the noise
STRIP_ROWS = 32  # fit a cache
BLOCK_PX = 32
MOST_PLACES = 200_000
LARGEST_CLUSTER_PX = 4  # a cluster of more pixels is a spot
NEIGHBOUR_SHARE = 0.25  # a point that a lens has drawn gives one of its neighbours more than this of its own depth
MEAN_SHARE = 0.08  # and all of them together more than this, where it is larger than a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class OddInLight:
    """Pixels that are dead, and pixels that outshine a bright field: row and column of each, shape (n, 2)."""

    dead: PixelArray
    bright: PixelArray


def odd_in_light(
    image: FloatArray, smooth: SmoothField, inside: BoolArray, *, veil: float = 0.0, noise: float = 0.0
) -> OddInLight:
    """Find pixels that stay below half of their neighbours' level in a bright field, or exceed it by half.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    smooth : SmoothField
        Smooth part of the picture, above the veil.
    inside : ndarray of shape (rows, cols), bool
    veil : float
        Level that the picture has where no light falls.
    noise : float
        Robust standard deviation of a pixel about the smooth level, relative to it.

    Notes
    -----
    Candidates depart by half of the smooth level. They are joined to clusters of 8-connected pixels; a cluster of at
    most 4 pixels counts none of whose four-connected neighbours departs by a quarter of what it does itself; of two
    pixels and more the neighbours must not depart by 8 % in the mean either. A dust speck or a fibre fault is drawn by
    a lens and shades its neighbours too.
    """
    kept = _isolated(_departing(image, smooth, inside, veil), image, smooth, veil, HOT_LIMIT * noise)
    is_dead = image[kept[:, 0], kept[:, 1]] < _levels(smooth, kept) + veil
    return OddInLight(dead=kept[is_dead], bright=kept[~is_dead])


def _levels(smooth: SmoothField, pixels: PixelArray) -> FloatArray:
    return smooth.at(pixels[:, 1].astype(np.float64), pixels[:, 0].astype(np.float64))


def _departing(image: FloatArray, smooth: SmoothField, inside: BoolArray, veil: float) -> PixelArray:
    """Return the places at which the picture departs by half of the level.

    First by what the level of each strip lies between, and only in the columns whose extremes reach that far.
    """
    found = [np.zeros((0, 2), dtype=np.intp)]
    for top, least, most in smooth.bounds(STRIP_ROWS):
        strip = slice(top, top + STRIP_ROWS)
        light = image[strip]
        low, high = DEAD_LEVEL * most + veil, (2 - DEAD_LEVEL) * least + veil
        cols = np.flatnonzero((light.min(axis=0) < low) | (light.max(axis=0) > high))
        cols = cols[inside[strip, cols].any(axis=0)]
        light = light[:, cols]
        row, place = np.nonzero(((light < low[cols]) | (light > high[cols])) & inside[strip, cols])
        found.append(np.column_stack([row + top, cols[place]]))
    near = np.concatenate(found)
    level = _levels(smooth, near)
    return near[np.abs(image[near[:, 0], near[:, 1]] - veil - level) > (1 - DEAD_LEVEL) * level]


def noise_of(image: FloatArray, smooth: SmoothField, inside: BoolArray, *, veil: float = 0.0) -> float:
    """Return the robust standard deviation of a pixel about the smooth level, relative to it, from some of them."""
    every = max(1, int(np.sqrt(inside.size / NOISE_PIXELS)))
    pixels = every * np.argwhere(inside[::every, ::every])
    if len(pixels) == 0:
        return 0.0
    departs = (image[pixels[:, 0], pixels[:, 1]] - veil) / np.maximum(_levels(smooth, pixels), 1e-12) - 1
    return 1.4826 * float(np.median(np.abs(departs)))


def _isolated(
    places: PixelArray, image: FloatArray, smooth: SmoothField, veil: float, least_change: float
) -> PixelArray:
    if len(places) == 0:
        return np.zeros((0, 2), dtype=np.intp)
    kept = []
    for cluster in clusters_of(places):
        if len(cluster) > LARGEST_CLUSTER_PX:
            continue
        top, left = np.maximum(cluster.min(axis=0) - 1, 0)
        bottom, right = np.minimum(cluster.max(axis=0) + 2, image.shape)
        own_part = np.zeros((bottom - top, right - left), dtype=bool)
        own_part[cluster[:, 0] - top, cluster[:, 1] - left] = True
        around = ndimage.binary_dilation(own_part) & ~own_part
        level = float(_levels(smooth, cluster[:1])[0])
        change = (image[top:bottom, left:right] - veil) / max(level, 1e-12) - 1
        own = float(change[own_part].mean())
        near = change[around] * np.sign(own)
        is_drawn = near.max(initial=0.0) >= NEIGHBOUR_SHARE * abs(own)
        is_drawn |= len(cluster) > 1 and near.mean() >= MEAN_SHARE * abs(own)
        if not is_drawn and abs(own) >= least_change:
            kept.append(cluster)
    return np.concatenate(kept) if kept else np.zeros((0, 2), dtype=np.intp)


def clusters_of(places: PixelArray) -> list[PixelArray]:
    """Join places that touch, also by corners, to clusters of shape (n, 2); of more than 200 000 places to none."""
    if len(places) > MOST_PLACES:
        return []
    pairs = spatial.cKDTree(places).query_pairs(1.5, output_type="ndarray")
    ones = np.ones(len(pairs), dtype=bool)
    graph = sparse.coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(places), len(places)))
    count, names = csgraph.connected_components(graph, directed=False)
    order = np.argsort(names, kind="stable")
    borders = np.searchsorted(names[order], np.arange(1, count))
    return list(np.split(places[order], borders))


def hot_pixels(dark: FloatArray, *, noise_floor: float) -> PixelArray:
    """Find pixels that glow in darkness.

    Parameters
    ----------
    dark : ndarray of shape (rows, cols)
        Mean of the dark frames.
    noise_floor : float
        Least standard deviation to reckon with: that of rounding to codes.

    Returns
    -------
    ndarray of shape (n, 2)
        Row and column of each.

    Notes
    -----
    A pixel counts that exceeds the median of the 7 x 7 pixels around it by 6 robust standard deviations of its block,
    and by 6 % more for what these are off by themselves: without, 2 of 90 pictures of another hand had one too many.
    Row medians are taken out first, since a row's own offset is no pixel's fault. Noise of few electrons is skewed, and
    reaches 6 deviations by chance in one of a million pixels: the limit then lies as much higher as the expansion of
    Cornish and Fisher (1938, from memory) says, ``6 + (6² - 1) g / 6`` for the skewness g that the 99th percentile
    tells, at most 9. Where about half of a block or more, up to 84 %, lies at black, which cuts noise off, its upper
    tail tells the noise: of a frame cut off at its mean 4 in 100 pixels were taken for hot before.
    """
    even = dark - np.median(dark, axis=1)[:, None]
    noise = np.maximum(_block_noise(even, noise_floor), noise_floor)
    deviations = _hot_limit(even, noise, noise_floor)
    rows, cols = np.nonzero(even > deviations * 0.8 * noise)
    kept = []
    for row, col in zip(rows, cols, strict=True):
        around = even[
            max(0, row - NEIGHBOURS_REACH_PX) : row + NEIGHBOURS_REACH_PX + 1,
            max(0, col - NEIGHBOURS_REACH_PX) : col + NEIGHBOURS_REACH_PX + 1,
        ]
        limit = GAUGED * deviations * float(noise[row, col])
        if even[row, col] - float(np.median(around)) > limit:
            kept.append((row, col))
    return np.array(kept, dtype=np.intp).reshape(-1, 2)


def _hot_limit(even: FloatArray, noise: FloatArray, noise_floor: float) -> float:
    if np.median(noise) < COARSE_STEPS * noise_floor:
        return HOT_LIMIT
    thin = (slice(None, None, 2), slice(None, None, 2))
    upper = float(np.quantile(even[thin] / np.maximum(noise[thin], 1e-30), UPPER_SHARE))
    skewness = 6 * (upper - UPPER_DEVIATIONS) / (UPPER_DEVIATIONS**2 - 1)
    return float(np.clip(HOT_LIMIT + (HOT_LIMIT**2 - 1) / 6 * skewness, HOT_LIMIT, HIGHEST_HOT_LIMIT))


def _block_noise(even: FloatArray, noise_floor: float) -> FloatArray:
    """Return the noise of the block that each pixel is in; no block is smaller than 32 pixels if the frame is not."""
    rows, cols = (_block_bounds(length) for length in even.shape)
    noise = np.empty((len(rows) - 1, len(cols) - 1))
    for i, j in np.ndindex(noise.shape):
        block = even[rows[i] : rows[i + 1], cols[j] : cols[j + 1]]
        away = np.abs(block - np.median(block))
        # Of coarse codes the median is a few whole steps or none, so it only tells which pixels to take the rms of.
        spread = 1.4826 * float(np.median(away))
        places = [int(share * (block.size - 1)) for share in TAIL_SHARES]
        tail = float(np.subtract(*np.partition(block, places, axis=None)[places]))
        reach = 5 * max(spread, noise_floor)
        is_cut = tail > max(2 * spread, 2 * COARSE_STEPS * noise_floor)
        noise[i, j] = tail if is_cut else float(np.sqrt(np.mean(away[away <= reach] ** 2)))
    return np.repeat(np.repeat(noise, np.diff(rows), axis=0), np.diff(cols), axis=1)


def _block_bounds(length: int) -> PixelArray:
    bounds: PixelArray = np.linspace(0, length, max(1, length // BLOCK_PX) + 1).astype(np.intp)
    return bounds
