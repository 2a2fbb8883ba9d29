"""Where an edge runs: its curve, the pixels near it, and a robust first line."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.errors import NothingToMeasure

FloatArray = npt.NDArray[np.float64]

SMOOTHING_PX: Final = 2.0  # scale of the first look; wide enough that noise of a third of the step leaves a ridge
STEEPEST_SLOPE: Final = 1.05  # columns per row: an edge beyond 46 degrees belongs to the other axis
TANGENTS_TRIED: Final = 53  # two degrees apart
MOST_RIDGE_POINTS: Final = 1_500  # for the first line; more only cost time


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeCurve:
    """A near-vertical edge: column as a polynomial of the row, dark to bright along +x or -x.

    Parameters
    ----------
    coefficients : tuple of float
        Column in pixels as a polynomial of t = (row - middle) / middle, lowest degree first.
    middle : float
        Middle row, which is also half the height, in pixels.
    rises : int
        1 where the bright side lies at larger columns, -1 where it lies at smaller ones.
    """

    coefficients: tuple[float, ...]
    middle: float
    rises: int

    def column(self, row: FloatArray) -> FloatArray:
        """Return the column of the edge in each row, in pixels."""
        t = (row - self.middle) / self.middle
        return np.asarray(np.polynomial.polynomial.polyval(t, self.coefficients), dtype=np.float64)

    def slope(self, row: FloatArray) -> FloatArray:
        """Return columns per row along the edge."""
        if len(self.coefficients) < 2:
            return np.zeros_like(row)
        derived = np.polynomial.polynomial.polyder(np.array(self.coefficients)) / self.middle
        t = (row - self.middle) / self.middle
        return np.asarray(np.polynomial.polynomial.polyval(t, derived), dtype=np.float64)

    @property
    def tilt_deg(self) -> float:
        """The tilt of the edge's middle against the column direction, in degrees."""
        return math.degrees(math.atan(float(self.slope(np.array([self.middle]))[0])))


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePixels:
    """The pixels within some distance of an edge, each array of shape (n,).

    Parameters
    ----------
    distance_px : ndarray
        Along the normal, positive on the bright side.
    t : ndarray
        Row, from -1 in the first to 1 in the last.
    cosine : ndarray
        Of the edge's tilt in the pixel's row.
    row, col : ndarray of int
        Where each pixel lies.
    """

    distance_px: FloatArray
    t: FloatArray
    cosine: FloatArray
    row: npt.NDArray[np.int64]
    col: npt.NDArray[np.int64]


def pixels_near(curve: EdgeCurve, shape: tuple[int, int], reach_px: float) -> EdgePixels:
    """Return the pixels of a region within a distance of an edge, row by row.

    Parameters
    ----------
    curve : EdgeCurve
        The edge.
    shape : tuple of int
        Rows and columns of the region.
    reach_px : float
        Largest distance along the normal, in pixels.
    """
    rows, cols = shape
    row = np.arange(rows, dtype=np.float64)
    column = curve.column(row)
    cosine = 1 / np.hypot(1.0, curve.slope(row))
    half = math.ceil(reach_px / float(cosine.min())) + 1
    col = np.broadcast_to(np.arange(cols), (rows, cols))  # also of rows that the edge leaves, all of those it reaches
    if 2 * half + 1 < cols:
        col = np.rint(column).astype(np.int64)[:, None] + np.arange(-half, half + 1)
    distance = (col - column[:, None]) * (cosine[:, None] * curve.rises)
    near = (np.abs(distance) <= reach_px) & (col >= 0) & (col < cols)
    chosen = np.nonzero(near)[0]
    return EdgePixels(
        distance_px=distance[near],
        t=np.asarray((chosen - curve.middle) / curve.middle, dtype=np.float64),
        cosine=cosine[chosen],
        row=chosen,
        col=col[near],
    )


