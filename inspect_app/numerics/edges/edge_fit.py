"""One family of blur fitted to an edge spread, together with the edge's place, its levels and its light."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.edges.clipped_noise import ClippedNoise
from inspect_app.numerics.edges.edge_families import EdgeBasis, Family, pixel_transform
from inspect_app.numerics.edges.edge_spread import BINS_PER_PX, EdgeSpread

FloatArray = npt.NDArray[np.float64]

LOWEST_CY_PX: Final = 1.6
HIGHEST_CY_PX: Final = 4.0  # transforms end between the two, at 0.4 + 1 / s for a blur of s px: a Gaussian is 1e-9
PERIOD_OVER_REACH: Final = 4.0  # with 2, tails as of diffraction came round again: MTF10 0.9 % too high
LEVEL_SCATTER: Final = 0.1  # of the height: how far the surface fit may have misplaced a side's level
SHIFT_SCATTER_PX: Final = 0.2
SHADING_SCATTER_PER_PX: Final = 0.002  # falling to half in the corner of a 640 x 480 picture is 0.0025 per pixel
VEIL_SCATTER_PER_PX: Final = 3e-4  # of the height; a reflection of a quarter of it over 110 px is up to 0.0018
COMMON: Final = 6  # parameters of every family: shift, levels, shading, what is left of the fall-off, veil
LEAST_LIT: Final = 1e-3  # of the height: a side is no darker, when its light is told over itself
SETTLED: Final = 1e-2  # of twice a log likelihood: the last step was shorter than a tenth of a standard uncertainty
LONGEST_STEP: Final = 0.7  # of any parameter
MOST_STEPS: Final = 60
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-3, 1e-9, 1e6
EASED, STIFFENED = 1 / 5, 6.0  # the damping after a step that gained, and after one that did not


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedFamily:
    """A family fitted to one edge spread.

    Parameters
    ----------
    family : Family
        Which.
    shape : ndarray of shape (p,)
        Its parameters.
    common : ndarray of shape (6,)
        Shift, dark level, bright level, shading, what is left of the fall-off, and the slope of light that is added to
        both sides alike.
    covariance : ndarray of shape (p, p)
        Of the family's parameters.
    covariance_with_common : ndarray of shape (p, p + 6)
        Of these with all parameters.
    misfit : float
        Sum of squared residuals over their variances.
    log_evidence : float
        Logarithm of the probability of the spread under the family, by Laplace's approximation.
    """

    family: Family
    shape: FloatArray
    common: FloatArray
    covariance: FloatArray
    covariance_with_common: FloatArray
    misfit: float
    log_evidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenEdge:
    """An edge spread, and what its families are fitted with.

    Parameters
    ----------
    spread : EdgeSpread
        Binned along the normal.
    basis : EdgeBasis
        At the distances of its bins.
    aperture : ndarray
        Transform of pixel and bin at the frequencies of the basis.
    levels : tuple of float
        Exposures that the spread's levels 0 and 1 stand for.
    noise : ClippedNoise
        Levels and noise before clipping.
    fall_off_doubt : float
        Standard uncertainty of how much light is lost with the square of the distance, per squared pixel.
    """

    spread: EdgeSpread
    basis: EdgeBasis
    aperture: FloatArray
    levels: tuple[float, float]
    noise: ClippedNoise
    fall_off_doubt: float

    @property
    def expected(self) -> FloatArray:
        """What is common to all families, as the surface fit leaves it to be expected."""
        low, height = self.levels[0], self.levels[1] - self.levels[0]
        return np.array([0.0, (self.noise.dark - low) / height, (self.noise.bright - low) / height, 0.0, 0.0, 0.0])

    @property
    def scatter(self) -> FloatArray:
        """Standard deviations of that expectation."""
        light = SHADING_SCATTER_PER_PX, self.fall_off_doubt, VEIL_SCATTER_PER_PX
        return np.array([SHIFT_SCATTER_PX, LEVEL_SCATTER, LEVEL_SCATTER, *light])

    def model(self, family: Family, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the level of each bin and its derivatives by all parameters, of shape (p + 6, bins)."""
        shape, (shift, dark, bright, shading, fall_off, veil) = parameters[:-COMMON], parameters[-COMMON:]
        transform, derivatives = family.transform(self.basis.frequency, shape)
        edge, by_shape = self.basis.edge(transform * self.aperture, derivatives * self.aperture, shift)
        by_shift = -self.basis.line(transform * self.aperture)
        s = self.spread.distance_px
        height = bright - dark
        scale = self.levels[1] - self.levels[0]
        black = self.levels[0] / scale
        lit = dark + height * edge + black
        shade = 1 + shading * s + fall_off * s**2
        columns = np.vstack(
            [
                height * by_shape * shade,
                height * by_shift * shade,
                (1 - edge) * shade,
                edge * shade,
                s * lit,
                s**2 * lit,
                s,
            ]
        )
        seen = lit * shade + veil * s
        if not self.noise.clips:
            return seen - black, columns
        exposure = seen * scale
        mean, slope = self.noise.mean_and_slope(exposure)
        return mean / scale - black, columns * slope

    def change_of_light(self, fit: FittedFamily) -> FloatArray:
        """Return how far the light of each side has changed by the last bin: over the height, and over itself.

        Shape (2, 2): the dark and the bright side; by either measure, without sign.
        """
        dark, bright, shading, fall_off, veil = fit.common[1:]
        height = bright - dark
        black = self.levels[0] / (self.levels[1] - self.levels[0])
        lit = np.maximum(np.array([dark, bright]) + black, LEAST_LIT * abs(height))
        s = self.spread.distance_px[[0, -1]]
        change = np.abs(lit * (shading * s + fall_off * s**2) + veil * s)
        return np.array([change / abs(height), change / lit]).T

    def level(self, fit: FittedFamily) -> FloatArray:
        """Return the level of each bin as fitted, shape (bins,)."""
        return self.model(fit.family, np.concatenate([fit.shape, fit.common]))[0]

    def gain(self, fit: FittedFamily) -> FloatArray:
        """Return by how much a family's own parameters move with the level of each bin, shape (p, bins)."""
        return fit.covariance_with_common @ (
            self.model(fit.family, np.concatenate([fit.shape, fit.common]))[1] / self.spread.variance
        )


