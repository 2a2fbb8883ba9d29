"""Diameter and depth of one spot: a blurred disc on a sloping surround, fitted by least squares."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

PROFILE_POINTS = 160
SHARPEST_PX = 0.3  # a pixel's own aperture blurs by 1 / sqrt(12)
SOFTEST = 1.0  # of the radius: softer is a Gaussian, and radius and blur are no longer told apart
ROUNDS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotShape:
    """A fitted spot; lengths in pixels of the picture that was fitted.

    `diameter_px` is where half of the central depth is reached; `depth` is the central depth over the surround,
    negative for dark. Their uncertainties are those of white noise as strong as the residual.
    """

    x: float
    y: float
    diameter_px: float
    diameter_u_px: float
    depth: float
    depth_u: float
    softness: float
    residual: float


def fit_spot(
    relief: FloatArray, usable: BoolArray, *, x: float, y: float, diameter_px: float, depth: float
) -> SpotShape | None:
    """Fit a blurred disc to the surroundings of a candidate.

    Parameters
    ----------
    relief : ndarray of shape (rows, cols)
        Relative brightness less 1.
    usable : ndarray of shape (rows, cols), bool
        False where another spot, or no field, is.
    x, y, diameter_px, depth : float
        Of the candidate.

    Returns
    -------
    SpotShape or None
        None where too little is usable, or the fit runs away from the candidate.

    Notes
    -----
    The profile of a disc of radius R blurred by a Gaussian of standard deviation w is the non-central chi-square
    distribution ``P(R²/w²; 2, r²/w²)``. Centre, R and w, the depth and a sloping surround are found by the
    Levenberg-Marquardt method on all pixels within about 1.5 diameters. For w close to R the profile is nearly Gaussian
    and R means little, so that the diameter reported is the one at half of the central depth, which all profiles share.
    """
    patch = _Patch.around(relief, usable, x, y, diameter_px)
    if patch is None:
        return None
    start = np.array([x, y, math.log(diameter_px / 2), math.log(0.35), depth, 0.0, 0.0, 0.0])
    fitted = _least_squares(patch, start, diameter_px)
    return None if fitted is None else _shape_of(patch, *fitted, diameter_px, (x, y))


@dataclass(frozen=True, slots=True)
class _Patch:
    x: FloatArray
    y: FloatArray
    value: FloatArray
    weight: FloatArray
    middle: tuple[float, float]

    @classmethod
    def around(cls, relief: FloatArray, usable: BoolArray, x: float, y: float, diameter_px: float) -> "_Patch | None":
        reach = 1.5 * diameter_px + 5
        top, bottom = max(0, math.ceil(y - reach)), min(relief.shape[0], math.floor(y + reach) + 1)
        left, right = max(0, math.ceil(x - reach)), min(relief.shape[1], math.floor(x + reach) + 1)
        rows, cols = np.mgrid[top:bottom, left:right]
        chosen = usable[top:bottom, left:right] & (np.hypot(rows - y, cols - x) <= reach)
        if chosen.sum() < 30 or chosen.sum() < 0.4 * math.pi * reach**2:
            return None
        value = relief[top:bottom, left:right][chosen].astype(np.float64)
        return cls(cols[chosen].astype(float), rows[chosen].astype(float), value, np.ones(len(value)), (x, y))


def _profile(radius: float, width: float, r: FloatArray) -> FloatArray:
    values: FloatArray = special.chndtr((radius / width) ** 2, 2, np.maximum((r / width) ** 2, 1e-9))
    return values


def _model(patch: _Patch, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return model values and their derivatives by x, y, ln R, ln (w / R), depth, level and two slopes."""
    dx, dy = patch.x - p[0], patch.y - p[1]
    r = np.hypot(dx, dy)
    radius = math.exp(p[2])
    grid = np.linspace(0, float(r.max()) + 1e-6, PROFILE_POINTS)
    step = 1e-3
    base = _profile(radius, radius * math.exp(p[3]), grid)
    by_radius = (_profile(radius * math.exp(step), radius * math.exp(p[3] + step), grid) - base) / step
    by_width = (_profile(radius, radius * math.exp(p[3] + step), grid) - base) / step
    by_r = np.gradient(base, grid)
    s = np.interp(r, grid, base)
    slope = np.interp(r, grid, by_r) / np.maximum(r, 1e-6)
    columns = [
        -p[4] * slope * dx,
        -p[4] * slope * dy,
        p[4] * np.interp(r, grid, by_radius),
        p[4] * np.interp(r, grid, by_width),
        s,
        np.ones_like(r),
        (patch.x - patch.middle[0]) / 10,
        (patch.y - patch.middle[1]) / 10,
    ]
    value = p[4] * s + p[5] + p[6] * columns[6] + p[7] * columns[7]
    return value, np.column_stack(columns)


