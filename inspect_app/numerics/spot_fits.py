"""Fits of spots in the octaves of a relief: from where they were sought to where they are, and out of the relief."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.found_spot import FoundSpot
from inspect_app.numerics.spot_profile import blurred_disc
from inspect_app.numerics.spot_shape import LIKELY_SOFTNESS, SHARPEST_PX, fit_spot
from inspect_app.numerics.spots import Candidate, Level
from inspect_app.numerics.texture import BLOCK_PX

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LARGEST_FITTED_PX = 13.0  # a larger spot is fitted in a coarser octave
START_GROWTHS = (1.0, 0.4, 1.7, 2.9)
GOOD_MISFIT = 1.5  # variance left over that of the texture
OUTGROWN = 1.35
MOST_WINDOWS = 6  # a large sharp spot is found at its border, by a filter of a sixth of its size
SAME_END = 0.05  # of the diameter


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBlur:
    """What is known to blur every spot of a relief: its reduction from a picture, and the optics.

    `reduced_by` is the side of a pixel of the relief in pixels of the picture, `optics_px` a standard deviation in
    pixels of the relief, `likely_softness` what is expected of the rest over the radius of a spot.
    """

    reduced_by: int = 1
    optics_px: float = 0.0
    likely_softness: float = LIKELY_SOFTNESS

    def within(self, level: Level) -> float:
        """Return its standard deviation in pixels of a level: the mean of n by n pixels widens by (n² - 1) / 12."""
        aperture = (1 - (self.reduced_by * level.factor) ** -2) / 12
        return math.sqrt(aperture + (self.optics_px / level.factor) ** 2)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted spot; radius, softness (of the whole blur) and plateau of its profile, and how well it fits.

    `misfit`, `evidence` and `unlike` as in `spot_shape.SpotShape`.
    """

    spot: FoundSpot
    radius_px: float
    softness: float
    plateau: float
    misfit: float
    evidence: float
    unlike: float


@dataclass(frozen=True, slots=True)
class Tried:
    """The best of several fits, and how many there were."""

    best: Fit | None
    fits: int


def fitted_spot(levels: Sequence[Level], candidate: Candidate, weaker: FloatArray, blur: KnownBlur) -> Tried:
    """Fit a candidate; from other starts as well where the fit leaves much.

    A sharp border answers to a filter smaller than its spot, a point in a coarse grain to one larger than it, inverted;
    and a fit that starts at another size may end in a false minimum. Of several ends the one counts that explains most
    over what it leaves: what is left alone is diluted by a larger window.
    """
    best, fits = None, 0
    for growth in START_GROWTHS:
        start = replace(candidate, diameter_px=growth * candidate.diameter_px)
        tried = _settled(levels, start, weaker, blur)
        fits, fitted = fits + tried.fits, tried.best
        if fitted is None:
            continue
        if best is None or fitted.evidence > best.evidence:
            best = fitted
        elif growth > 1 and abs(fitted.spot.diameter_px / best.spot.diameter_px - 1) < SAME_END:
            break
        if best.misfit < GOOD_MISFIT:
            break
    return Tried(best, fits)


def _settled(levels: Sequence[Level], start: Candidate, weaker: FloatArray, blur: KnownBlur) -> Tried:
    """Fit again from what was found where window and octave do not suit it, and it is still where it was sought."""
    fitted, fits, sought = None, 0, start
    while fits < MOST_WINDOWS:
        fits += 1
        again = _fitted_from(levels, start, weaker, blur)
        if again is None:
            break
        fitted, spot = again, again.spot
        grown = spot.diameter_px / start.diameter_px
        reach_px = 0.5 * max(sought.diameter_px, spot.diameter_px) + 2
        is_away = math.hypot(spot.x - sought.x, spot.y - sought.y) > reach_px
        if is_away or (1 / OUTGROWN < grown < OUTGROWN and spot.depth * start.depth > 0):
            break
        start = replace(start, x=spot.x, y=spot.y, diameter_px=spot.diameter_px, depth=spot.depth)
    return Tried(fitted, fits)


