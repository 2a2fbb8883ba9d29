"""All spots of a bright field: its smooth part taken out, candidates found, each fitted, doubtful ones dropped."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.field_circle import BrightField
from inspect_app.numerics.smooth_field import SmoothField, smooth_field
from inspect_app.numerics.spot_profile import blurred_disc
from inspect_app.numerics.spot_shape import SHARPEST_PX, fit_spot
from inspect_app.numerics.spots import Candidate, Level, find_candidates, levels_of
from inspect_app.numerics.texture import BLOCK_PX, Rounding

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BORDER_EDGES = 3.0  # standard deviations of the blurred border that are no field yet
LARGEST_FITTED_PX = 13.0  # a larger spot is fitted in a coarser octave
START_GROWTHS = (1.0, 1.7, 2.9)
GOOD_MISFIT = 1.5  # variance left over that of the texture
OUTGROWN = 1.35
MOST_WINDOWS = 3
SAME_END = 0.05  # of the diameter
REMNANT_SHARE = 0.25  # of a spot's depth, close to it
OUTLINE_SHARE = 0.1  # of a spot's depth times area, at its outline: no outline is quite a circle
SIGNIFICANT = 4.0  # standard uncertainties of the depth, of what stood out of the texture by six
MOST_SPOTS = 400  # with more the field is nothing but spots
MOST_FITS = 1200  # bounds the time, at 2 to 10 ms each; 400 clear spots take about 600


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSpot:
    """A spot: centre, diameter and depth over the surround (negative for dark), with uncertainties.

    The diameter is where half of the depth is reached. `disc_px` and `disc_depth` are those of the disc that, blurred
    by `blur_px`, makes its profile; `log_blur_u` is the standard uncertainty of the blur's logarithm.
    """

    x: float
    y: float
    diameter_px: float
    diameter_u_px: float
    depth: float
    depth_u: float
    disc_px: float
    disc_u_px: float
    disc_depth: float
    disc_depth_u: float
    blur_px: float
    log_blur_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotMap:
    """The spots of a field, deepest first; not whole where the search was given up, since there was no end of them."""

    spots: tuple[FoundSpot, ...]
    is_whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatField:
    """A bright field made flat.

    `relief` (rows, cols) float32 is the picture over its smooth part less 1, 0 outside; `inside` is where spots are
    sought; `spread` is the robust standard deviation of blocks about the smooth part, relative; `rounding` what the
    file has rounded of it.
    """

    relief: npt.NDArray[np.float32]
    inside: BoolArray
    smooth: SmoothField
    spread: float
    rounding: Rounding | None = None


def inside_of(field: BrightField, shape: tuple[int, ...]) -> BoolArray:
    """Return where a picture of `shape` (rows, cols) belongs to the field."""
    if not field.is_round:
        return np.ones(shape, dtype=bool)
    inside = np.zeros(shape, dtype=bool)
    radius = field.radius_px - BORDER_EDGES * field.edge_px - 1
    # Row by row: the squares of all distances take longer than all else that is done to the whole picture.
    for row in range(max(0, math.ceil(field.y - radius)), min(shape[0], math.floor(field.y + radius) + 1)):
        half = math.sqrt(max(radius**2 - (row - field.y) ** 2, 0.0))
        inside[row, max(0, math.ceil(field.x - half)) : max(0, math.floor(field.x + half) + 1)] = True
    return inside


def flatten(image: FloatArray, inside: BoolArray) -> FlatField | None:
    """Take the smooth part out of a bright field; None where too little of it is inside."""
    smooth = smooth_field(image, inside)
    if smooth is None:
        return None
    level = smooth.over_pixels()
    good = inside & (level > 0)
    if not good.any():
        return None
    relief = np.zeros(image.shape, dtype=np.float32)
    np.divide(image, level, out=relief, where=good, casting="same_kind")
    relief[good] -= 1
    return FlatField(relief=relief, inside=good, smooth=smooth, spread=smooth.spread / float(level[good].mean()))


def map_spots(flat: FlatField, *, smallest_px: float, largest_px: float, faintest: float) -> SpotMap:
    """Find and measure the spots of a flattened field.

    Parameters
    ----------
    flat : FlatField
    smallest_px, largest_px : float
        Diameters of interest in pixels of the relief.
    faintest : float
        Least depth of interest.

    Returns
    -------
    SpotMap
        The search is given up at 400 spots, and after 1 200 fits, of which what is no spot takes up to nine.

    Notes
    -----
    Candidates are fitted strongest first, and each spot found is taken out of the relief: what its filter made of its
    surroundings no longer counts as a candidate then, and a weaker neighbour is measured without it.
    """
    levels = levels_of(flat.relief.copy(), flat.inside, largest_px=largest_px, rounding=flat.rounding)
    candidates = find_candidates(levels, faintest=faintest)
    places = np.array([(c.x, c.y, c.diameter_px, c.strength) for c in candidates]).reshape(-1, 4)
    found: list[FoundSpot] = []
    fits = 0
    for place, candidate in enumerate(candidates):
        if len(found) >= MOST_SPOTS or fits >= MOST_FITS:
            break
        if _is_remnant(candidate, found) or (found and not _still_stands_out(levels, candidate)):
            continue
        tried = _fitted(levels, candidate, places[place + 1 :])
        fits, fitted = fits + tried.fits, tried.best
        if fitted is None:
            continue
        spot = fitted.spot
        if abs(spot.depth) < max(SIGNIFICANT * spot.depth_u, faintest) or fitted.evidence < SIGNIFICANT**2:
            continue
        if not _is_within(spot, flat.inside) or _is_of_an_outline(spot, found):
            continue
        _take_out(levels, fitted)
        if smallest_px <= spot.diameter_px <= 1.5 * largest_px:
            found.append(spot)
    is_whole = len(found) < MOST_SPOTS and fits < MOST_FITS
    return SpotMap(spots=tuple(sorted(found, key=lambda s: -abs(s.depth))), is_whole=is_whole)


def _is_within(spot: FoundSpot, inside: BoolArray) -> bool:
    """Say whether a spot lies between places of the field in its row: its own may be saturated."""
    row = round(spot.y)
    if not 0 <= row < inside.shape[0]:
        return False
    cols = np.flatnonzero(inside[row])
    return bool(len(cols) and cols[0] <= round(spot.x) <= cols[-1])


def _is_remnant(candidate: Candidate, found: Sequence[FoundSpot]) -> bool:
    """Say whether a candidate is what the profile of a much deeper spot left of it."""
    return any(
        abs(candidate.depth) < REMNANT_SHARE * abs(spot.depth)
        and math.hypot(candidate.x - spot.x, candidate.y - spot.y) < 0.75 * (candidate.diameter_px + spot.diameter_px)
        for spot in found
    )


def _is_of_an_outline(late: FoundSpot, found: Sequence[FoundSpot]) -> bool:
    """Say whether a spot is what the outline of a stronger one has over a circle, or lies within it."""
    for spot in found:
        away = math.hypot(late.x - spot.x, late.y - spot.y)
        share = abs(late.depth) * late.diameter_px**2 / (abs(spot.depth) * spot.diameter_px**2)
        is_small_beside = share < OUTLINE_SHARE and away < 0.5 * spot.diameter_px + 0.75 * late.diameter_px + 1
        if is_small_beside or (share < 1 and away < 0.5 * spot.diameter_px):
            return True
    return False


def _still_stands_out(levels: Sequence[Level], candidate: Candidate) -> bool:
    level = levels[candidate.octave]
    kernel = level.kernels[candidate.diameter_px / level.factor]  # factors are powers of two, so this is exact
    shift = (level.factor - 1) / 2
    left = round((candidate.x - shift) / level.factor) - BLOCK_PX // 2
    top = round((candidate.y - shift) / level.factor) - BLOCK_PX // 2
    relief, _ = _patch(level, left, top)
    return abs(float((relief * kernel).sum())) > 0.9 * candidate.limit


def _take_out(levels: Sequence[Level], fitted: "_Fit") -> None:
    """Take a spot out of the reliefs of all levels, in place: they are this module's own working copies."""
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


