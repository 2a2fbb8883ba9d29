"""The stretch of a region that is measured: its edge fitted where nothing ends it, and both sides' pixels."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.edges.clipped_noise import at_bound
from inspect_app.numerics.edges.edge_clipping import free_rows, unevenness
from inspect_app.numerics.edges.edge_line import EdgeCurve, find_edge_curve, pixels_near
from inspect_app.numerics.edges.edge_stretch import clean_rows, crossed_rows
from inspect_app.numerics.edges.edge_surface import EdgeSurface, fit_edge_surface

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SMALLEST_PX: Final = 16  # rows or columns of a region; below it neither side shows its level
FEW_CLIPPED: Final = 0.05  # of the bright side's pixels; so few are allowed for whatever clips them
EVEN: Final = 0.1  # of `unevenness`: beyond it light, not noise, decides where pixels are clipped


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Pixels clear of the edge's blur on either side, which of the bright ones are clipped, and how far both reach."""

    dark: FloatArray
    bright: FloatArray
    bright_clipped: BoolArray
    bright_row: npt.NDArray[np.int64]
    bright_distance_px: FloatArray
    shown_px: float

    @property
    def clipped_share(self) -> float:
        """Part of the bright side's pixels at white."""
        return float(np.mean(self.bright_clipped)) if self.bright_clipped.size else 0.0

    @property
    def is_evenly_clipped(self) -> bool:
        """Whether noise alone decides which pixels are clipped, or none is."""
        return unevenness(self.bright_row, self.bright_distance_px, self.bright_clipped) < EVEN


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedStretch:
    """A stretch of a near-vertical edge: its first row and the one after the last, the fit, and both sides.

    `image` holds those rows alone; `reach_px` is how far from the edge pixels are looked at.
    """

    first: int
    stop: int
    image: FloatArray
    surface: EdgeSurface
    reach_px: float
    sides: Sides


def fit_stretch(image: FloatArray, clipped: BoolArray) -> FittedStretch:
    """Fit the edge of a region where nothing ends it, and where light clips it least.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, near-vertical edge.
    clipped : ndarray of shape (rows, cols), bool
        Which pixels stand at the highest code.

    Raises
    ------
    NothingToMeasure
        No edge runs through the region, or too little of it is clear of corners.

    Notes
    -----
    Where light that falls off clips one part of the bright side, the clipping can not be told from the edge's own
    shape: with a quarter to a half of the side clipped so, value ± 2 u held MTF50 in 73 of 100 captures. The rows that
    are hardly clipped are then measured alone, if there are enough of them.

    An edge that leaves a narrow region by both of its sides is measured in the rows between. Of 100 edges in regions of
    30 to 80 px by 100 to 300, leaning by 7 to 42 degrees, 57 were refused, for the fit wants its edge in most of the
    rows; now all are measured, and value ± 2 u held MTF50 of 98 and MTF10 of 99. A line of 4 to 16 px in such a region
    passes for one edge more often, in 4 of 60 instead of 2.
    """
    curve = find_edge_curve(image)
    first, stop = crossed_rows(image.shape, curve)
    if (first, stop) != (0, image.shape[0]):
        within = fit_stretch(image[first:stop], clipped[first:stop])
        return replace(within, first=first + within.first, stop=first + within.stop)
    first, stop = clean_rows(image, curve)
    if stop - first < min(SMALLEST_PX, image.shape[0]):
        raise NothingToMeasure(
            "region",
            f"its edge ends within it: {max(0, stop - first)} px are clear of corners, not {SMALLEST_PX}",
            "Choose a region with one edge across it from end to end.",
        )
    fitted = _fitted(image, clipped, (first, stop), curve if stop - first == image.shape[0] else None)
    if fitted.sides.clipped_share <= FEW_CLIPPED or fitted.sides.is_evenly_clipped:
        return fitted
    begin, end = free_rows(fitted.sides.bright_row, fitted.sides.bright_clipped, stop - first, SMALLEST_PX)
    if (begin, end) == (0, stop - first):
        return fitted
    return _fitted(image, clipped, (first + begin, first + end))


def _fitted(
    image: FloatArray, clipped: BoolArray, rows: tuple[int, int], curve: EdgeCurve | None = None
) -> FittedStretch:
    chosen = image[slice(*rows)]
    surface = fit_edge_surface(chosen, curve)
    reach_px = min(48.0, max(24.0, 8 * surface.sigma_px + 6))
    return FittedStretch(
        first=rows[0],
        stop=rows[1],
        image=chosen,
        surface=surface,
        reach_px=reach_px,
        sides=_sides(chosen, clipped[slice(*rows)], surface, reach_px),
    )


def _sides(image: FloatArray, clipped: BoolArray, surface: EdgeSurface, reach_px: float) -> Sides:
    pixels = pixels_near(surface.curve, image.shape, reach_px)
    values, far_px = image[pixels.row, pixels.col], 3 * surface.sigma_px + 2
    is_bright = pixels.distance_px > far_px
    bright = values[is_bright]
    return Sides(
        dark=values[pixels.distance_px < -far_px],
        bright=bright,
        bright_clipped=clipped[pixels.row, pixels.col][is_bright] | at_bound(bright, bound=math.inf, sign=1.0),
        bright_row=pixels.row[is_bright],
        bright_distance_px=pixels.distance_px[is_bright],
        shown_px=min(-float(pixels.distance_px.min()), float(pixels.distance_px.max())),
    )
