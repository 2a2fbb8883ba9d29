"""The profile of a spot over its radius: a disc blurred by a Gaussian, with its derivatives."""

import functools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

POINTS = 128
SOFTNESSES = (0.01, 20.0, 512)  # between which half of the depth is tabulated, and at how many
NEWTON_STEPS = 5  # to 1e-14


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Values on a grid of radii: the profile, its slope, and its derivatives by the logarithms of radius and blur.

    Each of shape (128,), or (n, 128) of n profiles.
    """

    r: FloatArray
    value: FloatArray
    slope: FloatArray
    by_log_radius: FloatArray
    by_log_blur: FloatArray

    def at(self, r: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
        """Return value, slope and derivative by the radius's logarithm at radii, interpolated linearly.

        Radii of shape (n,), or (n, ...) of n profiles; what is returned has one more axis of 3 before, and their type.
        The derivative by the blur's logarithm is what the other two leave: ``-by_log_radius - r * slope``.
        """
        table = np.stack([self.value, self.slope, self.by_log_radius]).astype(r.dtype, copy=False).reshape(3, -1)
        of_profiles = (...,) + (np.newaxis,) * (r.ndim - 1) if self.r.ndim > 1 else (...,)
        place = np.minimum(r / self.r[..., 1][of_profiles].astype(r.dtype), r.dtype.type(POINTS - 1.001))
        below = place.astype(np.intp)
        place -= below
        if self.r.ndim > 1:
            below += (POINTS * np.arange(len(r)))[of_profiles]
        found: npt.NDArray[np.floating] = np.take(table, below, axis=1)
        found += place * np.take(np.diff(table, axis=1, append=r.dtype.type(0)), below, axis=1)
        return found


def blurred_disc(radius: float | FloatArray, blur: float | FloatArray, reach: float | FloatArray) -> Profile:
    """Return the profile of a disc of unit depth, blurred by a Gaussian; of several discs, their profiles.

    Parameters
    ----------
    radius, blur : float or ndarray of shape (n,)
        Of the disc, and the standard deviation of the Gaussian, in the same unit.
    reach : float or ndarray of shape (n,)
        Radius up to which the grid goes; no farther than 5 standard deviations beyond the disc, where nothing is left.

    Notes
    -----
    The profile is the non-central chi-square distribution ``S(r) = P(R²/w²; 2, r²/w²)``. Its derivatives are closed:
    ``dS/dR = R/w² exp(-(R - r)²/2w²) I0e(R r/w²)``, ``dS/dr = -R/w² exp(-(R - r)²/2w²) I1e(R r/w²)``, and, since S
    knows ratios only, ``w dS/dw = -R dS/dR - r dS/dr``. S itself is the integral of dS/dr from its known value at the
    centre, ``1 - exp(-R²/2w²)``.

    Examples
    --------
    >>> profile = blurred_disc(10.0, 1.0, 20.0)
    >>> round(float(profile.value[0]), 6), round(float(np.interp(10.0, profile.r, profile.value)), 2)
    (1.0, 0.48)
    """
    radius, blur, reach = (np.asarray(given, dtype=np.float64)[..., np.newaxis] for given in (radius, blur, reach))
    r = np.arange(POINTS, dtype=np.float64) * (np.minimum(reach, radius + 5 * blur) / (POINTS - 1))
    slope, by_radius = slopes_of(radius, blur, r)
    # The trapezoid's error is the slope's change of slope over 12: taken off, the table is good to 1e-5. The slope of
    # the slope follows from the differential equation of Bessel's functions.
    bend = np.empty_like(r)
    bend[..., :1] = -by_radius[..., :1] * radius / (2 * blur**2)
    bend[..., 1:] = -slope[..., 1:] * (r[..., 1:] / blur**2 + 1 / r[..., 1:])
    bend[..., 1:] -= by_radius[..., 1:] * (radius / blur**2)
    steps = (slope[..., 1:] + slope[..., :-1]) * (r[..., 1:2] / 2)
    steps -= (bend[..., 1:] - bend[..., :-1]) * (r[..., 1:2] ** 2 / 12)
    value = np.empty_like(r)
    value[..., :1] = central_depth(radius, blur)
    value[..., 1:] = value[..., :1] + np.cumsum(steps, axis=-1)
    return Profile(
        r=r,
        value=value,
        slope=slope,
        by_log_radius=radius * by_radius,
        by_log_blur=-radius * by_radius - r * slope,
    )


def slopes_of(
    radius: float | FloatArray, blur: float | FloatArray, r: float | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the derivatives of the profile of `blurred_disc` at r, by r and by the radius of the disc."""
    growth = radius / blur**2
    x = growth * r
    bell = growth * np.exp(-((radius - r) ** 2) / (2 * blur**2))
    return -bell * special.i1e(x), bell * special.i0e(x)


def central_depth(radius: float | FloatArray, blur: float | FloatArray) -> FloatArray:
    """Return what a blur leaves in the middle of a disc of unit depth."""
    return np.asarray(-np.expm1(-((radius / blur) ** 2) / 2))


def half_radius(radius: float, blur: float) -> float:
    """Return the radius where a blurred disc has fallen to half of its central depth.

    It is tabulated as a share of the root of ``R² + 2 ln 2 w²``, which it comes near with little blur and with much;
    the table is good to 1e-5.

    Examples
    --------
    >>> round(half_radius(10.0, 0.3), 3), round(half_radius(0.2, 2.0) / 2.0, 2)
    (9.995, 1.18)
    """
    if blur < SOFTNESSES[0] * radius:
        return radius - blur**2 / (2 * radius)
    log_softness, share = _half_radii()
    limit = math.sqrt(radius**2 + 2 * math.log(2) * blur**2)
    return limit * float(np.interp(math.log(blur / radius), log_softness, share))


@functools.cache
def _half_radii() -> tuple[FloatArray, FloatArray]:
    """Return logarithms of blur over radius, and the shares of `half_radius`, by Newton's method."""
    softness = np.geomspace(*SOFTNESSES)
    limit = np.sqrt(1 + 2 * math.log(2) * softness**2)
    half, r = central_depth(1.0, softness) / 2, limit.copy()
    for _ in range(NEWTON_STEPS):
        value = special.chndtr(1 / softness**2, 2, (r / softness) ** 2)
        r -= (value - half) / slopes_of(1.0, softness, r)[0]
    return np.log(softness), r / limit
