"""The spread of an edge: all its pixels in order of their distance, and the e-SFR of ISO 12233 from it."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.edges.clipped_noise import ClippedNoise
from inspect_app.numerics.edges.edge_line import pixels_near
from inspect_app.numerics.edges.edge_surface import EdgeSurface

FloatArray = npt.NDArray[np.float64]

BINS_PER_PX: Final = 8  # half of the finest detail of a pixel's own aperture lost: under 0.1 % at 1 cy/px
COARSE_BINS_PER_PX: Final = 2
BINS_PER_PX_OF_ISO: Final = 4  # ISO 12233:2014, 6.2.4
HIGHEST_CORRECTION: Final = 10.0  # cap of the derivative correction, ISO 12233:2014, 6.2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLevels:
    """The pixels near an edge, each array of shape (n,).

    Parameters
    ----------
    distance_px : ndarray
        Along the normal, in pixels, positive on the bright side.
    level : ndarray
        0 is the dark side, 1 the bright side, as the surface fit placed them.
    variance : ndarray
        Of each level, from the noise of single pixels.
    reach_px : float
        No pixel lies farther from the edge.
    """

    distance_px: FloatArray
    level: FloatArray
    variance: FloatArray
    reach_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSpread:
    """The level of an edge over the distance from it, binned.

    Parameters
    ----------
    distance_px : ndarray of shape (bins,)
        Mean distance of the pixels of each bin along the normal, in pixels, ascending.
    level : ndarray of shape (bins,)
        As in `EdgeLevels`.
    variance : ndarray of shape (bins,)
        Of each level.
    """

    distance_px: FloatArray
    level: FloatArray
    variance: FloatArray


def edge_levels(image: FloatArray, surface: EdgeSurface, noise: ClippedNoise, *, reach_px: float) -> EdgeLevels:
    """Bring the pixels near an edge to one scale.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    surface : EdgeSurface
        As fitted to the same region.
    noise : ClippedNoise
        Levels and noise before clipping.
    reach_px : float
        Pixels farther than this from the edge are left out.

    Returns
    -------
    EdgeLevels
        Pixels more than six standard deviations (and what the edge may rise within a quarter of a pixel) off the median
        of their quarter of a pixel are left out too: hot pixels and dust.
    """
    pixels = pixels_near(surface.curve, image.shape, reach_px)
    s = pixels.distance_px
    dark, bright = surface.levels(pixels.t)
    height = bright - dark
    level = (image[pixels.row, pixels.col] / surface.light(pixels) - dark) / height
    share = np.clip(special.ndtr(s / math.hypot(surface.sigma_px, 0.29)), 0.0, 1.0)
    variance = noise.variance(noise.dark + (noise.bright - noise.dark) * share) / height**2
    kept = ~_outliers(level, variance, _places(s, reach_px, BINS_PER_PX_OF_ISO, math.inf))
    return EdgeLevels(distance_px=s[kept], level=level[kept], variance=variance[kept], reach_px=reach_px)


def edge_spread(levels: EdgeLevels, *, bins_per_px: int = BINS_PER_PX, fine_within_px: float = math.inf) -> EdgeSpread:
    """Project the pixels near an edge into bins of distance.

    Parameters
    ----------
    levels : EdgeLevels
        The pixels.
    bins_per_px : int
        Bins per pixel of distance.
    fine_within_px : float
        Beyond this distance, where nothing is steep, bins are half a pixel wide.

    Returns
    -------
    EdgeSpread
        Each bin is the mean of its pixels, weighed by their variances; empty bins are left out.
    """
    place = _places(levels.distance_px, levels.reach_px, bins_per_px, fine_within_px)
    weight = 1 / levels.variance
    total = np.bincount(place, weight)
    filled = total > 0
    total = total[filled]
    return EdgeSpread(
        distance_px=np.bincount(place, weight * levels.distance_px)[filled] / total,
        level=np.bincount(place, weight * levels.level)[filled] / total,
        variance=1 / total,
    )


def _places(s: FloatArray, reach_px: float, bins_per_px: int, fine_within_px: float) -> npt.NDArray[np.int64]:
    """Return the bin of each distance."""
    if fine_within_px >= reach_px:
        return np.floor((s + reach_px) * bins_per_px).astype(np.int64)
    coarse = np.abs(s) - fine_within_px
    outer = np.floor(np.maximum(coarse, 0.0) * COARSE_BINS_PER_PX)
    fine = np.floor(np.clip(s, -fine_within_px, fine_within_px * (1 - 1e-12)) * bins_per_px)
    place = np.where(coarse >= 0, np.sign(s) * (outer + math.ceil(fine_within_px * bins_per_px) + 1), fine)
    return np.asarray(place - place.min(), dtype=np.int64)


def _outliers(level: FloatArray, variance: FloatArray, place: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    order = np.lexsort((level, place))
    first = np.searchsorted(place[order], np.arange(place.max() + 1))
    last = np.append(first[1:], place.size)
    middle = level[order][np.minimum((first + last) // 2, place.size - 1)]
    off = np.abs(level - middle[place]) / np.sqrt(variance + 1e-12)
    crowded = (last - first)[place] >= 5
    allowed = 6.0 + 0.15 / np.sqrt(variance + 1e-12)
    return np.asarray(crowded & (off > allowed), dtype=np.bool_)


def spatial_frequency_response(spread: EdgeSpread, frequency_cy_px: FloatArray) -> FloatArray:
    """Return the e-SFR of an edge spread that was binned at four bins a pixel.

    Parameters
    ----------
    spread : EdgeSpread
        Binned along the normal, so that its frequencies are along the normal too.
    frequency_cy_px : ndarray
        Where the response is wanted, in cycles per pixel.

    Returns
    -------
    ndarray
        Response, 1 at zero frequency.

    Notes
    -----
    Derivative [-1/2, 0, 1/2], Hamming window centred on the line spread's centroid, discrete Fourier transform, and
    division by the derivative's own response sin(2 pi f T) / (2 pi f T), T = 1/4 px, at most tenfold. Distances are
    taken along the normal, which is the cosine correction; left out, it costs 3.4 % at 15 degrees of tilt. Noise power
    lifts the curve at high frequencies, and bins of a quarter pixel lower it by sinc(f / 4): see `edge_response` for
    the estimate without either.

    References
    ----------
    ISO 12233:2014, 6.2.4 and 6.2.5 (excerpts).
    """
    step = 1 / BINS_PER_PX_OF_ISO
    grid = np.arange(math.ceil(spread.distance_px[0] / step), math.floor(spread.distance_px[-1] / step) + 1) * step
    even = np.interp(grid, spread.distance_px, spread.level)
    line = np.zeros_like(even)
    line[1:-1] = 0.5 * (even[2:] - even[:-2])
    centre = float(grid[int(np.argmax(np.convolve(line, np.ones(5), mode="same")))])
    half = max(grid[-1] - centre, centre - grid[0])
    window = np.where(np.abs(grid - centre) <= half, 0.54 + 0.46 * np.cos(math.pi * (grid - centre) / half), 0.0)
    phases = np.exp(-2j * math.pi * np.outer(frequency_cy_px, grid))
    response = np.abs(phases @ (line * window)) / np.sum(line * window)
    correction = 1 / np.maximum(np.abs(np.sinc(2 * frequency_cy_px * step)), 1 / HIGHEST_CORRECTION)
    return np.asarray(response * correction, dtype=np.float64)