def _fitted_from(levels: Sequence[Level], candidate: Candidate, weaker: FloatArray, blur: KnownBlur) -> Fit | None:
    """Fit a candidate in the finest octave in which it is not larger than about 13 pixels.

    `weaker` of shape (n, 4) has x, y, diameter and strength of the candidates that come after it.
    """
    diameter_px = candidate.diameter_px
    level = next((lv for lv in levels if diameter_px / lv.factor <= LARGEST_FITTED_PX), levels[-1])
    factor, shift = level.factor, (level.factor - 1) / 2
    left = round((candidate.x - shift) / factor) - BLOCK_PX // 2
    top = round((candidate.y - shift) / factor) - BLOCK_PX // 2
    relief, usable = _patch(level, left, top)
    rows, cols = np.ogrid[top : top + BLOCK_PX, left : left + BLOCK_PX]
    away = np.hypot(weaker[:, 0] - candidate.x, weaker[:, 1] - candidate.y)
    is_apart = away > 0.8 * (diameter_px + weaker[:, 2]) + factor
    is_near = away < BLOCK_PX * factor + weaker[:, 2]
    for other in weaker[is_apart & is_near & (weaker[:, 3] > 0.2 * candidate.strength)]:
        (x, y), r = (other[:2] - shift) / factor, 0.8 * other[2] / factor + 1
        usable &= (cols - x) ** 2 + (rows - y) ** 2 > r**2
    shape = fit_spot(
        relief,
        usable,
        level.power,
        x=(candidate.x - shift) / factor - left,
        y=(candidate.y - shift) / factor - top,
        diameter_px=diameter_px / factor,
        depth=candidate.depth,
        known_blur_px=blur.within(level),
        likely_softness=blur.likely_softness,
    )
    if shape is None:
        return None
    spot = FoundSpot(
        x=(left + shape.x) * factor + shift,
        y=(top + shape.y) * factor + shift,
        diameter_px=shape.diameter_px * factor,
        diameter_u_px=shape.diameter_u_px * factor,
        depth=shape.depth,
        depth_u=shape.depth_u,
        disc_px=shape.disc_px * factor,
        disc_u_px=shape.disc_u_px * factor,
        disc_depth=shape.disc_depth,
        disc_depth_u=shape.disc_depth_u,
        blur_px=shape.own_blur_px * factor,
        log_blur_u=shape.log_blur_u,
    )
    return Fit(
        spot, shape.radius_px * factor, shape.softness, shape.plateau, shape.misfit, shape.evidence, shape.unlike
    )


def _patch(level: Level, left: int, top: int) -> tuple[FloatArray, BoolArray]:
    """Return 64 x 64 pixels of a level; what lies outside of it is 0 and not usable."""
    relief, usable = np.zeros((BLOCK_PX, BLOCK_PX)), np.zeros((BLOCK_PX, BLOCK_PX), dtype=bool)
    rows, cols = level.relief.shape
    a, b = max(top, 0), min(top + BLOCK_PX, rows)
    c, d = max(left, 0), min(left + BLOCK_PX, cols)
    if a < b and c < d:
        relief[a - top : b - top, c - left : d - left] = level.relief[a:b, c:d]
        usable[a - top : b - top, c - left : d - left] = level.inside[a:b, c:d]
    return relief, usable


def fitted_again(levels: Sequence[Level], fitted: Fit, blur: KnownBlur) -> Fit:
    """Fit a spot that was taken out once more, now that more of its blur is known; the fit as it was if that fails."""
    spot = fitted.spot
    start = Candidate(x=spot.x, y=spot.y, diameter_px=spot.diameter_px, depth=spot.depth, limit=1.0, octave=0)
    take_out(levels, replace(fitted, plateau=-fitted.plateau))
    again = _fitted_from(levels, start, np.zeros((0, 4)), blur) or fitted
    take_out(levels, again)
    return again


def take_out(levels: Sequence[Level], fitted: Fit) -> None:
    """Take a spot out of the reliefs of all levels, in place: they are working copies of one map."""
    drawn, profile = 0.0, None
    for level in levels:
        shift, radius = (level.factor - 1) / 2, fitted.radius_px / level.factor
        softness = max(fitted.softness, SHARPEST_PX / radius)
        if profile is None or softness != drawn:
            drawn, profile = softness, blurred_disc(1.0, softness, 0.0)
        x, y = (fitted.spot.x - shift) / level.factor, (fitted.spot.y - shift) / level.factor
        reach = math.ceil(radius * (1 + 4 * softness)) + 1
        top, bottom = max(0, round(y) - reach), min(level.relief.shape[0], round(y) + reach + 1)
        left, right = max(0, round(x) - reach), min(level.relief.shape[1], round(x) + reach + 1)
        if top < bottom and left < right:
            rows, cols = np.ogrid[top:bottom, left:right]
            r = np.sqrt((cols - x) ** 2 + (rows - y) ** 2) / radius
            part = level.relief[top:bottom, left:right]
            part -= (fitted.plateau * np.interp(r, profile.r, profile.value)).astype(np.float32)


def still_stands_out(levels: Sequence[Level], candidate: Candidate) -> bool:
    """Say whether a candidate stands out of the texture after stronger spots were taken out."""
    level = levels[candidate.octave]
    kernel = level.kernels[candidate.diameter_px / level.factor]  # factors are powers of two, so this is exact
    shift = (level.factor - 1) / 2
    left = round((candidate.x - shift) / level.factor) - BLOCK_PX // 2
    top = round((candidate.y - shift) / level.factor) - BLOCK_PX // 2
    relief, _ = _patch(level, left, top)
    return abs(float((relief * kernel).sum())) > 0.9 * candidate.limit
