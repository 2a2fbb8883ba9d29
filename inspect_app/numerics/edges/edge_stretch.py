"""What else lies in an edge's region: rows beyond the edge's end, and neighbours beside it."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.edges.edge_line import EdgeCurve, EdgePixels, pixels_near
from inspect_app.numerics.edges.edge_surface import EdgeSurface

FloatArray = npt.NDArray[np.float64]

REACH_PX: Final = 24.0
NEAR_PX: Final = 4.0  # closer to the edge its own blur shows
SURE: Final = 3.0  # standard uncertainties
SURE_OF_BLOCK: Final = 4.0  # likewise, of one among 48: with 3, two of 54 edges at an SNR of 1 to 12 were refused
ROWS_TOGETHER: Final = 9
CLEARANCE_PX: Final = 6  # from a corner: its blur and halo
USUAL: Final = 0.75  # quantile of the heights of all rows that counts as the edge's own height
LEAST_HEIGHT: Final = 0.5  # of the usual height; beyond a corner both sides are alike
NEAREST_SIDE_PX: Final = 1.0  # a row whose edge runs closer shows one side only
FEWEST_CROSSED: Final = 16
MOST_CROSSED: Final = 0.6  # of the rows; with more, the fit takes the region as it is
BLOCKS_DOWN: Final = 6
BLOCK_ACROSS_PX: Final = 6.0
FEWEST_IN_BLOCK: Final = 12
LEAST_TOLD: Final = 1e-3  # of the height: departures that count alike
TURNS: Final = 15  # of weighing anew: twice as many move no departure by more than 0.01
FEWEST_ON_A_STRIP: Final = 20
SIGMAS_OF_SIDES: Final = 8.0  # of a soft edge's blur: a neighbour farther off is no part of it
STEADY: Final = 1e-9  # of the trace: blocks on one side of few rows do not tell the changes apart


def clean_rows(image: FloatArray, curve: EdgeCurve) -> tuple[int, int]:
    """Find the longest stretch of rows in which an edge stands as high as it usually does.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    curve : EdgeCurve
        Where the edge runs.

    Returns
    -------
    tuple of int
        First row, and the one after the last: all rows where nothing speaks against any, otherwise clear of what ends
        the edge by `CLEARANCE_PX`.

    Notes
    -----
    The height of each nine rows is the mean from 4 to 24 px on the bright side less that on the dark side; rows are
    left out where it lies below half the usual height by more than three standard uncertainties.
    """
    rows = image.shape[0]
    pixels = pixels_near(curve, image.shape, REACH_PX)
    bright, bright_u = _side_level(image, pixels, pixels.distance_px > NEAR_PX)
    dark, dark_u = _side_level(image, pixels, pixels.distance_px < -NEAR_PX)
    height, doubt = bright - dark, SURE * np.hypot(bright_u, dark_u)
    known = np.isfinite(height)
    if not np.any(known):
        return 0, rows
    usual = float(np.quantile(height[known], USUAL))
    return longest_stretch(~known | (height + doubt >= LEAST_HEIGHT * usual))


def crossed_rows(shape: tuple[int, int], curve: EdgeCurve) -> tuple[int, int]:
    """Find the rows that an edge crosses where it leaves a narrow region by both of its sides.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the region, with a near-vertical edge in it.
    curve : EdgeCurve
        Where the edge runs.

    Returns
    -------
    tuple of int
        First row, and the one after the last; all rows where most of them are crossed, or fewer than 16.
    """
    rows, cols = shape
    column = curve.column(np.arange(rows, dtype=np.float64))
    inside = np.flatnonzero((column > NEAREST_SIDE_PX) & (column < cols - 1 - NEAREST_SIDE_PX))
    if not FEWEST_CROSSED <= inside.size < MOST_CROSSED * rows:
        return 0, rows
    return int(inside[0]), int(inside[-1]) + 1


def longest_stretch(is_clean: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Return the longest run of clean rows, its ends withdrawn from rows that are not."""
    rows = is_clean.size
    labels, count = ndimage.label(is_clean)
    if count == 0:
        return 0, 0
    longest = 1 + int(np.argmax(np.bincount(labels)[1:]))
    inside = np.flatnonzero(labels == longest)
    first, stop = int(inside[0]), int(inside[-1]) + 1
    return first + (CLEARANCE_PX if first > 0 else 0), stop - (CLEARANCE_PX if stop < rows else 0)


