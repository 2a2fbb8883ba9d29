"""A rim of a round field that is brighter or darker than the field all around, such as the edge glow of a tube."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.field_circle import BrightField

SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

RAYS = 720
SHARE = 0.9  # of the radius, beyond which a rim is sought
RIM = 0.03  # of the light, that a rim departs by at least
EVEN = 0.01  # of the light: where less departs the rim is over
LEAST_RAYS = 90  # to a ring, that run in the picture


@dataclass(frozen=True, slots=True)
class Rim:
    """Where a rim begins, in pixels from the middle of the field, and how much it departs at most, over the light."""

    begins_px: float
    departs: float


def rim_of(relief: SingleArray, inside: BoolArray, field: BrightField) -> Rim | None:
    """Find the rim of a flattened round field, or say that it has none.

    Parameters
    ----------
    relief : ndarray of shape (rows, cols)
        The picture over its smooth part less 1.
    inside : ndarray of shape (rows, cols), bool
        Where the relief tells of the field.
    field : BrightField
        In pixels of the relief.

    Notes
    -----
    The median over 720 rays at every pixel of the outer tenth of the radius: no spot is seen in it, and what goes round
    is. From the border inwards a rim lasts as long as it departs by more than 1 %, and is one if it reaches 3 %. What
    goes on to within nine tenths of the radius is no rim but a part of the shading.
    """
    if not field.is_round:
        return None
    r = np.arange(SHARE * field.radius_px, field.radius_px, 1.0)
    angles = np.arange(RAYS) * 2 * math.pi / RAYS
    x = np.rint(field.x + np.outer(r, np.cos(angles))).astype(np.intp)
    y = np.rint(field.y + np.outer(r, np.sin(angles))).astype(np.intp)
    is_seen = (x >= 0) & (x < relief.shape[1]) & (y >= 0) & (y < relief.shape[0])
    is_seen[is_seen] = inside[y[is_seen], x[is_seen]]
    begins, departs = math.inf, 0.0
    for ring in reversed(np.flatnonzero(is_seen.sum(axis=1) >= LEAST_RAYS)):
        own = is_seen[ring]
        median = float(np.median(relief[y[ring, own], x[ring, own]]))
        if abs(median) < EVEN:
            return Rim(begins, departs) if abs(departs) >= RIM else None
        begins, departs = float(r[ring]), max(departs, median, key=abs)
    return None
