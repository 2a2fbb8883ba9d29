"""The spatial frequency response of an edge: families of blur fitted to its spread and weighed by their evidence."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.edges.clipped_noise import ClippedNoise
from inspect_app.numerics.edges.edge_families import FAMILIES, GAUSSIAN, pixel_transform
from inspect_app.numerics.edges.edge_fit import FittedFamily, SeenEdge, fit_family, fit_from_starts, seen_edge
from inspect_app.numerics.edges.edge_spread import EdgeSpread

FloatArray = npt.NDArray[np.float64]

FREQUENCIES: Final = np.linspace(0.0, 1.0, 201)
FINER: Final = 41  # places between two of those: a straight line from one to the next errs by less than 1e-6
BELIEVED: Final = 0.8  # of the log evidence: no family is quite the blur, so that many pixels must not settle it alone
STAND_IN: Final = 1 / BELIEVED - 1  # of its variance from noise, in a family that is no lens's own
FITTED: Final = 8  # parameters, of the families that usually weigh most
LIGHTEST: Final = 1e-3  # a family that weighs less than this is left out
SIGMAS_OF_SIDES: Final = (2.0, 7.0)  # from the edge: what lies nearer is its blur, and farther may be a neighbour
SIGMAS_OF_STRIP: Final = 0.5  # but no narrower than:
NARROWEST_STRIP_PX: Final = 2.0
SURE: Final = 3.0  # standard errors


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Where a response falls to a level: the frequency in cycles per pixel, and two parts of its uncertainty.

    `noise` comes from the noise of the pixels, `choice` from not knowing the family; both standard, in cycles per
    pixel.
    """

    frequency_cy_px: float
    noise: float
    choice: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeResponse:
    """The response along the normal of an edge.

    Parameters
    ----------
    seen : SeenEdge
        What the families were fitted to.
    fits : tuple of FittedFamily
        The families that count.
    weights : tuple of float
        Of each, by evidence; they sum to one.
    tilt_deg : float
        Of the edge.
    inflation : float
        Variance of the residuals over that expected from single pixels: above one where noise is correlated.
    degrees_of_freedom : int
        Bins of the spread less what was fitted to them.
    """

    seen: SeenEdge
    fits: tuple[FittedFamily, ...]
    weights: tuple[float, ...]
    tilt_deg: float
    inflation: float
    degrees_of_freedom: int

    def response(self, frequency_cy_px: FloatArray) -> FloatArray:
        """Return the response, 1 at zero frequency, of the same shape as the frequencies."""
        pixel = pixel_transform(frequency_cy_px, self.tilt_deg)
        total = np.zeros_like(frequency_cy_px)
        for weight, fit in zip(self.weights, self.fits, strict=True):
            total += weight * fit.family.transform(frequency_cy_px, fit.shape)[0]
        return np.asarray(total * pixel, dtype=np.float64)

    def fitted_level(self) -> FloatArray:
        """Return the level of each bin of the spread as fitted, shape (bins,)."""
        levels = [self.seen.level(fit) for fit in self.fits]
        return np.asarray(np.array(self.weights) @ levels, dtype=np.float64)

    def change_of_light(self) -> FloatArray:
        """Return how far the light of each side changes, as the likeliest family has it: `SeenEdge.change_of_light`."""
        return self.seen.change_of_light(self.fits[int(np.argmax(self.weights))])

    def departure_of_sides(self, sigma_px: float) -> float:
        """Return the farthest that a strip of the sides lies off what was fitted, over the height of the edge.

        Parameters
        ----------
        sigma_px : float
            Standard deviation of the edge's blur: strips are half of it wide, 2 px at least, and lie at 2 to
            7 times as much from the edge.

        Returns
        -------
        float
            Less three standard errors of the strip's mean, so below zero where nothing departs.
        """
        spread = self.seen.spread
        nearest_px, farthest_px = (sigmas * sigma_px for sigmas in SIGMAS_OF_SIDES)
        is_side = (np.abs(spread.distance_px) > nearest_px) & (np.abs(spread.distance_px) < farthest_px)
        if not np.any(is_side):
            return 0.0
        wide_px = max(NARROWEST_STRIP_PX, SIGMAS_OF_STRIP * sigma_px)
        _, strip = np.unique(np.floor(spread.distance_px[is_side] / wide_px), return_inverse=True)
        weight = 1 / spread.variance[is_side]
        total = np.bincount(strip, weight)
        mean = np.bincount(strip, weight * (spread.level - self.fitted_level())[is_side]) / total
        return float(np.max(np.abs(mean) - SURE / np.sqrt(total)))

    def crossing_by_level(self, level: float) -> FloatArray:
        """Return by how much the crossing of a level moves with each bin of the spread, in cycles per pixel."""
        moved = [_family_crossing(fit, self.tilt_deg, level)[1] @ self.seen.gain(fit) for fit in self.fits]
        return np.asarray(np.array(self.weights) @ moved, dtype=np.float64)

    def crossing(self, level: float) -> Crossing:
        """Return where the response first falls to a level between 0 and 1."""
        found = [_family_crossing(fit, self.tilt_deg, level) for fit in self.fits]
        places = np.array([place for place, _ in found])
        noises = np.array(
            [
                math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))
                for fit, (_, gradient) in zip(self.fits, found, strict=True)
            ]
        )
        weights = np.array(self.weights)
        mean = float(weights @ places)
        variances = noises**2 * self.inflation
        apart = (places - mean) ** 2 + variances * [STAND_IN * fit.family.stands_in for fit in self.fits]
        return Crossing(
            frequency_cy_px=mean,
            noise=math.sqrt(float(weights @ variances)),
            choice=math.sqrt(float(weights @ apart)),
        )