def seen_edge(
    spread: EdgeSpread,
    *,
    tilt_deg: float,
    sigma_px: float,
    levels: tuple[float, float],
    noise: ClippedNoise,
    fall_off_doubt: float,
) -> SeenEdge:
    """Return an edge spread with a basis for a blur of about a given width; see `SeenEdge`."""
    reach = float(np.max(np.abs(spread.distance_px)))
    highest = min(HIGHEST_CY_PX, max(LOWEST_CY_PX, 0.4 + 1 / sigma_px))
    basis = EdgeBasis(spread.distance_px, PERIOD_OVER_REACH * reach, highest)
    aperture = pixel_transform(basis.frequency, tilt_deg) * np.sinc(basis.frequency / BINS_PER_PX)
    return SeenEdge(
        spread=spread, basis=basis, aperture=aperture, levels=levels, noise=noise, fall_off_doubt=fall_off_doubt
    )


def fit_from_starts(edge: SeenEdge, family: Family, plainest: FittedFamily) -> FittedFamily:
    """Fit a family from each of its starts, at the width, shift, levels and light of the fitted Gaussian."""
    fits = [
        fit_family(edge, family, np.array([plainest.shape[0], *start[1:]]), plainest.common) for start in family.starts
    ]
    return max(fits, key=lambda fit: fit.log_evidence)


def fit_family(edge: SeenEdge, family: Family, shape: FloatArray, common: FloatArray) -> FittedFamily:
    """Fit a family by Levenberg and Marquardt's descent, on misfit and expectation together.

    Parameters
    ----------
    edge : SeenEdge
        What was seen.
    family : Family
        Which to fit.
    shape : ndarray of shape (p,)
        Where to begin: the family's own parameters.
    common : ndarray of shape (6,)
        And those of every family, as in `FittedFamily`.
    """
    here = _look(edge, family, np.concatenate([shape, common]))
    damping = FIRST_DAMPING
    for _ in range(MOST_STEPS):
        tried = _look(edge, family, here.parameters + here.step(damping))
        gained = here.cost - tried.cost
        if gained < 0:
            damping *= STIFFENED
            if damping > MOST_DAMPING:
                break
        else:
            here, damping = tried, max(damping * EASED, LEAST_DAMPING)
            if gained < SETTLED:
                break
    covariance = np.asarray(np.linalg.inv(here.curvature), dtype=np.float64)
    scatter = np.array([*family.scatter, *edge.scatter])
    _, log_det = np.linalg.slogdet(covariance / np.outer(scatter, scatter))
    return FittedFamily(
        family=family,
        shape=here.parameters[:-COMMON],
        common=here.parameters[-COMMON:],
        covariance=covariance[:-COMMON, :-COMMON],
        covariance_with_common=covariance[:-COMMON],
        misfit=here.misfit,
        log_evidence=math.log(family.odds) - 0.5 * here.cost + 0.5 * float(log_det),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """Where the descent stands, what it costs there, and how the cost falls and bends."""

    parameters: FloatArray
    misfit: float
    cost: float
    slope: FloatArray
    curvature: FloatArray

    def step(self, damping: float) -> FloatArray:
        damped = self.curvature + damping * np.diag(np.diag(self.curvature))
        return np.clip(np.linalg.solve(damped, self.slope), -LONGEST_STEP, LONGEST_STEP)


def _look(edge: SeenEdge, family: Family, parameters: FloatArray) -> _Look:
    level, columns = edge.model(family, parameters)
    residual = edge.spread.level - level
    scaled = columns / edge.spread.variance
    precision = 1 / np.array([*family.scatter, *edge.scatter]) ** 2
    off = parameters - np.array([*family.expected, *edge.expected])
    misfit = float(np.sum(residual**2 / edge.spread.variance))
    return _Look(
        parameters=parameters,
        misfit=misfit,
        cost=misfit + float(precision @ off**2),
        slope=scaled @ residual - precision * off,
        curvature=scaled @ columns.T + np.diag(precision),
    )
