"""The view of a chart: the whole picture, or what lies within the border of a round field."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.fields.field_circle import BrightField, find_field

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DIMMED: Final = 2.5  # standard deviations of the border's blur, within which it takes 0.6 % of the light, or more
LEAST_RADIUS: Final = 0.2  # of the picture's shorter side; bright marks of three rows are smaller
MOST_OFF_CIRCLE: Final = 0.015  # of the radius: bright sheets before a dark room lie off by 0.026 and more
GROUND_BLOCKS: Final = 3_000  # the ground under the marks is smooth; more blocks only cost time
GROUND_REACH: Final = 0.16  # of the picture, over which its ground is told


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """What a picture shows of a chart.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Exposure. Beyond the border of a round field the light within goes on, without marks.
    is_lit : ndarray of bool, of the same shape, or None
        Within that border, clear of its blur; None where all of the picture is.
    field : BrightField or None
        The round field.
    """

    light: FloatArray
    is_lit: BoolArray | None = None
    field: BrightField | None = None

    def room_px(self, places: FloatArray) -> FloatArray:
        """Return how many pixels each place, of shape (n, 2), lies within the view; negative beyond its border."""
        size = np.array(self.light.shape[::-1], dtype=np.float64)
        room = np.asarray(np.minimum(places, size - 1 - places).min(axis=1), dtype=np.float64)
        return room if self.field is None else np.minimum(room, _room_in_field(self.field, *places.T))

    def lit_only(self, values: FloatArray) -> FloatArray:
        """Return values of pixels, of shape (rows, cols), with NaN beyond the border of a round field."""
        return values if self.is_lit is None else np.where(self.is_lit, values, np.nan)

    def of_lit(self, values: FloatArray) -> FloatArray:
        """Return values of lit pixels, of any shape: all where all are lit."""
        return values if self.is_lit is None else values[self.is_lit]


def view_of(image: FloatArray) -> ChartView:
    """Return the view of a chart in a picture, of shape (rows, cols) in exposure.

    Notes
    -----
    The border of a round field, as a tube has it, bends the ground under the marks beside it and cuts others. Without
    a view, marks with their rim within 8 px of it were placed 0.06 px (rms) farther in, cut ones counted, and lines
    were read on beyond it: 2 u held 68 of 100 charts of dots in such a field, and 13 of lines, five of which were
    refused. Now it holds 97 and 92 (60 of each), and the root mean square of the error over u is 0.97 and 1.23.

    Assumes a field brighter than what lies beyond it (`find_field`). Of a chart of squares the border is seen up to
    2 px too far in, where dark ones lie beside it.
    """
    field = find_field(image)
    if field is None or not _is_of_view(field, image):
        return ChartView(light=image)
    rows, cols = np.ogrid[: image.shape[0], : image.shape[1]]
    is_lit = np.asarray(_room_in_field(field, *np.broadcast_arrays(cols, rows)) > 0, dtype=np.bool_)
    return ChartView(light=_continued(image, is_lit), is_lit=is_lit, field=field)


def _is_of_view(field: BrightField, image: FloatArray) -> bool:
    """Say whether a field is that in which a chart is seen, not a mark of it, nor the sheet that it is printed on."""
    is_large = field.radius_px > LEAST_RADIUS * min(image.shape)
    return field.is_round and is_large and field.off_circle_px < MOST_OFF_CIRCLE * field.radius_px


def block_px(image: FloatArray) -> int:
    """Return the side of the blocks over whose means the ground of a picture is told."""
    return max(1, round(math.sqrt(image.size / GROUND_BLOCKS)))


def block_means(image: FloatArray) -> FloatArray:
    """Return the means of whole square blocks, of shape (rows / `block_px`, cols / `block_px`)."""
    block = block_px(image)
    rows, cols = (side // block * block for side in image.shape)
    return np.asarray(image[:rows, :cols].reshape(rows // block, block, cols // block, block).mean(axis=(1, 3)))


def ground_reach(blocks: FloatArray) -> int:
    """Return over how many blocks, an odd number, the ground is told."""
    return int(max(3, round(GROUND_REACH * min(blocks.shape)))) | 1


def spread_over(blocks: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Return values of blocks drawn out over a picture."""
    zoom = ndimage.zoom(blocks, (shape[0] / blocks.shape[0], shape[1] / blocks.shape[1]), order=1)
    return np.asarray(zoom[: shape[0], : shape[1]], dtype=np.float64)


def _room_in_field(field: BrightField, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return how far places lie within the border of a round field, clear of its blur, in pixels."""
    within = (1 - np.hypot(*field.over_radius(x, y))) * field.radius_px
    return np.asarray(within - DIMMED * field.edge_px, dtype=np.float64)


def _continued(image: FloatArray, is_lit: BoolArray) -> FloatArray:
    """Return the picture with the usual light beside its field's border going on beyond it."""
    is_whole = block_means(is_lit.astype(np.float64)) == 1
    if not is_whole.any():
        return image
    blocks = block_means(image)
    nearest = ndimage.distance_transform_edt(~is_whole, return_distances=False, return_indices=True)
    usual = ndimage.median_filter(blocks[tuple(nearest)], ground_reach(blocks))
    return np.where(is_lit, image, spread_over(ndimage.gaussian_filter(usual, 1.0), image.shape))
