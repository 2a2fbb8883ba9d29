"""An edge as a surface: curve, levels, blur and noise fitted to all pixels of a region at once."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.edges.edge_line import EdgeCurve, EdgePixels, find_edge_curve, pixels_near
from inspect_app.numerics.edges.edge_start import FEWEST_ON_A_SIDE, WIDEST_WINDOW_PX, first_levels, first_sigma

FloatArray = npt.NDArray[np.float64]

CURVE_BENDS_AT: Final = 3.0  # standard uncertainties by which a coefficient must differ from zero to be kept
HIGHEST_DEGREE: Final = 5
TURNS: Final = 10
SETTLED_PX: Final = 1e-3  # a change of the curve that no response can show
OUTLIER_AT: Final = 6.0  # standard deviations of the noise: hot pixels and dust, hardly ever noise
MISFIT_ALLOWED: Final = 0.15  # of the height: how far an edge with a wide halo may lie off the Gaussian's
HELD: Final = 1e-6  # of light: what is held so tightly stands still
FALL_OFF_SCATTER: Final = 0.3  # half of the light lost in a picture's corner is 0.2 over a region of half its height
UNLIKE_ACROSS: Final = 0.5  # of the fall-off along an edge, by which the one across it may differ
QUIETEST: Final = 1e-4  # of the height: noise below this is not believed
NARROWEST_WINDOW_PX: Final = 14.0


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
    fall_off : float
        Loss of light (below zero) with the square of the distance from the middle of the edge, at half the region's
        height, as a share.
    fall_off_doubt : float
        Standard uncertainty of the loss across the edge, per squared pixel: large where the edge is short, whose rows
        tell little of it, and where much light is lost, for it may fall off otherwise across than along.
    """

    curve: EdgeCurve
    dark: tuple[float, float]
    bright: tuple[float, float]
    fall_off: float
    fall_off_doubt: float
    sigma_px: float
    dark_variance: float
    bright_variance: float

    def light(self, pixels: EdgePixels) -> FloatArray:
        """Return the light at each pixel over that at the middle of the edge, as far as it falls off, shape (n,)."""
        return np.asarray(1 + self.fall_off * _distance2(pixels, self.curve), dtype=np.float64)

    def levels(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the exposures of the dark and the bright side in rows from -1, the first, to 1, the last."""
        return self.dark[0] + self.dark[1] * t, self.bright[0] + self.bright[1] * t

    @property
    def contrast_to_noise(self) -> float:
        """Height of the edge over the root mean square noise of a pixel."""
        noise = math.sqrt(0.5 * (self.dark_variance + self.bright_variance))
        return (self.bright[0] - self.dark[0]) / max(noise, 1e-12)


def fit_edge_surface(image: FloatArray, curve: EdgeCurve | None = None) -> EdgeSurface:
    """Fit curve, blur, levels and noise of the edge in a region to all its pixels at once.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure, with one near-vertical edge running from its first to its last row.
    curve : EdgeCurve, optional
        Where the edge runs, to a few tenths of a pixel; found by `find_edge_curve` without it.

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
    Gauss-Newton on z = D(t) (1 - E) + B(t) E, times 1 + k s + p s^2 + q (s^2 + l^2) for shading, where E is the normal
    distribution of s over sigma, and l is the distance along the edge: vignetting is a linear and a quadratic part that
    is the same in all directions. Without q a loss of 15 % at the region's corners bent the curve by 0.3 px, which took
    2.6 % off MTF50; with l from the row alone, which is right for upright edges, MTF50 of an edge 10 degrees off under
    a loss of 58 % was 8.6 % too high. Pixels are weighed by the noise of their side. The blur enters the curve only in
    second order because every blur considered is symmetric. A coefficient that does not count is taken out by the
    linear step to where it is zero, which is as good as a fit without it.

    p is let go in a last step, by which q and its doubt come from along the edge alone: across it, a halo wider than
    the blur looks like light that falls off, and on 19 rows value ± 2 u held MTF50 in 60 of 100 captures, now in 97.
    Let go from the start, it makes an edge of a ramp. Light need not fall off alike in all directions, as between two
    lamps or in a wide picture, and q says nothing of that: with a loss by twice as much across as along, value ± 2 u
    held MTF50 in 4 of 28 captures, with half of q in its doubt in 26.
    """
    curve = curve or find_edge_curve(image)
    levels = first_levels(image, curve)
    start = _State(curve=curve, log_sigma=math.log(first_sigma(image, curve, levels)), levels=levels)
    for degree in range(2, HIGHEST_DEGREE + 1):
        fitted, covariance = _settle(image, start.of_degree(degree))
        last = fitted.curve.coefficients[-1]
        if abs(last) < CURVE_BENDS_AT * math.sqrt(covariance[degree, degree]):
            fitted = _without(fitted, covariance[:, degree])
            break
        start = fitted
    _prove_inside(fitted.curve, image.shape)
    alone, covariance, _ = _step(image, fitted, weigh=True, trim=True, bend_scatter=FALL_OFF_SCATTER)
    if not 0 <= float(covariance[-1, -1]) < math.inf:
        raise NothingToMeasure("region", "its edge is no blurred step", "Choose a region with one edge across it.")
    fall_off = float(alone.levels[6])
    doubt = math.hypot(math.sqrt(float(covariance[-1, -1])), UNLIKE_ACROSS * fall_off) / fitted.curve.middle**2
    return EdgeSurface(
        curve=fitted.curve,
        dark=(float(fitted.levels[0]), float(fitted.levels[1])),
        bright=(float(fitted.levels[2]), float(fitted.levels[3])),
        sigma_px=math.sqrt(max(math.exp(2 * fitted.log_sigma) - 1 / 12, 0.04)),
        dark_variance=fitted.variance[0],
        bright_variance=fitted.variance[1],
        fall_off=fall_off,
        fall_off_doubt=doubt,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    """Where the descent stands; levels are dark, its change, bright, its change, shading, its bend, fall-off."""

    curve: EdgeCurve
    log_sigma: float
    levels: FloatArray
    variance: tuple[float, float] = (1.0, 1.0)

    @property
    def sigma_px(self) -> float:
        return math.exp(self.log_sigma)

    @property
    def window_px(self) -> float:
        return min(WIDEST_WINDOW_PX, max(NARROWEST_WINDOW_PX, 6 * self.sigma_px))

    @property
    def height(self) -> float:
        return float(self.levels[2] - self.levels[0])

    def of_degree(self, degree: int) -> "_State":
        coefficients = np.zeros(degree + 1)
        given = np.array(self.curve.coefficients[: degree + 1])
        coefficients[: given.size] = given
        return self.moved(coefficients, self.log_sigma, self.levels, self.variance)

    def moved(
        self, coefficients: FloatArray, log_sigma: float, levels: FloatArray, variance: tuple[float, float]
    ) -> "_State":
        curve = EdgeCurve(
            coefficients=tuple(float(value) for value in coefficients),
            middle=self.curve.middle,
            rises=self.curve.rises,
        )
        return _State(curve=curve, log_sigma=log_sigma, levels=levels, variance=variance)


def _settle(image: FloatArray, state: _State) -> tuple[_State, FloatArray]:
    """Descend until the curve no longer moves; return where, and the covariance of curve, log sigma and levels."""
    covariance: FloatArray = np.eye(len(state.curve.coefficients) + 8)
    knows_noise = state.variance != (1.0, 1.0)
    for turn in range(TURNS):
        state, covariance, moved_px = _step(image, state, weigh=knows_noise or turn > 1, trim=turn > 2)
        _prove_inside(state.curve, image.shape)
        if turn > 2 and moved_px < SETTLED_PX:
            break
    return state, covariance


def _step(
    image: FloatArray, state: _State, *, weigh: bool, trim: bool, bend_scatter: float = HELD
) -> tuple[_State, FloatArray, float]:
    pixels = pixels_near(state.curve, image.shape, state.window_px)
    value, share, columns = _surface(pixels, state)
    residual = image[pixels.row, pixels.col] - value
    variance = state.variance
    if weigh:
        variance = _noise(residual, pixels.distance_px, 3 * state.sigma_px + 1, QUIETEST * state.height)
    noise = variance[0] + (variance[1] - variance[0]) * share
    weight = 1 / noise
    if trim:
        weight = weight * (np.abs(residual) < OUTLIER_AT * np.sqrt(noise) + MISFIT_ALLOWED * state.height)
    scaled = columns * weight
    normal = scaled @ columns.T
    normal[np.diag_indices_from(normal)] *= 1 + 1e-9
    precision = 1 / np.array([bend_scatter, FALL_OFF_SCATTER]) ** 2
    normal[(-2, -1), (-2, -1)] += precision
    slope = scaled @ residual
    slope[-2:] -= state.levels[-2:] * precision
    try:
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        raise NothingToMeasure(
            "region", "its edge is no blurred step", "Choose a region with one edge across it."
        ) from error
    change = covariance @ slope
    count = len(state.curve.coefficients)
    moved = state.moved(
        np.array(state.curve.coefficients) + np.clip(change[:count], -4.0, 4.0),
        float(np.clip(state.log_sigma + np.clip(change[count], -0.5, 0.5), math.log(0.25), math.log(12.0))),
        state.levels + change[count + 1 :],
        variance,
    )
    return moved, covariance, float(np.max(np.abs(change[: count + 1])))


def _surface(pixels: EdgePixels, state: _State) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the model, the share of the bright side, and derivatives by curve, log sigma and levels."""
    s, t, sigma, levels = pixels.distance_px, pixels.t, state.sigma_px, state.levels
    share = special.ndtr(s / sigma)
    dark = levels[0] + levels[1] * t
    height = levels[2] + levels[3] * t - dark
    value = dark + height * share
    across2, distance2 = (s / state.window_px) ** 2, _distance2(pixels, state.curve)
    shaded = 1 + levels[4] * s + levels[5] * across2 + levels[6] * distance2
    steep = height * shaded * np.exp(-0.5 * (s / sigma) ** 2) / (sigma * math.sqrt(2 * math.pi))
    count = len(state.curve.coefficients)
    columns = np.empty((count + 8, s.size))
    columns[0] = -state.curve.rises * pixels.cosine * steep
    for power in range(1, count):
        np.multiply(columns[power - 1], t, out=columns[power])
    columns[count] = -steep * s
    columns[count + 3] = share * shaded
    columns[count + 1] = shaded - columns[count + 3]
    columns[count + 2] = columns[count + 1] * t
    columns[count + 4] = columns[count + 3] * t
    columns[count + 5] = value * s
    columns[count + 6] = value * across2
    columns[count + 7] = value * distance2
    return value * shaded, np.asarray(share, dtype=np.float64), columns


def _distance2(pixels: EdgePixels, curve: EdgeCurve) -> FloatArray:
    """Return the squared distance of pixels from the middle of the edge, in half heights of the region."""
    return np.asarray(((pixels.col - curve.coefficients[0]) / curve.middle) ** 2 + pixels.t**2, dtype=np.float64)


def _noise(residual: FloatArray, distance: FloatArray, beyond_px: float, quietest: float) -> tuple[float, float]:
    """Return the variance of single pixels on the dark and the bright side, outliers left out."""
    found = []
    for side in (distance < -beyond_px, distance > beyond_px):
        chosen = residual[side] if np.count_nonzero(side) >= FEWEST_ON_A_SIDE else residual
        spread = 1.4826 * float(np.median(np.abs(chosen)))
        kept = chosen[np.abs(chosen) <= 5 * spread] if spread > 0 else chosen
        found.append(float(np.mean(kept**2)) + quietest**2)
    return found[0], found[1]


def _without(state: _State, covariance: FloatArray) -> _State:
    """Return the state with the last coefficient of the curve taken out, given its covariance with all parameters."""
    degree = len(state.curve.coefficients) - 1
    change = -covariance * (state.curve.coefficients[degree] / covariance[degree])
    return state.moved(
        (np.array(state.curve.coefficients) + change[: degree + 1])[:degree],
        state.log_sigma + float(change[degree + 1]),
        state.levels + change[degree + 2 :],
        state.variance,
    )


def _prove_inside(curve: EdgeCurve, shape: tuple[int, int]) -> None:
    rows, cols = shape
    column = curve.column(np.arange(rows, dtype=np.float64))
    if np.count_nonzero((column > 1) & (column < cols - 2)) < 0.6 * rows:
        raise NothingToMeasure(
            "region", "no edge runs through it from end to end", "Choose a region with one edge across it."
        )
