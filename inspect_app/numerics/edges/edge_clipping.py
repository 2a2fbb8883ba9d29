"""How the bright side of an edge is clipped: evenly, by its noise, or in one place, where the light is strongest."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.edges.edge_stretch import ROWS_TOGETHER, longest_stretch

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

BLOCKS_ALONG: Final = 6
FREE: Final = (0.1, 0.25)  # of a row's pixels clipped at most: what is looked for first, and what will do


def unevenness(row: npt.NDArray[np.int64], distance_px: FloatArray, is_clipped: BoolArray) -> float:
    """Return how unevenly pixels are clipped: 0 by noise alone, 1 where a part is clipped wholly and the rest not.

    Parameters
    ----------
    row : ndarray of int, shape (n,)
        Of each pixel of the bright side, from the region's first.
    distance_px : ndarray of shape (n,)
        From the edge, in pixels.
    is_clipped : ndarray of shape (n,), bool
        Which pixels stand at white.

    Notes
    -----
    The variance of the clipped share among twelve blocks (six along the edge, near and far), over that of single
    pixels, p (1 - p), less what the draw of n pixels alone adds.
    """
    share = float(np.mean(is_clipped)) if is_clipped.size else 0.0
    if not 0.0 < share < 1.0:
        return 0.0
    along = row * BLOCKS_ALONG // (int(row.max()) + 1)
    place = 2 * along + (distance_px > np.median(distance_px))
    count = np.bincount(place)
    part = np.bincount(place, is_clipped) / np.maximum(count, 1)
    between = float(count @ (part - share) ** 2) / is_clipped.size
    return max(0.0, between / (share * (1 - share)) - 2 * BLOCKS_ALONG / is_clipped.size)


def free_rows(row: npt.NDArray[np.int64], is_clipped: BoolArray, rows: int, fewest: int) -> tuple[int, int]:
    """Find the longest stretch of rows of which hardly anything is clipped, or else little.

    Parameters
    ----------
    row : ndarray of int, shape (n,)
        Of each pixel of the bright side.
    is_clipped : ndarray of shape (n,), bool
        Which of them stand at white.
    rows : int
        Of the region.
    fewest : int
        A stretch of fewer rows is none.

    Returns
    -------
    tuple of int
        First row, and the one after the last; all rows where there is no such stretch.

    Notes
    -----
    Of 240 edges under light that falls with the square of the distance, rows clipped by up to a quarter left a p90 of
    4.6 % at MTF50, rows clipped by up to a tenth 1.4 %.
    """
    count, clipped = (
        ndimage.uniform_filter1d(np.bincount(row, weights, minlength=rows).astype(np.float64), ROWS_TOGETHER)
        for weights in (None, is_clipped)
    )
    for most in FREE:
        first, stop = longest_stretch(clipped <= most * count)
        if stop - first >= fewest:
            return first, stop
    return 0, rows
