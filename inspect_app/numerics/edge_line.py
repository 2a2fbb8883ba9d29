"""Where an edge runs: a robust first line, then a straight or bent curve fitted to all pixels at once."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from inspect_app.errors import NothingToMeasure

FloatArray = npt.NDArray[np.float64]

SMOOTHING_PX: Final = 2.0  # scale of the first look; wide enough that noise of a third of the step leaves a ridge
STEEPEST_SLOPE: Final = 1.05  # columns per row: an edge beyond 46 degrees belongs to the other axis
TANGENTS_TRIED: Final = 85
CURVE_BENDS_AT: Final = 3.0  # standard uncertainties by which a coefficient must differ from zero to be kept
HIGHEST_DEGREE: Final = 4
OUTLIER_AT: Final = 6.0  # standard deviations of the noise: hot pixels and dust, hardly ever noise
MISFIT_ALLOWED: Final = 0.15  # of the height: how far an edge with a wide halo may lie off the Gaussian's
SIGMAS_TRIED_PX: Final = (0.6, 1.0, 1.6, 2.5, 4.0, 6.5, 10.0)
QUIETEST: Final = 1e-4  # of the height: noise below this is not believed
WIDEST_WINDOW_PX: Final = 48.0  # pixels farther from the edge say nothing about it


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

    def distance(self, rows: int, cols: int) -> FloatArray:
        """Return each pixel's distance along the normal, positive on the bright side.

        Returns
        -------
        ndarray of shape (rows, cols)
            In pixels. The normal is that of the row's own tangent, so the distance is exact for a straight edge and
            right to second order near a bent one.
        """
        row = np.arange(rows, dtype=np.float64)
        cosine = 1 / np.hypot(1.0, self.slope(row))
        offset = (np.arange(cols, dtype=np.float64)[None, :] - self.column(row)[:, None]) * cosine[:, None]
        return offset * self.rises

    @property
    def tilt_deg(self) -> float:
        """The tilt of the edge's middle against the column direction, in degrees."""
        return math.degrees(math.atan(float(self.slope(np.array([self.middle]))[0])))

    @property
    def sagitta_px(self) -> float:
        """How far the edge departs from its chord, in pixels."""
        row = np.linspace(0, 2 * self.middle, 33)
        column = self.column(row)
        chord = np.interp(row, row[[0, -1]], column[[0, -1]])
        return float(np.max(np.abs(column - chord)))


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
    The gradient at a scale of 2 px is squared as weight; the line through most weight is found among 85 tangents by
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
    start = _line_of_most_weight(t, col.astype(np.float64), weight, cols=cols, reach=STEEPEST_SLOPE * middle)
    coefficients = _follow_ridge(t, col.astype(np.float64), weight, start)
    return EdgeCurve(coefficients=coefficients, middle=middle, rises=rises)


def _line_of_most_weight(
    t: FloatArray, col: FloatArray, weight: FloatArray, *, cols: int, reach: float
) -> tuple[float, float]:
    best = (-1.0, 0.0, 0.0)
    pad = int(reach) + 4
    for lean in np.linspace(-reach, reach, TANGENTS_TRIED):
        place = np.rint(col - lean * t).astype(np.int64) + pad
        histogram = np.bincount(np.clip(place, 0, cols + 2 * pad), weight, minlength=cols + 2 * pad)
        smoothed = np.convolve(histogram, (1.0, 2.0, 3.0, 2.0, 1.0), mode="same")
        top = int(np.argmax(smoothed))
        if smoothed[top] > best[0]:
            best = (float(smoothed[top]), float(top - pad), float(lean))
    return best[1], best[2]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSurface:
    """A region as one blurred edge: its curve, the levels of both sides, its noise.

    Parameters
    ----------
    curve : EdgeCurve
        As fitted.
    dark, bright : tuple of float
        Level of each side at the middle row and its change to the last row, in exposure.
    sigma_px : float
        Standard deviation of the Gaussian that, with the pixel, blurs most like the edge.
    dark_variance, bright_variance : float
        Of the noise of single pixels on either side, in squared exposure.
    curve_covariance : ndarray of shape (n, n)
        Of the curve's coefficients, in squared pixels.
    """

    curve: EdgeCurve
    dark: tuple[float, float]
    bright: tuple[float, float]
    sigma_px: float
    dark_variance: float
    bright_variance: float
    curve_covariance: FloatArray

    @property
    def contrast_to_noise(self) -> float:
        """Height of the edge over the root mean square noise of a pixel."""
        noise = math.sqrt(0.5 * (self.dark_variance + self.bright_variance))
        return (self.bright[0] - self.dark[0]) / max(noise, 1e-12)


