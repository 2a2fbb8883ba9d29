"""All spots of a bright field: its smooth part taken out, candidates found, each fitted, doubtful ones dropped."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.field_circle import BrightField
from inspect_app.numerics.smooth_field import SmoothField, smooth_field
from inspect_app.numerics.spot_shape import SpotShape, fit_spot
from inspect_app.numerics.spots import Candidate, find_candidates

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BORDER_EDGES = 3.0  # standard deviations of the blurred border that are no field yet
FITTED_PX = 14.0  # a larger spot is fitted in a picture reduced to about this diameter
SIGNIFICANT = 5.0  # standard uncertainties of the depth


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSpot:
    """A spot: centre, diameter at half depth and depth over the surround (negative for dark), with uncertainties."""

    x: float
    y: float
    diameter_px: float
    diameter_u_px: float
    depth: float
    depth_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatField:
    """A bright field made flat.

    `relief` (rows, cols) float32 is the picture over its smooth part less 1, 0 outside; `inside` is where spots are
    sought; `spread` is the robust standard deviation of blocks about the smooth part, relative.
    """

    relief: npt.NDArray[np.float32]
    inside: BoolArray
    smooth: SmoothField
    spread: float


def inside_of(field: BrightField, shape: tuple[int, int], share: float = 1.0) -> BoolArray:
    """Return where a picture of `shape` belongs to the field, or to its inner `share`.

    For a whole frame the share is that of each side.
    """
    rows, cols = shape
    y, x = np.ogrid[:rows, :cols]
    if field.is_round:
        radius = field.radius_px - BORDER_EDGES * field.edge_px - 1 if share >= 1 else share * field.radius_px
        round_part: BoolArray = (x - field.x) ** 2 + (y - field.y) ** 2 <= radius**2
        return round_part
    in_rows = np.abs(y - (rows - 1) / 2) <= share * rows / 2
    in_cols = np.abs(x - (cols - 1) / 2) <= share * cols / 2
    whole: BoolArray = in_rows & in_cols
    return whole


def flatten(image: FloatArray, inside: BoolArray) -> FlatField | None:
    """Take the smooth part out of a bright field; None where too little of it is inside."""
    smooth = smooth_field(image, inside)
    if smooth is None:
        return None
    level = smooth.over_pixels()
    good = inside & (level > 0)
    relief = np.zeros(image.shape, dtype=np.float32)
    np.divide(image, level, out=relief, where=good, casting="same_kind")
    relief[good] -= 1
    if not good.any():
        return None
    return FlatField(relief=relief, inside=good, smooth=smooth, spread=smooth.spread / float(level[good].mean()))


def map_spots(flat: FlatField, *, smallest_px: float, largest_px: float, faintest: float) -> tuple[FoundSpot, ...]:
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
    tuple of FoundSpot
        Deepest first.

    Notes
    -----
    A fit's uncertainty assumes white noise. The noise of a texture is not white, so that it is scaled by the ratio of
    the scatter that the matched filter shows where there is no spot to what white noise would give it.
    """
    candidates = find_candidates(flat.relief, flat.inside, largest_px=largest_px, faintest=faintest)
    found = []
    for candidate in candidates:
        spot = _measured(flat, candidate, [c for c in candidates if c is not candidate])
        if spot is None or abs(spot.depth) < SIGNIFICANT * spot.depth_u or abs(spot.depth) < faintest:
            continue
        if smallest_px <= spot.diameter_px <= 1.5 * largest_px:
            found.append(spot)
    return tuple(sorted(_distinct(found), key=lambda s: -abs(s.depth)))


def _measured(flat: FlatField, candidate: Candidate, others: Sequence[Candidate]) -> FoundSpot | None:
    factor = max(1, int(candidate.diameter_px / FITTED_PX))
    relief, usable, left, top = _cut(flat, candidate, others, factor)
    shape = fit_spot(
        relief,
        usable,
        x=(candidate.x - left - (factor - 1) / 2) / factor,
        y=(candidate.y - top - (factor - 1) / 2) / factor,
        diameter_px=candidate.diameter_px / factor,
        depth=candidate.depth,
    )
    if shape is None:
        return None
    return _in_pixels(shape, candidate, factor, left, top)


def _in_pixels(shape: SpotShape, candidate: Candidate, factor: int, left: int, top: int) -> FoundSpot:
    # What white noise of standard deviation s gives the filter, a Gaussian of d / 2.83 less one twice as wide.
    sigma_px = max(candidate.diameter_px / factor / (2 * math.sqrt(2)), 0.5)
    white = shape.residual * 0.755 / (2 * math.sqrt(math.pi) * sigma_px) / 0.411
    inflation = max(1.0, candidate.noise / white) if white > 0 else 1.0
    return FoundSpot(
        x=left + shape.x * factor + (factor - 1) / 2,
        y=top + shape.y * factor + (factor - 1) / 2,
        diameter_px=shape.diameter_px * factor,
        diameter_u_px=shape.diameter_u_px * factor * inflation,
        depth=shape.depth,
        depth_u=shape.depth_u * inflation,
    )


def _cut(
    flat: FlatField, candidate: Candidate, others: Sequence[Candidate], factor: int
) -> tuple[FloatArray, BoolArray, int, int]:
    """Return the candidate's surroundings, reduced by a factor, with what belongs to other spots marked unusable."""
    reach = int(1.5 * candidate.diameter_px + 6 * factor) + 1
    left, top = max(0, int(candidate.x) - reach), max(0, int(candidate.y) - reach)
    part = (slice(top, int(candidate.y) + reach + 1), slice(left, int(candidate.x) + reach + 1))
    relief, usable = flat.relief[part].astype(np.float64), flat.inside[part].copy()
    y, x = np.ogrid[top : top + relief.shape[0], left : left + relief.shape[1]]
    for other in others:
        away = math.hypot(other.x - candidate.x, other.y - candidate.y)
        if away < 1.5 * reach + other.diameter_px:
            r = min(0.9 * other.diameter_px + 1, max(away - 0.6 * candidate.diameter_px, 0.5 * other.diameter_px))
            usable &= (x - other.x) ** 2 + (y - other.y) ** 2 > r**2
    if factor == 1:
        return relief, usable, left, top
    rows, cols = relief.shape[0] // factor, relief.shape[1] // factor
    cut = (slice(0, rows * factor), slice(0, cols * factor))
    split = (rows, factor, cols, factor)
    smaller: FloatArray = relief[cut].reshape(split).mean(axis=(1, 3))
    still_usable: BoolArray = np.logical_and.reduce(usable[cut].reshape(split), axis=(1, 3))
    return smaller, still_usable, left, top


def _distinct(found: Sequence[FoundSpot]) -> list[FoundSpot]:
    """Keep one of several fits that ran to the same place: the one with the most contrast for its doubt."""
    kept: list[FoundSpot] = []
    for spot in sorted(found, key=lambda s: -abs(s.depth) / max(s.depth_u, 1e-9)):
        if all(math.hypot(spot.x - k.x, spot.y - k.y) > 0.5 * max(spot.diameter_px, k.diameter_px) for k in kept):
            kept.append(spot)
    return kept
