"""The profile of a spot over its radius: a disc blurred by a Gaussian, with its derivatives."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

POINTS = 128


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
    growth = radius / blur**2
    x = growth * r
    bell = growth * np.exp(-((radius - r) ** 2) / (2 * blur**2))
    even, odd = special.i0e(x), special.i1e(x)
    slope = -bell * odd
    by_radius = bell * even
    steps = (slope[..., 1:] + slope[..., :-1]) / 2 * r[..., 1:2]
    # The trapezoid's error is the slope's change of slope over 12: taken off, the table is good to 1e-5.
    odd_by_x = even - odd
    odd_by_x[..., 0] -= 0.5
    odd_by_x[..., 1:] -= odd[..., 1:] / x[..., 1:]
    bend = slope * (radius - r) / blur**2 - growth * bell * odd_by_x
    steps -= r[..., 1:2] ** 2 / 12 * (bend[..., 1:] - bend[..., :-1])
    value = np.empty_like(r)
    value[..., :1] = -np.expm1(-(radius**2) / (2 * blur**2))
    value[..., 1:] = value[..., :1] + np.cumsum(steps, axis=-1)
    return Profile(
        r=r,
        value=value,
        slope=slope,
        by_log_radius=radius * by_radius,
        by_log_blur=-radius * by_radius - r * slope,
    )


def half_radius(profile: Profile) -> float:
    """Return the radius where the profile has fallen to half of its central value."""
    half = profile.value[0] / 2
    below = int(np.argmax(profile.value < half))
    share = (profile.value[below - 1] - half) / (profile.value[below - 1] - profile.value[below])
    return float(profile.r[below - 1] + share * (profile.r[below] - profile.r[below - 1]))
