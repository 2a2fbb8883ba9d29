"""What a bright field holds, in pixels: its smooth part, its spots, its odd pixels, its shading."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.capture import FloatArray
from inspect_app.errors import NothingToMeasure
from inspect_app.measure._blemish.field_frames import Frames
from inspect_app.measure._blemish.field_shading import Shading, shading_of, with_uneven_parts
from inspect_app.numerics.fields.field_circle import BrightField, find_field, veil_of
from inspect_app.numerics.fields.field_rim import Rim, rim_of
from inspect_app.numerics.fields.finer_surface import alike_of
from inspect_app.numerics.fields.smooth_field import SmoothField
from inspect_app.numerics.spots.candidates import NARROWEST_PX
from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.odd_pixels import HOT_LIMIT, PixelArray, clusters_of, hot_pixels, noise_of, odd_in_light
from inspect_app.numerics.spots.reduced_pictures import reduced, reduced_all
from inspect_app.numerics.spots.spot_map import MOST_SPOTS, FlatField, flatten, inside_of, map_spots
from inspect_app.numerics.spots.texture import Rounding

SMALLEST_PX = 1.5  # without a scale: what is narrower is a pixel's fault, not a lens's drawing
SMALLEST_WORKED_PX = 5.0  # the smallest spot of interest after reduction
SMALLEST_WORKED_LARGE_PX = 4.0  # the same in a large picture, for speed
LARGE_PIXELS = 6_000_000
LONGEST_WORKED_PX = 2600  # without a scale: the longest side after reduction
LARGEST_SHARE = 0.12  # of the field's diameter
SATURATED_REFUSED = 0.3
DARKEST_NOISE = 1 / HOT_LIMIT  # of the level: in more no black pixel, and no picture without light, is told
UNEVEN_REFUSED = 0.11  # robust scatter of small blocks about the smooth part; strong textures reach 0.1
ALIKE_REFUSED = 0.03  # by which blocks side by side depart alike; a step of 15 % across a picture reaches 0.014
ALIKE_SHARE = 0.85  # of all that they depart by; coarse textures reach 0.83, edges across a picture 0.9 and more
FEWEST_FACING = 5  # spots, bright beside dark, and more than half of all: a step of the light; 40 fields had none
HALO_SHARE_U = 0.5  # 2 u hold that what is scattered over the field is a part of its light, and that it is none
SURROUND_SHARE_U = 0.4
"""Of the light around a field that no dark frame tells from black: all of it lies over the field, as black level and
stray light do, as often as any share of it does (root of the mean square of what is then taken off too much)."""
BLOTCH_DEPTH = 0.1  # a fainter mark that is larger than any spot is a part of the light: a reflection, a shadow
LEFT_REFUSED = 0.05  # of the field: a hand, a flare; a mark of a fifth of its diameter leaves less
JPEG_BLOCK_PX = 8
HOT_FLOOR_STEPS = 0.5  # quantisation steps: dark frames of equal codes have no scatter of their own


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldContent:
    """What was found; `saturated` is the share of the field that is.

    `saturated_spots` counts the bright spots that are deeper than the picture can tell. `veil` is what was taken off as
    lying over the field, `veil_u` its standard uncertainty, `noise` that of a pixel, all over the level; `spread` is
    the scatter of blocks about the smooth part. `unlike_spots` and `left` tell what is there beside round spots
    (`spot_map.SpotMap`); `rim` is where no spots were sought, in pixels of the picture.
    """

    spots: tuple[FoundSpot, ...]
    dead: PixelArray
    hot: PixelArray
    shading: Shading
    saturated: float
    saturated_spots: int
    veil: float
    veil_u: float
    noise: float
    spread: float
    unlike_spots: int
    left: float
    rim: Rim | None

    @property
    def hides_dead_pixels(self) -> bool:
        """Say whether the noise reaches down to black."""
        return self.noise > DARKEST_NOISE


def field_of(frames: Frames) -> BrightField:
    """Find the bright field of a stack.

    Raises
    ------
    NothingToMeasure
        There is no light, or it is neither a round field nor fills the frame.
    """
    field = find_field(frames.bright)
    if field is None:
        raise NothingToMeasure(
            frames.name,
            "a round bright field or an evenly lit frame was looked for, and none was seen",
            "Take the field evenly lit, and sharp at its border.",
        )
    return field


def search_field(frames: Frames, field: BrightField, *, smallest_px: float | None, faintest: float) -> FieldContent:
    """Search a bright field.

    Parameters
    ----------
    frames : Frames
    field : BrightField
    smallest_px : float or None
        Diameter of the smallest spot of interest; None where no scale is known.
    faintest : float
        Least contrast of interest, as a ratio.

    Raises
    ------
    NothingToMeasure
        The field is saturated, too small, or shows something else than an even field; or there may be no light.
    """
    cut = _cut_to_field(frames, field)
    narrowest = min(cut.image.shape)
    if narrowest < NARROWEST_PX:
        raise NothingToMeasure(
            frames.name,
            f"too small a field, of {narrowest} pixels across, was seen; spots need {NARROWEST_PX} to be told in it",
            "Take the field larger, or with more pixels.",
        )
    factor = min(_reduction(frames.bright.shape, smallest_px), narrowest // NARROWEST_PX)
    inside = inside_of(cut.field, cut.image.shape)
    lost = cut.saturated & inside
    saturated = int(np.count_nonzero(lost)) / max(int(np.count_nonzero(inside)), 1)
    if saturated > SATURATED_REFUSED:
        lost_share = f"{saturated:.0%} of the field is saturated"
        seen = "the field is saturated, or the picture blank" if saturated == 1 else lost_share
        raise NothingToMeasure(frames.name, f"{seen}, where no spot shows", "Take it with less light.")
    largest_px = LARGEST_SHARE * 2 * field.radius_px
    light = reduced(cut.image, factor) - cut.veil
    usable = reduced_all(_without_large_parts(inside, lost, largest_px), factor)
    small = _reduced_field(cut.field, factor)
    flat, rim = _flat_without_rim(light, usable, small)
    shading = None if flat is None or _has_content(flat) else shading_of(flat.smooth, small)
    if flat is None or shading is None:
        raise NothingToMeasure(
            frames.name,
            "an even field was looked for, and a picture with content, or too small a field, was seen",
            "Aim at an evenly lit surface that fills the field, out of focus.",
        )
    smooth = flat.smooth.enlarged(*cut.image.shape)
    noise = noise_of(cut.image, smooth, inside, veil=cut.veil)
    if noise > DARKEST_NOISE and frames.dark is None and not field.is_round:
        raise NothingToMeasure(
            frames.name,
            f"light was looked for, and pixels that scatter by {noise:.0%} of its level were seen, as without light",
            "Take more light or the mean of several frames, or give a dark frame.",
        )
    hot = _hot_of(frames)
    odd = odd_in_light(cut.image, smooth, _without(inside, hot - cut.corner), veil=cut.veil, noise=noise)
    _repair(flat, cut, smooth, np.concatenate([odd.dead, odd.bright, hot - cut.corner]), factor)
    found = map_spots(
        replace(flat, rounding=_rounding_of(frames, cut, flat.smooth, factor)),
        smallest_px=SMALLEST_PX / factor if smallest_px is None else 0.4 * smallest_px / factor,
        largest_px=largest_px / factor,
        faintest=faintest,
        reduced_by=factor,
        border_blur_px=field.edge_px / factor if field.is_round else None,
    )
    if found.facing >= FEWEST_FACING and 2 * found.facing > len(found.spots):
        raise NothingToMeasure(
            frames.name,
            f"one even field was looked for, and an edge between two was seen, along which {found.facing} dark and "
            "bright marks lie side by side",
            "Aim at one evenly lit surface, clear of edges, charts and the borders of shadows.",
        )
    if not found.is_whole:
        raise NothingToMeasure(
            frames.name,
            f"an even field was looked for, and one of {MOST_SPOTS} spots, or full of marks, was seen",
            "Aim at an even surface, out of focus; clean what is dirty.",
        )
    if found.left > LEFT_REFUSED:
        raise NothingToMeasure(
            frames.name,
            f"an even field was looked for, and one of which {found.left:.0%} is shadow, glare or content was seen",
            "Light it evenly and take away what stands before it.",
        )
    listed = tuple(spot for spot in found.spots if not _is_blotch(spot, largest_px / factor))
    shading = with_uneven_parts(shading, flat, small, listed)
    spots = [_enlarged(spot, factor) for spot in (listed if shading.uneven else found.spots)]
    is_lost = [spot.depth > 0 and _is_saturated(spot, lost) for spot in spots]
    return FieldContent(
        spots=tuple(
            _placed(_at_least(spot) if cropped else spot, cut.corner)
            for spot, cropped in zip(spots, is_lost, strict=True)
        ),
        dead=odd.dead + cut.corner,
        hot=hot if frames.dark is not None else odd.bright + cut.corner,
        shading=shading,
        saturated=saturated,
        saturated_spots=sum(is_lost),
        veil=cut.veil / shading.level,
        veil_u=cut.veil_u / shading.level,
        noise=noise,
        spread=flat.spread,
        unlike_spots=found.unlike,
        left=found.left,
        rim=None if rim is None else replace(rim, begins_px=rim.begins_px * factor),
    )


def _has_content(flat: FlatField) -> bool:
    """Say whether blocks depart from the smooth part by more than textures make them, or alike over parts of it."""
    return flat.spread > UNEVEN_REFUSED or alike_of(flat.smooth) > max(ALIKE_REFUSED, ALIKE_SHARE * flat.spread)


def _flat_without_rim(
    light: FloatArray, usable: npt.NDArray[np.bool_], field: BrightField
) -> tuple[FlatField | None, Rim | None]:
    """Flatten a reduced picture, once more without the rim of its field where that has one."""
    flat = flatten(light, usable)
    rim = None if flat is None else rim_of(flat.relief, flat.inside, field)
    if rim is not None:
        flat = flatten(light, usable & inside_of(replace(field, radius_px=rim.begins_px, edge_px=0.0), light.shape))
    return flat, rim


def _reduced_field(field: BrightField, factor: int) -> BrightField:
    shift = (factor - 1) / 2
    return replace(
        field,
        x=(field.x - shift) / factor,
        y=(field.y - shift) / factor,
        radius_px=field.radius_px / factor,
        edge_px=field.edge_px / factor,
        oval_px=(field.oval_px[0] / factor, field.oval_px[1] / factor),
    )


def _rounding_of(frames: Frames, cut: "_Cut", smooth: SmoothField, factor: int) -> Rounding | None:
    if frames.rounding is None:
        return None
    level = float(smooth.at(np.array([cut.field.x / factor]), np.array([cut.field.y / factor]))[0])
    return Rounding(steps=frames.rounding.steps_at(level + cut.veil) / level, block_px=JPEG_BLOCK_PX / factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cut:
    """The part of a picture that a field fills: views of shape (rows, cols), its place, and the field in it.

    `corner` has the row and the column of its first pixel, `veil` the level that is no part of the field, `veil_u` the
    standard uncertainty of what is no part of its light.
    """

    image: FloatArray
    saturated: npt.NDArray[np.bool_]
    corner: PixelArray
    field: BrightField
    veil: float
    veil_u: float


def _cut_to_field(frames: Frames, field: BrightField) -> _Cut:
    rows, cols = frames.bright.shape
    veil = veil_of(frames.bright, field)
    black, step = (0.0, 0.0) if frames.dark is not None else (veil.level, min(veil.step, frames.code_step))
    reach = math.ceil(field.radius_px + math.hypot(*field.oval_px))
    top, left = max(0, int(field.y) - reach), max(0, int(field.x) - reach)
    part = (slice(top, min(rows, int(field.y) + reach + 2)), slice(left, min(cols, int(field.x) + reach + 2)))
    return _Cut(
        image=frames.bright[part],
        saturated=frames.saturated[part],
        corner=np.array([top, left], dtype=np.intp),
        field=replace(field, x=field.x - left, y=field.y - top),
        veil=black,
        veil_u=math.hypot(
            HALO_SHARE_U * max(veil.level - black + veil.halo, 0.0),
            SURROUND_SHARE_U * max(black, 0.0),
            step / math.sqrt(12),
        ),
    )


def _reduction(shape: tuple[int, ...], smallest_px: float | None) -> int:
    if smallest_px is None:
        return max(1, math.ceil(max(shape) / LONGEST_WORKED_PX))
    is_large = shape[0] * shape[1] > LARGE_PIXELS
    return max(1, int(smallest_px / (SMALLEST_WORKED_LARGE_PX if is_large else SMALLEST_WORKED_PX)))


def _is_blotch(spot: FoundSpot, largest_px: float) -> bool:
    return spot.diameter_px > largest_px and abs(spot.depth) < BLOTCH_DEPTH


def _hot_of(frames: Frames) -> PixelArray:
    if frames.dark is None:
        return np.zeros((0, 2), dtype=np.intp)
    return hot_pixels(frames.dark, noise_floor=HOT_FLOOR_STEPS * frames.code_step)


def _without(inside: npt.NDArray[np.bool_], pixels: PixelArray) -> npt.NDArray[np.bool_]:
    if len(pixels) == 0:
        return inside
    kept = inside.copy()
    within = pixels[np.all((pixels >= 0) & (pixels < inside.shape), axis=1)]
    kept[within[:, 0], within[:, 1]] = False
    return kept


def _repair(flat: FlatField, cut: _Cut, smooth: SmoothField, pixels: PixelArray, factor: int) -> None:
    """Put the smooth level in place of odd pixels, so that they are not taken for spots."""
    pixels = np.unique(pixels, axis=0)
    levels = smooth.at(pixels[:, 1].astype(np.float64), pixels[:, 0].astype(np.float64))
    for (row, col), level in zip(pixels, levels, strict=True):
        at = (row // factor, col // factor)
        if 0 <= at[0] < flat.relief.shape[0] and 0 <= at[1] < flat.relief.shape[1] and flat.inside[at]:
            flat.relief[at] -= ((cut.image[row, col] - cut.veil) / level - 1) / factor**2


def _enlarged(spot: FoundSpot, factor: int) -> FoundSpot:
    shift = (factor - 1) / 2
    return replace(
        spot,
        x=spot.x * factor + shift,
        y=spot.y * factor + shift,
        diameter_px=spot.diameter_px * factor,
        diameter_u_px=spot.diameter_u_px * factor,
        disc_px=spot.disc_px * factor,
        disc_u_px=spot.disc_u_px * factor,
        blur_px=spot.blur_px * factor,
    )


def _placed(spot: FoundSpot, corner: PixelArray) -> FoundSpot:
    return replace(spot, x=spot.x + float(corner[1]), y=spot.y + float(corner[0]))


def _without_large_parts(
    inside: npt.NDArray[np.bool_], lost: npt.NDArray[np.bool_], largest_px: float
) -> npt.NDArray[np.bool_]:
    """Return the inside of a field without those parts of what is lost that are larger than a spot."""
    if not lost.any():
        return inside
    large = lost.copy()
    for part in clusters_of(np.argwhere(lost)):
        if np.ptp(part, axis=0).max() < largest_px:
            large[part[:, 0], part[:, 1]] = False
    usable: npt.NDArray[np.bool_] = inside & ~large
    return usable


def _is_saturated(spot: FoundSpot, saturated: npt.NDArray[np.bool_]) -> bool:
    """Say whether the inner half of a spot holds a saturated pixel."""
    reach = spot.diameter_px / 4 + 1
    top, left = max(0, round(spot.y - reach)), max(0, round(spot.x - reach))
    return bool(saturated[top : round(spot.y + reach) + 1, left : round(spot.x + reach) + 1].any())


def _at_least(spot: FoundSpot) -> FoundSpot:
    """Widen the uncertainties of a spot whose depth is cut off: it is taken to be up to twice as deep.

    Half of the true depth lies further in than half of what is seen: where that is at most doubled, by no more than
    0.67 standard deviations of the border's blur on either side, which is where a normal distribution passes 1/4. A
    border that is cut off looks sharper than it is, by up to 0.6 (own trials).
    """
    narrower_px = 2 * 0.67 * spot.blur_px / 0.6 / math.sqrt(3)
    return replace(
        spot,
        depth_u=math.hypot(spot.depth_u, spot.depth / math.sqrt(3)),
        diameter_u_px=math.hypot(spot.diameter_u_px, narrower_px),
    )
