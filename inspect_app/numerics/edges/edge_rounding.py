"""What the rounding of a JPEG does to an edge's response: the edge as fitted is coded anew and read again."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.edges.block_coding import CODE_VARIANCE, SCATTER, WHITE, Coding, coded, noise_before
from inspect_app.numerics.edges.edge_line import pixels_near
from inspect_app.numerics.edges.edge_response import EdgeResponse
from inspect_app.numerics.edges.edge_spread import EdgeLevels, edge_spread
from inspect_app.numerics.edges.edge_surface import EdgeSurface

FloatArray = npt.NDArray[np.float64]

DRAWS: Final = 8
OF_T: Final = (DRAWS - 1) / (DRAWS - 3)  # variance of Student's t with the degrees of freedom that the draws leave
SHARPER: Final = 1.4
LEAST_TOLD: Final = 0.02  # of a change in sharpness; less says nothing
NEGLIGIBLE: Final = 0.15  # of the noise's variance: adds 7 % to its part of the uncertainty


def is_drowned(surface: EdgeSurface, coding: Coding) -> bool:
    """Say whether the noise of an edge drowns the rounding of those terms that make its MTF50."""
    return coding.coarseness**2 / 12 < NEGLIGIBLE * float(_variances(surface, coding).min())


def height_in_steps(surface: EdgeSurface, coding: Coding) -> float:
    """Return the height of an edge in codes over the steps to which its coarse detail was rounded."""
    dark, bright = coding.codes(np.array([surface.dark[0], surface.bright[0]]))
    return float(bright - dark) / coding.coarseness


def rounding_doubt(
    surface: EdgeSurface, response: EdgeResponse, coding: Coding, *, shape: tuple[int, int], levels: Sequence[float]
) -> FloatArray:
    """Return how uncertain the rounding of a JPEG leaves where an edge's response falls to some levels.

    Parameters
    ----------
    surface : EdgeSurface
        As fitted to the region.
    response : EdgeResponse
        Likewise.
    coding : Coding
        Of the region.
    shape : tuple of int
        Rows and columns of the region.
    levels : sequence of float
        Between 0 and 1.

    Returns
    -------
    ndarray of shape (levels,)
        Standard uncertainty beyond that of the noise that is seen, in cycles per pixel.

    Notes
    -----
    Rounding takes away the noise by which a reading's doubt is told, most beside the edge, and fine detail with it:
    terms of less than half a step come back as nothing. No error of a pixel stands for that, so the edge as fitted is
    drawn in codes, noise is laid on, and both are coded as the file was. What that moves, read as by the last step of
    the fit, is told by its mean and its scatter over eight draws; the noise is what rounding may have left as seen.
    Where little noise is seen it may have been anything below the steps, so each draw has more than the last.

    An edge with much of its detail taken away looks like another, less sharp one. Half of the draws are repeated
    with the edge pressed together by 1.4: the part of that which is still seen divides the doubt.

    Of 300 edges at qualities of 5 to 95 (SNR 5 to 50, contrast 1.5 to 60), value ± 2 u held MTF50 without it in 5, 28,
    48, 72, 85 and 95 of 100 at 5, 10, 20 and 30, 40 and 50, 60 to 75, and 80 to 90. With it, of 600, in 96, 94, 95,
    98 and 98 of 100 at 10 and below, 20 and 30, and so on. What lost: the same draws fitted with a Gaussian anew, ten
    times as slow; taking the mean off the reading (errors a quarter smaller at a quality of 10, 5 % at 30 to 50, a
    fifth larger at 5); the scatter over the draws instead of that of what coding moves and of the noise that
    it took away (u a fifth too wide from a quality of 76 on).
    """
    redrawn = _redrawn(surface, response, shape, levels)
    fitted, pressed = (coding.codes(redrawn.picture(factor)) for factor in (1.0, SHARPER))
    seen = _variances(surface, coding)
    least = noise_before(seen / SCATTER - CODE_VARIANCE, coding.steps)
    most = noise_before(SCATTER * seen + CODE_VARIANCE, coding.steps)
    random = np.random.default_rng(0)
    by_coding, by_pressing, still_seen = [], [], []
    for draw in range(DRAWS):
        dark, bright = least + (most - least) * (draw + 0.5) / DRAWS
        noise = (dark + (bright - dark) * redrawn.share) * random.standard_normal(shape)
        plain, after = _exposures(coding, fitted + noise)
        by_coding.append(redrawn.moved(after - plain))
        if draw % 2:
            sharp_plain, sharp_after = _exposures(coding, pressed + noise)
            by_pressing.append(redrawn.moved(sharp_plain - plain))
            still_seen.append(redrawn.moved(sharp_after - after))
    told = np.clip(np.mean(still_seen, axis=0) / np.mean(by_pressing, axis=0), LEAST_TOLD, 1.0)
    variance = OF_T * np.var(by_coding, axis=0, ddof=1) + np.mean(by_coding, axis=0) ** 2
    taken_away = float(np.mean(np.maximum(noise_before(seen, coding.steps) ** 2 / seen - 1, 0.0)))
    noise_seen = np.array([response.crossing(level).noise for level in levels])
    return np.asarray(np.sqrt(variance / told**2 + taken_away * noise_seen**2), dtype=np.float64)


def _variances(surface: EdgeSurface, coding: Coding) -> FloatArray:
    """Return the variance of single pixels on the dark and the bright side, in squared codes."""
    sides = np.array([surface.dark[0], surface.bright[0]])
    return coding.in_codes(np.array([surface.dark_variance, surface.bright_variance]), sides)


def _exposures(coding: Coding, codes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the exposures that a picture has as it was taken and as it comes back from a JPEG."""
    whole = np.clip(np.rint(codes), 0.0, WHITE)
    return coding.exposed(whole), coding.exposed(coded(whole, coding.steps, coding.corner))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Redrawn:
    """A fitted edge, and how changes of its pixels move its crossings.

    All arrays have the shape (rows, cols) but for `by_bin`, of (levels, bins); `dark` and `height` are of the sides,
    `share` is that of the bright one, `variance` is of single pixels relative to the height.
    """

    bins: FloatArray
    level: FloatArray
    by_bin: FloatArray
    fine_within_px: float
    distance_px: FloatArray
    light: FloatArray
    dark: FloatArray
    height: FloatArray
    share: FloatArray
    variance: FloatArray

    def picture(self, factor: float) -> FloatArray:
        """Return the exposures of the edge, pressed together by a factor."""
        level = np.interp(self.distance_px * factor, self.bins, self.level)
        return np.asarray((self.dark + self.height * level) * self.light, dtype=np.float64)

    def moved(self, change: FloatArray) -> FloatArray:
        """Return by how much a change of exposures moves each crossing, to first order, in cycles per pixel."""
        inner = (self.distance_px >= self.bins[0]) & (self.distance_px <= self.bins[-1])
        spread = edge_spread(
            EdgeLevels(
                distance_px=self.distance_px[inner],
                level=(change / (self.light * self.height))[inner],
                variance=self.variance[inner],
                reach_px=float(max(-self.bins[0], self.bins[-1])),
            ),
            fine_within_px=self.fine_within_px,
        )
        return np.asarray(self.by_bin @ np.interp(self.bins, spread.distance_px, spread.level), dtype=np.float64)


def _redrawn(surface: EdgeSurface, response: EdgeResponse, shape: tuple[int, int], levels: Sequence[float]) -> _Redrawn:
    near = pixels_near(surface.curve, shape, float(sum(shape)))
    dark, bright = surface.levels(near.t)
    bins, level = response.seen.spread.distance_px, response.fitted_level()
    share = np.clip(np.interp(near.distance_px, bins, level), 0.0, 1.0)
    noise = surface.dark_variance + (surface.bright_variance - surface.dark_variance) * share

    def placed(values: FloatArray) -> FloatArray:
        whole = np.zeros(shape)
        whole[near.row, near.col] = values
        return whole

    return _Redrawn(
        bins=bins,
        level=level,
        by_bin=np.array([response.crossing_by_level(level) for level in levels]),
        fine_within_px=3 * surface.sigma_px + 4,
        distance_px=placed(near.distance_px),
        light=placed(surface.light(near)),
        dark=placed(dark),
        height=placed(bright - dark),
        share=placed(share),
        variance=placed(noise / (bright - dark) ** 2),
    )