def fit_edge_surface(image: FloatArray) -> EdgeSurface:
    """Fit curve, blur, levels and noise of the edge in a region to all its pixels at once.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, with one near-vertical edge running from its first to its last row.

    Returns
    -------
    EdgeSurface
        The curve has the lowest degree, one to four, whose next coefficient is not different from zero by three
        standard uncertainties.

    Raises
    ------
    NothingToMeasure
        No edge runs through the region, or the fit leaves it.

    Notes
    -----
    Gauss-Newton on z = D(t) (1 - E) + B(t) E, times 1 + k s for shading across the edge, where E is the normal
    distribution of s over sigma; pixels are weighed by the noise of their side. The blur enters the curve only in
    second order because every blur considered is symmetric.
    """
    first = find_edge_curve(image)
    degree = 1
    fitted = _gauss_newton(image, first, degree=1 if first.sagitta_px < 0.5 else 2)
    for degree in range(len(fitted.curve.coefficients), HIGHEST_DEGREE + 1):
        bent = _gauss_newton(image, fitted.curve, degree=degree, sigma_px=fitted.sigma_px)
        last = bent.curve.coefficients[-1]
        if abs(last) < CURVE_BENDS_AT * math.sqrt(bent.curve_covariance[-1, -1]):
            break
        fitted = bent
    return fitted


class _Linearised:
    """The edge surface's value and derivatives at the pixels near the edge."""

    def __init__(self, image: FloatArray, curve: EdgeCurve, window_px: float) -> None:
        rows, cols = image.shape
        distance = curve.distance(rows, cols)
        self.near = np.abs(distance) <= window_px
        self.s = distance[self.near]
        row = np.nonzero(self.near)[0]
        self.t = (row - curve.middle) / curve.middle
        self.cosine = (1 / np.hypot(1.0, curve.slope(np.arange(rows, dtype=np.float64))))[row]
        self.z = image[self.near]
        self.rises = curve.rises


def _gauss_newton(image: FloatArray, curve: EdgeCurve, *, degree: int, sigma_px: float | None = None) -> EdgeSurface:
    coefficients = np.zeros(degree + 1)
    given = np.array(curve.coefficients[: degree + 1])
    coefficients[: given.size] = given
    curve = EdgeCurve(coefficients=tuple(coefficients), middle=curve.middle, rises=curve.rises)
    levels = _first_levels(image, curve)
    log_sigma = math.log(_first_sigma(image, curve, levels) if sigma_px is None else sigma_px)
    variance = (1.0, 1.0)
    covariance: FloatArray = np.eye(degree + 7)
    for turn in range(8):
        window_px = min(WIDEST_WINDOW_PX, max(14.0, 6 * math.exp(log_sigma)))
        points = _Linearised(image, curve, window_px)
        value, columns = _surface(points, degree, levels, math.exp(log_sigma))
        share = np.clip(special.ndtr(points.s / math.exp(log_sigma)), 0.0, 1.0)
        residual = points.z - value
        if turn > 1:
            variance = _noise(residual, points.s, 3 * math.exp(log_sigma) + 1, QUIETEST * (levels[2] - levels[0]))
        weight = 1 / (variance[0] + (variance[1] - variance[0]) * share)
        if turn > 3:
            weight = weight * (
                np.abs(residual) < OUTLIER_AT / np.sqrt(weight) + MISFIT_ALLOWED * (levels[2] - levels[0])
            )
        scaled = columns * weight
        normal = scaled @ columns.T
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        change = covariance @ (scaled @ residual)
        change[degree + 1] = np.clip(change[degree + 1], -0.5, 0.5)
        coefficients = coefficients + np.clip(change[: degree + 1], -4.0, 4.0)
        log_sigma = float(np.clip(log_sigma + change[degree + 1], math.log(0.25), math.log(12.0)))
        levels = levels + change[degree + 2 :]
        curve = EdgeCurve(coefficients=tuple(float(c) for c in coefficients), middle=curve.middle, rises=curve.rises)
        _prove_inside(curve, image.shape)
        if turn > 3 and np.max(np.abs(change[: degree + 2])) < 1e-4:
            break
    return EdgeSurface(
        curve=curve,
        dark=(float(levels[0]), float(levels[1])),
        bright=(float(levels[2]), float(levels[3])),
        sigma_px=math.sqrt(max(math.exp(2 * log_sigma) - 1 / 12, 0.04)),
        dark_variance=variance[0],
        bright_variance=variance[1],
        curve_covariance=covariance[: degree + 1, : degree + 1],
    )


