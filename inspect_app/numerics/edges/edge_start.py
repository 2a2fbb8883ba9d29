"""Where the descent to an edge's surface begins: the levels of both sides, and a blur that is about right."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.edges.edge_line import EdgeCurve, pixels_near

FloatArray = npt.NDArray[np.float64]

MOST_FIRST_PIXELS: Final = 3_000  # for the first look at the blur; more only cost time
SIGMAS_TRIED_PX: Final = (0.6, 1.0, 1.6, 2.5, 4.0, 6.5, 10.0)
WIDEST_WINDOW_PX: Final = 48.0  # pixels farther from the edge say nothing about it
FEWEST_ON_A_SIDE: Final = 30


def first_levels(image: FloatArray, curve: EdgeCurve) -> FloatArray:
    """Return first levels of a surface's descent: those of both sides, everything else nought.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    curve : EdgeCurve
        Where it runs, about.

    Returns
    -------
    ndarray of shape (7,)
        Dark, its change along the edge, bright, its change, and three parts of shading.

    Raises
    ------
    NothingToMeasure
        The edge runs along the border, or both sides are alike.
    """
    pixels = pixels_near(curve, image.shape, WIDEST_WINDOW_PX)
    z = image[pixels.row, pixels.col]
    dark, bright = z[pixels.distance_px < -3], z[pixels.distance_px > 3]
    if min(dark.size, bright.size) < FEWEST_ON_A_SIDE:
        raise NothingToMeasure(
            "region", "the edge runs along its border", "Choose a region with the edge through its middle."
        )
    levels = np.array([np.median(dark), 0.0, np.median(bright), 0.0, 0.0, 0.0, 0.0])
    if levels[2] <= levels[0]:
        raise NothingToMeasure(
            "region", "both sides of its strongest edge are alike", "Choose a region with one edge across it."
        )
    return levels


def first_sigma(image: FloatArray, curve: EdgeCurve, levels: FloatArray) -> float:
    """Return which of a few blurs is most like that of an edge between given levels, in pixels."""
    pixels = pixels_near(curve, image.shape, 0.5 * WIDEST_WINDOW_PX)
    some = slice(None, None, 1 + pixels.row.size // MOST_FIRST_PIXELS)
    distance = pixels.distance_px[some]
    level = (image[pixels.row[some], pixels.col[some]] - levels[0]) / (levels[2] - levels[0])

    def misfit(sigma: float) -> float:
        return float(np.sum((level - special.ndtr(distance / sigma)) ** 2))

    return min(SIGMAS_TRIED_PX, key=misfit)