def _bounded(p: FloatArray, diameter_px: float) -> FloatArray:
    bounded = p.copy()
    bounded[2] = min(max(p[2], math.log(0.15 * diameter_px)), math.log(1.5 * diameter_px))
    sharpest = math.log(SHARPEST_PX) - bounded[2]
    bounded[3] = min(max(p[3], sharpest), max(math.log(SOFTEST), sharpest))
    return bounded


def _least_squares(patch: _Patch, start: FloatArray, diameter_px: float) -> tuple[FloatArray, FloatArray, float] | None:
    p, damping = _bounded(start, diameter_px), 1e-2
    value, slopes = _model(patch, p)
    error = patch.value - value
    cost = float(error @ error)
    for _ in range(ROUNDS):
        normal = slopes.T @ slopes
        try:
            change = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), slopes.T @ error)
        except np.linalg.LinAlgError:
            return None
        trial = _bounded(p + change, diameter_px)
        trial_value, trial_slopes = _model(patch, trial)
        trial_error = patch.value - trial_value
        trial_cost = float(trial_error @ trial_error)
        if trial_cost < cost:
            small = cost - trial_cost < 1e-6 * cost
            p, slopes, error, cost, damping = trial, trial_slopes, trial_error, trial_cost, damping / 4
            if small:
                break
        else:
            damping *= 6
            if damping > 1e6:
                break
    return p, slopes, cost


def _half_radius(radius: float, width: float) -> tuple[float, float]:
    """Return the radius where half of the central depth is reached, and the central value of the profile."""
    r = np.linspace(0, radius + 4 * width, 400)
    s = _profile(radius, width, r)
    below = int(np.argmax(s < s[0] / 2))
    share = (s[below - 1] - s[0] / 2) / (s[below - 1] - s[below])
    return float(r[below - 1] + share * (r[1] - r[0])), float(s[0])


def _shape_of(
    patch: _Patch, p: FloatArray, slopes: FloatArray, cost: float, diameter_px: float, at: tuple[float, float]
) -> SpotShape | None:
    if math.hypot(p[0] - at[0], p[1] - at[1]) > 0.5 * diameter_px + 2:
        return None
    radius, width = math.exp(p[2]), math.exp(p[2] + p[3])
    half, centre = _half_radius(radius, width)
    freedom = max(len(patch.value) - 8, 1)
    variance = cost / freedom
    covariance = variance * np.linalg.pinv(slopes.T @ slopes, hermitian=True)
    step = 1e-4
    half_w, centre_w = _half_radius(radius, width * math.exp(step))
    by_width, centre_by_width = (half_w - half) / step, (centre_w - centre) / step
    # Radius and blur scale together: the half radius grows in proportion to R at fixed w / R.
    diameter_gradient = np.array([2 * half, 2 * by_width])
    diameter_u = math.sqrt(max(float(diameter_gradient @ covariance[2:4, 2:4] @ diameter_gradient), 0.0))
    depth_gradient = np.array([p[4] * centre_by_width, centre])
    depth_u = math.sqrt(max(float(depth_gradient @ covariance[3:5, 3:5] @ depth_gradient), 0.0))
    surround = 1 + p[5] + p[6] * (p[0] - patch.middle[0]) / 10 + p[7] * (p[1] - patch.middle[1]) / 10
    return SpotShape(
        x=float(p[0]),
        y=float(p[1]),
        diameter_px=2 * half,
        diameter_u_px=diameter_u,
        depth=float(p[4] * centre / surround),
        depth_u=depth_u / float(surround),
        softness=width / radius,
        residual=math.sqrt(variance),
    )