def _first_levels(image: FloatArray, curve: EdgeCurve) -> FloatArray:
    distance = curve.distance(*image.shape)
    near = np.abs(distance) < WIDEST_WINDOW_PX
    dark = image[(distance < -3) & near]
    bright = image[(distance > 3) & near]
    if dark.size < 30 or bright.size < 30:
        raise NothingToMeasure(
            "region", "the edge runs along its border", "Choose a region with the edge through its middle."
        )
    return np.array([np.median(dark), 0.0, np.median(bright), 0.0, 0.0])


def _first_sigma(image: FloatArray, curve: EdgeCurve, levels: FloatArray) -> float:
    points = _Linearised(image, curve, WIDEST_WINDOW_PX)
    level = (points.z - levels[0]) / (levels[2] - levels[0])
    return min(SIGMAS_TRIED_PX, key=lambda sigma: float(np.sum((level - special.ndtr(points.s / sigma)) ** 2)))


def _surface(points: _Linearised, degree: int, levels: FloatArray, sigma: float) -> tuple[FloatArray, FloatArray]:
    """Return the model at the points and its derivatives: curve, log sigma, two levels, their changes, shading."""
    u = points.s / sigma
    share = special.ndtr(u)
    density = np.exp(-0.5 * u**2) / (sigma * math.sqrt(2 * math.pi))
    dark = levels[0] + levels[1] * points.t
    bright = levels[2] + levels[3] * points.t
    value = dark + (bright - dark) * share
    shaded = 1 + levels[4] * points.s
    towards = -points.rises * points.cosine * (bright - dark) * density * shaded
    columns = [towards * points.t**power for power in range(degree + 1)]
    columns.append(-(bright - dark) * density * points.s * shaded)
    columns += [(1 - share) * shaded, (1 - share) * points.t * shaded, share * shaded, share * points.t * shaded]
    columns.append(value * points.s)
    return value * shaded, np.array(columns)


def _noise(residual: FloatArray, distance: FloatArray, beyond_px: float, quietest: float) -> tuple[float, float]:
    """Return the variance of single pixels on the dark and the bright side, outliers left out."""
    found = []
    for side in (distance < -beyond_px, distance > beyond_px):
        chosen = residual[side] if np.count_nonzero(side) >= 20 else residual
        spread = 1.4826 * float(np.median(np.abs(chosen - np.median(chosen))))
        kept = chosen[np.abs(chosen) <= 5 * spread] if spread > 0 else chosen
        found.append(float(np.mean(kept**2)) + quietest**2)
    return found[0], found[1]


def _prove_inside(curve: EdgeCurve, shape: tuple[int, int]) -> None:
    rows, cols = shape
    column = curve.column(np.arange(rows, dtype=np.float64))
    inside = np.count_nonzero((column > 1) & (column < cols - 2))
    if inside < 0.6 * rows:
        raise NothingToMeasure(
            "region", "no edge runs through it from end to end", "Choose a region with one edge across it."
        )
