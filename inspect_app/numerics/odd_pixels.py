"""Single pixels that are dead in light or hot in darkness."""

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
PixelArray = npt.NDArray[np.intp]

DEAD_LEVEL = 0.5  # of the neighbours' median (common practice, no source)
HOT_LIMIT = 6.0  # robust standard deviations (common practice, no source)
NEIGHBOURS_REACH_PX = 3
BLOCK_PX = 32
LARGEST_CLUSTER_PX = 9  # a cluster of more pixels is a spot
NEIGHBOUR_SHARE = 0.25  # a point that a lens has drawn gives its neighbours more than this of its own depth


def dead_pixels(image: FloatArray, level: npt.NDArray[np.floating], inside: BoolArray) -> PixelArray:
    """Find pixels that stay below half of their neighbours' level in a bright field.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    level : ndarray of shape (rows, cols)
        Smooth part of the picture.
    inside : ndarray of shape (rows, cols), bool

    Returns
    -------
    ndarray of shape (n, 2)
        Row and column of each.

    Notes
    -----
    Candidates lie below half of the smooth level. They are joined to clusters of 8-connected pixels; a cluster of at
    most 9 pixels counts none of whose four-connected neighbours loses a quarter of what it loses itself. A dust speck
    or a fibre fault is drawn by a lens and shades its neighbours too.
    """
    low = (image < DEAD_LEVEL * level) & inside
    return _isolated(low, 1 - image / np.maximum(level, 1e-12) if low.any() else image)


def stuck_bright_pixels(image: FloatArray, level: npt.NDArray[np.floating], inside: BoolArray) -> PixelArray:
    """Find single pixels that exceed their neighbours by half of the level or more in a bright field, as (n, 2)."""
    high = (image > (2 - DEAD_LEVEL) * level) & inside
    return _isolated(high, image / np.maximum(level, 1e-12) - 1 if high.any() else image)


def _isolated(odd: BoolArray, change: FloatArray) -> PixelArray:
    places = np.argwhere(odd)
    if len(places) == 0:
        return np.zeros((0, 2), dtype=np.intp)
    kept = []
    for cluster in _clusters(places, odd.shape):
        if len(cluster) > LARGEST_CLUSTER_PX:
            continue
        top, left = np.maximum(cluster.min(axis=0) - 1, 0)
        bottom, right = np.minimum(cluster.max(axis=0) + 2, odd.shape)
        own_part = odd[top:bottom, left:right]
        around = ndimage.binary_dilation(own_part) & ~own_part
        own = float(change[cluster[:, 0], cluster[:, 1]].mean())
        near = float(np.max(change[top:bottom, left:right][around])) if around.any() else 0.0
        if near < NEIGHBOUR_SHARE * own:
            kept.append(cluster)
    return np.concatenate(kept) if kept else np.zeros((0, 2), dtype=np.intp)


def _clusters(places: PixelArray, shape: tuple[int, ...]) -> list[PixelArray]:
    """Join places that touch, also by corners."""
    if len(places) > 200_000:
        return []
    odd = np.zeros(shape, dtype=bool)
    odd[places[:, 0], places[:, 1]] = True
    names, count = ndimage.label(odd, np.ones((3, 3), dtype=bool))
    name = names[places[:, 0], places[:, 1]]
    order = np.argsort(name, kind="stable")
    borders = np.searchsorted(name[order], np.arange(2, count + 1))
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
    A pixel counts that exceeds the median of the 7 x 7 pixels around it by 6 robust standard deviations of its block.
    Row medians are taken out first, since a row's own offset is no pixel's fault.
    """
    even = dark - np.median(dark, axis=1)[:, None]
    noise = np.maximum(_block_noise(even), noise_floor)
    rows, cols = np.nonzero(even > HOT_LIMIT * 0.8 * noise)
    kept = []
    for row, col in zip(rows, cols, strict=True):
        around = even[
            max(0, row - NEIGHBOURS_REACH_PX) : row + NEIGHBOURS_REACH_PX + 1,
            max(0, col - NEIGHBOURS_REACH_PX) : col + NEIGHBOURS_REACH_PX + 1,
        ]
        limit = HOT_LIMIT * float(noise[row, col])
        if even[row, col] - float(np.median(around)) > limit:
            kept.append((row, col))
    return np.array(kept, dtype=np.intp).reshape(-1, 2)


def _block_noise(even: FloatArray) -> FloatArray:
    rows, cols = even.shape
    across, down = max(1, math.ceil(cols / BLOCK_PX)), max(1, math.ceil(rows / BLOCK_PX))
    noise = np.empty((down, across))
    for i in range(down):
        for j in range(across):
            block = even[i * BLOCK_PX : (i + 1) * BLOCK_PX, j * BLOCK_PX : (j + 1) * BLOCK_PX]
            away = np.abs(block - np.median(block))
            # Of coarse codes the median is one or two whole steps, so it only tells which pixels to take the rms of.
            noise[i, j] = float(np.sqrt(np.mean(away[away <= 5 * 1.4826 * np.median(away)] ** 2)))
    return noise[np.arange(rows) // BLOCK_PX][:, np.arange(cols) // BLOCK_PX]