def is_near_vertical(image: FloatArray) -> bool:
    """Say whether the strongest edge of a region is nearer to the column direction.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure.
    """
    across = ndimage.gaussian_filter(image, SMOOTHING_PX, order=(0, 1))
    down = ndimage.gaussian_filter(image, SMOOTHING_PX, order=(1, 0))
    power = across**2 + down**2
    strong = power >= 0.25 * np.quantile(power, 0.99)
    return bool(np.sum(across[strong] ** 2) >= np.sum(down[strong] ** 2))


def find_edge_curve(image: FloatArray) -> EdgeCurve:
    """Find the strongest near-vertical edge of a region, robustly and to about a tenth of a pixel.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, with one edge running from its first to its last row.

    Returns
    -------
    EdgeCurve
        A straight line, or a parabola where the ridge of the gradient is bent.

    Raises
    ------
    NothingToMeasure
        No ridge of the gradient runs through the region.

    Notes
    -----
    The gradient at a scale of 2 px is squared as weight; the line through most weight is found among 53 tangents by
    projection (a Hough transform of one sign), then fitted by least squares in a shrinking window. A centroid per row,
    as ISO 12233 describes, was tried and lost: at an SNR of 5 it is drawn to the noise of the whole row.
    """
    rows, cols = image.shape
    gradient = ndimage.gaussian_filter(image, SMOOTHING_PX, order=(0, 1), mode="nearest")
    smoothed_step = np.sum(gradient)
    rises = 1 if smoothed_step >= 0 else -1
    ridge = np.maximum(gradient * rises, 0.0)
    ridge[ridge < 0.2 * np.quantile(ridge, 0.995)] = 0.0
    row, col = np.nonzero(ridge)
    if row.size < rows:
        raise NothingToMeasure("region", "no edge runs through it", "Choose a region with one edge across it.")
    weight = ridge[row, col] ** 2
    middle = max((rows - 1) / 2, 0.5)
    t = (row - middle) / middle
    some = slice(None, None, 1 + row.size // MOST_RIDGE_POINTS)
    start = _line_of_most_weight(
        t[some], col[some].astype(np.float64), weight[some], cols=cols, reach=STEEPEST_SLOPE * middle
    )
    coefficients = _follow_ridge(t, col.astype(np.float64), weight, start)
    return EdgeCurve(coefficients=coefficients, middle=middle, rises=rises)


def _line_of_most_weight(
    t: FloatArray, col: FloatArray, weight: FloatArray, *, cols: int, reach: float
) -> tuple[float, float]:
    leans = np.linspace(-reach, reach, TANGENTS_TRIED)
    pad = int(reach) + 4
    places = cols + 2 * pad + 1
    place = np.rint(col - leans[:, None] * t).astype(np.int64) + (pad + places * np.arange(TANGENTS_TRIED))[:, None]
    histogram = np.bincount(place.ravel(), np.tile(weight, TANGENTS_TRIED), minlength=TANGENTS_TRIED * places)
    smoothed = ndimage.correlate1d(
        histogram.reshape(TANGENTS_TRIED, places), (1.0, 2.0, 3.0, 2.0, 1.0), axis=1, mode="constant"
    )
    lean, top = np.unravel_index(int(np.argmax(smoothed)), smoothed.shape)
    return float(top - pad), float(leans[lean])


def _follow_ridge(t: FloatArray, col: FloatArray, weight: FloatArray, start: tuple[float, float]) -> tuple[float, ...]:
    coefficients = np.array([*start, 0.0])
    for degree, window_px in ((1, 10.0), (2, 14.0), (2, 8.0), (2, 6.0), (2, 6.0)):
        residual = col - np.polynomial.polynomial.polyval(t, coefficients)
        near = weight * np.maximum(0.0, 1 - (residual / window_px) ** 2) ** 2
        basis = np.vander(t, degree + 1, increasing=True)
        scaled = basis * near[:, None]
        normal = basis.T @ scaled + 1e-9 * np.sum(near) * np.eye(degree + 1)
        coefficients = np.zeros(3)
        coefficients[: degree + 1] = np.linalg.solve(normal, scaled.T @ col)
    return tuple(float(value) for value in coefficients)