def edge_response(
    spread: EdgeSpread,
    *,
    tilt_deg: float,
    sigma_px: float,
    levels: tuple[float, float],
    noise: ClippedNoise,
    fall_off_doubt: float,
) -> EdgeResponse:
    """Fit families of blur to an edge spread and weigh them.

    Parameters
    ----------
    spread : EdgeSpread
        Binned along the normal.
    tilt_deg : float
        Of the normal against the nearer axis.
    sigma_px : float
        First estimate of the blur without the pixel.
    levels : tuple of float
        Exposures that the spread's levels 0 and 1 stand for.
    noise : ClippedNoise
        Levels and noise before clipping.
    fall_off_doubt : float
        Standard uncertainty of how much light is lost with the square of the distance, per squared pixel.

    Returns
    -------
    EdgeResponse
        Mean over the families, each weighed by its evidence.

    Notes
    -----
    Each family goes through the pixel (two sincs) and the bins (one sinc), is fitted by Levenberg and Marquardt's
    descent together with shift, levels, shading and what is left of the fall-off, and gets its evidence by Laplace's
    approximation; noise that is clipped at black or white is modelled, not masked. Uncertainty beyond the noise is the
    spread of the families about their mean. Families of many shapes count only where the edge speaks for them. It
    breaks down where the blur is not symmetric (coma, motion with a jerk): the residuals then exceed the noise, which
    inflates the uncertainty and is told. Light that is scattered beyond the region is taken for light of the sides.

    How light falls off is known from the rows, and little of it where they are few. Left out of this fit, its doubt
    went into no uncertainty: of edges cut short by clipping, value ± 2 u held MTF50 in 94 of 100, with it in 97.
    Nor do the rows tell of light that falls off across the edge alone: with 5 % more doubt of it, from the picture's
    middle to its border, 96 instead of 79 of 100 were held where it loses 5 to 25 %, and edges in even light have a p90
    of MTF50 4 to 6 % greater (200 of each).

    A reflection adds light to both sides alike, where shading takes a share of each: its slope across the edge is let
    go within 3e-4 of the height per pixel. Of 148 edges of charts under a veil of a quarter of the height, 108 to 156
    px wide, value ± 2 u held MTF50 in 85 of 100 without it, and in 96 and 97 with 5e-4 and 2e-4. In even light the p90
    of bent edges grew by 0.6 and 2.5 % with 2e-4 and 4e-4 (240 edges). With 3e-4 another 196 edges under such veils are
    held in 96 of 100, and in 84 without.

    No family is quite the blur of a real lens, so the evidence counts with 0.8 of its logarithm (a power posterior),
    and in a family that only stands in for other blurs with 0.8 of what it says of the parameters too. Value ± 2 u then
    holds MTF10 of Gaussian blurs in 98.8 of 100 captures (1100), of three Gaussians in 95 (288), of exponential
    responses in 96 (120), of all blurs with tails in 95 (160); with 0.9, and more for what stands in, in 98.3, 94, 94
    and 92.5; with all of it in 98, 94, 92. A noisy edge does not tell which kind it is: who doubts enough for the odd
    ones doubts a little too much for the plain.

    More noise widens the uncertainty, but for what its own estimate spreads from draw to draw: by 10 % of itself at
    MTF50 and 16 % at MTF10 (root mean square over all kinds of blur, SNR 4 to 50). Noise that hides what speaks against
    a plainer family may take away the doubt of its choice: of 720 edges, their own noise laid on 1.5, 2 and 4 times, u
    shrank by more than 3 % in 1 of 4300 comparisons at MTF50, and in 15 at MTF10.

    What lost: weighing the families of one edge by what the other edges of its chart say (MTF10 of Gaussian edges with
    a p90 of 1.9 instead of 2.6 %, but MTF50 of halos with 2.7 instead of 2.5 %: what stands in for the halo of one edge
    counts for all). Expecting a halo of 0.12 rather than none: no kind's p90 better by more than its own doubt. Pixels
    from 48 instead of 24 px, where nothing departs there: errors of MTF50 1 to 5 % smaller (2400 edges of four draws),
    but the p90 of bent ones between 4 % smaller and 12 % greater (five draws), 1.2 times the time, and beside a panel
    faintly darker from 30 px on 94 instead of 96 of 100 held. Three Gaussians of fixed widths instead of six: 1 % of
    bias. One Gaussian, two and a disc alone: blurs with tails held in 72 of 100 captures, at MTF10 47. No family for
    diffraction: held in 63 of 100, MTF10 5 % too high. A stretched exponential without a Gaussian behind it: 50 of 100
    with exponential responses. The quarter-pixel e-SFR of `spatial_frequency_response` has an rms error of 6.6 % at SNR
    10 and 1 px, this 3.4 %.

    References
    ----------
    D. J. C. MacKay, Neural Computation 4, 415 (1992): evidence of models by Laplace's approximation; P. Gruenwald and
    T. van Ommen, Bayesian Analysis 12, 1069 (2017): power posteriors where no model is true (both from memory).
    """
    edge = seen_edge(
        spread, tilt_deg=tilt_deg, sigma_px=sigma_px, levels=levels, noise=noise, fall_off_doubt=fall_off_doubt
    )
    plainest = fit_family(edge, GAUSSIAN, np.array([math.log(sigma_px)]), edge.expected)
    others = [fit_from_starts(edge, family, plainest) for family in FAMILIES if family is not GAUSSIAN]
    fits = [plainest, *others]
    freedom = max(1, spread.level.size - FITTED)
    inflation = max(1.0, min(fit.misfit for fit in fits) / freedom)
    evidence = np.array([_evidence(fit, inflation) for fit in fits])
    weights = np.exp(evidence - evidence.max())
    weights[weights < LIGHTEST * weights.sum()] = 0.0
    weights /= weights.sum()
    return EdgeResponse(
        seen=edge,
        fits=tuple(fit for fit, weight in zip(fits, weights, strict=True) if weight > 0),
        weights=tuple(float(weight) for weight in weights if weight > 0),
        tilt_deg=tilt_deg,
        inflation=inflation,
        degrees_of_freedom=freedom,
    )


def _evidence(fit: FittedFamily, inflation: float) -> float:
    return BELIEVED * (fit.log_evidence + 0.5 * fit.misfit * (1 - 1 / inflation))


def _family_crossing(fit: FittedFamily, tilt_deg: float, level: float) -> tuple[float, FloatArray]:
    """Return the frequency at which one family falls to a level, and its derivatives by the family's parameters."""

    def response(frequency: FloatArray) -> FloatArray:
        return fit.family.transform(frequency, fit.shape)[0] * pixel_transform(frequency, tilt_deg)

    below = np.flatnonzero(response(FREQUENCIES) < level)
    last = int(below[0]) if below.size else FREQUENCIES.size - 1
    around = np.linspace(FREQUENCIES[last - 1], FREQUENCIES[last], FINER)
    falling = -response(around)
    place = float(np.interp(-level, falling, around))
    steepness = (falling[-1] - falling[0]) / (around[-1] - around[0])
    here = np.array([place])
    gradient = fit.family.transform(here, fit.shape)[1][:, 0] * pixel_transform(here, tilt_deg) / steepness
    return place, np.asarray(gradient, dtype=np.float64)