def _side_level(image: FloatArray, pixels: EdgePixels, side: npt.NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard uncertainty of one side about each row, NaN where it has no pixels; shape (rows,)."""
    row, values = pixels.row[side], image[pixels.row[side], pixels.col[side]]
    count, total, square = (
        ROWS_TOGETHER
        * ndimage.uniform_filter1d(
            np.bincount(row, values**power, minlength=image.shape[0]), ROWS_TOGETHER, mode="constant"
        )
        for power in (0, 1, 2)
    )
    some = np.where(count > 0.5, count, np.nan)
    mean = total / some
    return mean, np.sqrt(np.maximum(square / some - mean**2, 0.0) / some)


def largest_departure(image: FloatArray, surface: EdgeSurface) -> float:
    """Return how far any part of a region lies off its fitted edge, as a share of the edge's height.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    surface : EdgeSurface
        As fitted to it.

    Returns
    -------
    float
        Largest departure of the mean of a block (a sixth of the rows, 6 px across) from the level of its side, less
        four standard uncertainties; 0 where none is sure. Blocks within the edge's own blur are left out.

    Notes
    -----
    Light that changes evenly across the edge, or falls off into the corners of a region, is no departure, and neither
    is a wide halo, which looks like it: what most blocks share of four such changes (least absolute deviations) is
    taken out first. With the change across alone, 11 of 400 edges were refused where vignetting by the fourth power of
    the cosine takes 50 to 75 % of the light within a small region, now none; of 240 regions with a second edge 161 lay
    off by more than 0.13, now 176. A square of the distance across among the changes would hide 50 of them.
    """
    pixels = pixels_near(surface.curve, image.shape, REACH_PX)
    far = np.abs(pixels.distance_px) > NEAR_PX + 3 * surface.sigma_px
    if not np.any(far):
        return 0.0
    values = (image[pixels.row, pixels.col] / surface.light(pixels))[far]
    s, t = pixels.distance_px[far], pixels.t[far]
    dark, bright = surface.levels(t)
    level = np.where(s > 0, bright, dark)
    across = math.ceil(2 * REACH_PX / BLOCK_ACROSS_PX)
    down = np.minimum(((t + 1) / 2 * BLOCKS_DOWN).astype(np.int64), BLOCKS_DOWN - 1)
    place = down * across + np.minimum(((s + REACH_PX) / BLOCK_ACROSS_PX).astype(np.int64), across - 1)
    count = np.bincount(place)
    is_full = count >= FEWEST_IN_BLOCK
    if not np.any(is_full):
        return 0.0
    changes, residual = level * _changes(s / REACH_PX, t), values - level
    total, square, *changed = (
        np.bincount(place, weight)[is_full] / count[is_full] for weight in (residual, residual**2, *changes)
    )
    doubt = np.sqrt(np.maximum(square - total**2, 0.0) / count[is_full])
    height = surface.bright[0] - surface.dark[0]
    off = _unshared(np.array(changed), total, np.sqrt(count[is_full]), LEAST_TOLD * height)
    return max(0.0, float(np.max(np.abs(off) - SURE_OF_BLOCK * doubt))) / height


def turning_of_sides(image: FloatArray, surface: EdgeSurface) -> tuple[float, float]:
    """Return how far the light of a region's sides turns, and how fast it changes across the edge.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    surface : EdgeSurface
        As fitted to it.

    Returns
    -------
    tuple of float
        Over the height of the edge: the largest departure of a strip's mean from a straight line through its side, less
        three standard errors; and the steeper side's change over one standard deviation of the blur. 0 where a side
        shows too little.

    Notes
    -----
    Strips are 6 px wide and run along the edge, from beyond its blur to 8 standard deviations and 6 px, or 24 px, away.
    An edge has even sides there, and what is soft by itself goes on. Of 800 edges (those of the check's own bench, and
    of contrasts from 1.3 on, under strong shading, of blurs up to 6 px) none turned by more than 0.007 or changed by
    more than 0.030; of 28 waves, stripes and ridges that passed for edges 21 turned by more than 0.03 or changed by
    more than 0.045. Looking as far as the region goes, or as 12 standard deviations, told no more than one or two waves
    more, and took neighbours for a part of the wave: of 120 bars with a second edge 30 to 110 px off it refused 7, this
    one 1.
    """
    pixels = pixels_near(surface.curve, image.shape, max(REACH_PX, 6 + SIGMAS_OF_SIDES * surface.sigma_px))
    dark, bright = surface.levels(pixels.t)
    level = (image[pixels.row, pixels.col] - dark) / (bright - dark)
    beyond_px = NEAR_PX + 3 * surface.sigma_px
    turns, change = 0.0, 0.0
    for sign in (-1.0, 1.0):
        past_px = sign * pixels.distance_px - beyond_px
        is_own = past_px > 0
        strip = (past_px[is_own] / BLOCK_ACROSS_PX).astype(np.int64)
        count, total, square = (np.bincount(strip, level[is_own] ** power) for power in (0, 1, 2))
        is_full = count >= FEWEST_ON_A_STRIP
        if np.count_nonzero(is_full) < 2:
            continue
        mean, place = total[is_full] / count[is_full], np.flatnonzero(is_full)
        doubt = np.sqrt(np.maximum(square[is_full] / count[is_full] - mean**2, 0.0) / count[is_full])
        away = place - place.mean()
        slope = float(away @ mean / (away @ away))
        slope_doubt = math.sqrt(float(away**2 @ doubt**2)) / float(away @ away)
        turns = max(turns, float(np.max(np.abs(mean - mean.mean() - slope * away) - SURE * doubt)))
        change = max(change, (abs(slope) - SURE * slope_doubt) / BLOCK_ACROSS_PX * surface.sigma_px)
    return turns, change


def _changes(across: FloatArray, along: FloatArray) -> FloatArray:
    """Return changes of light that are no second edge, for places from -1 to 1, of shape (4, n)."""
    return np.stack([across, across * along, across * along**3, (across * along) ** 2])


def _unshared(changes: FloatArray, off: FloatArray, sureness: FloatArray, least: float) -> FloatArray:
    """Return departures less what most of them share with some changes: least absolute deviations, weighed anew."""
    weight, rest = sureness, off
    for _ in range(TURNS):
        scaled = changes * weight
        normal = scaled @ changes.T
        normal[np.diag_indices_from(normal)] += STEADY * np.trace(normal) + np.finfo(np.float64).tiny
        rest = np.asarray(off - changes.T @ np.linalg.solve(normal, scaled @ off), dtype=np.float64)
        weight = sureness / np.maximum(np.abs(rest), least)
    return rest