@dataclass(frozen=True, slots=True)
class _Fit:
    spot: FoundSpot
    radius_px: float
    softness: float
    plateau: float
    misfit: float
    evidence: float


@dataclass(frozen=True, slots=True)
class _Tried:
    best: _Fit | None
    fits: int


def _fitted(levels: Sequence[Level], candidate: Candidate, weaker: FloatArray) -> _Tried:
    """Fit a candidate; from larger starts as well where the fit leaves much.

    A sharp border answers to a filter smaller than its spot, and a fit that starts too small may end in a false
    minimum. Of several ends the one counts that explains most over what it leaves: what is left alone is diluted by a
    larger window.
    """
    best, fits = None, 0
    for growth in START_GROWTHS:
        start = replace(candidate, diameter_px=growth * candidate.diameter_px)
        tried = _settled(levels, start, weaker)
        fits, fitted = fits + tried.fits, tried.best
        if fitted is None:
            continue
        if best is None or fitted.evidence > best.evidence:
            best = fitted
        elif abs(fitted.spot.diameter_px - best.spot.diameter_px) < SAME_END * best.spot.diameter_px:
            break
        if best.misfit < GOOD_MISFIT:
            break
    return _Tried(best, fits)


def _settled(levels: Sequence[Level], start: Candidate, weaker: FloatArray) -> _Tried:
    """Fit again from what was found where window and octave do not suit it, and it is still where it was sought."""
    fitted, fits, sought = None, 0, start
    while fits < MOST_WINDOWS:
        fits += 1
        again = _fitted_from(levels, start, weaker)
        if again is None:
            break
        fitted, spot = again, again.spot
        grown = spot.diameter_px / start.diameter_px
        is_away = math.hypot(spot.x - sought.x, spot.y - sought.y) > 0.5 * sought.diameter_px + 2
        if is_away or (1 / OUTGROWN < grown < OUTGROWN and spot.depth * start.depth > 0):
            break
        start = replace(start, x=spot.x, y=spot.y, diameter_px=spot.diameter_px, depth=spot.depth)
    return _Tried(fitted, fits)


def _fitted_from(levels: Sequence[Level], candidate: Candidate, weaker: FloatArray) -> _Fit | None:
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
        blur_px=shape.softness * shape.radius_px * factor,
        log_blur_u=shape.log_blur_u,
    )
    return _Fit(spot, shape.radius_px * factor, shape.softness, shape.plateau, shape.misfit, shape.evidence)


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
