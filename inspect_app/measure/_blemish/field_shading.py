"""The shading of a bright field: peak to valley of its smooth part."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.calmed_surface import calmed
from inspect_app.numerics.fields.field_circle import BrightField
from inspect_app.numerics.fields.finer_surface import departures_of, finer_surface
from inspect_app.numerics.fields.smooth_field import Blocks, SmoothField
from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.spot_map import FlatField

FloatArray = npt.NDArray[np.float64]

SHADING_SHARE = 0.9  # of the radius
MEAN_PLACES, EXTREME_PLACES = 257, 65  # across the picture and down
NOISE_SWING = 3.0  # standard uncertainties of the surface, from peak to valley where it is noise (own trials)
BORDER_RAYS = 3600  # to the border, where extremes lie: in the corner of a frame 1° is up to 0.5 % of the light
ORDER_SHARE = 0.4  # of what the terms above order 4 change (own trials: light that falls off with r³ and r⁵)
LEAST_ORDER_U = 1e-4  # of the mean
TILES_ACROSS, TILE_PLACES = 14, 16  # tiles to the field, and places to a side of a tile, of which the median is taken
LEAST_OF_TILE, LEAST_TILES = 0.3, 30  # share of a tile's places that are usable, and tiles
SPOT_REACH = 0.8  # of its diameter, to either side
TOGETHER, TOGETHER_MEAN = 0.05, 0.16  # of the squares, in either way and in the mean of both
TOGETHER_CLIP = 4.0  # robust standard deviations
LEAST_TOGETHER = 1e-4  # of the light
LEAST_UNEVEN, UNEVEN_DEVIATIONS = 0.01, 6.0  # of the light, and robust standard deviations of all tiles
LEAST_LEFT, LEFT_DEVIATIONS = 0.005, 5.0  # the same of the medians of blocks about a surface of higher order
UNEVEN_SHARE_U = 0.35


@dataclass(frozen=True, slots=True)
class Shading:
    """Shading as a ratio, its standard uncertainties, and the mean level within 90 % of the field.

    `scatter_u` is that by the noise of the surface, `order_u` that by the number of its terms. `uneven` is the largest
    share of the light by which a part of the field departs from the surface, 0 where none stands out, and `uneven_u`
    the standard uncertainty by what these parts add to the ratio.
    """

    ratio: float
    scatter_u: float
    order_u: float
    level: float
    uneven: float = 0.0
    uneven_u: float = 0.0


def shading_of(smooth: SmoothField, field: BrightField) -> Shading | None:
    """Return peak to valley of the smooth part within 90 % of the field over its mean, its uncertainties, and the mean.

    None where the smooth part falls to nothing there: light it is not, then. What noise has left in the surface after
    each of its orders was shrunk (`numerics.fields.calmed_surface`) has a peak and a valley too; its mean square is
    taken off.
    """
    level = _mean_level(smooth, field)
    across, down = (_middles(length, EXTREME_PLACES) for length in (smooth.cols, smooth.rows))
    rows, cols = np.nonzero(_is_within(field, across, down))
    # What lies beyond the frame is moved to its border: still within the circle, and where extremes may be.
    turn = np.linspace(0, 2 * math.pi, BORDER_RAYS, endpoint=False)
    border_x, border_y = field.at_radius(SHADING_SHARE, turn)
    border_x, border_y = np.clip(border_x, 0, smooth.cols - 1), np.clip(border_y, 0, smooth.rows - 1)
    x, y = np.concatenate([across[cols], border_x]), np.concatenate([down[rows], border_y])
    u, v = field.over_radius(x, y)
    surface = calmed(smooth, x, y, own=(u / SHADING_SHARE, v / SHADING_SHARE), area=len(rows))
    light = surface.light
    peak, valley = int(light.argmax()), int(light.argmin())
    if not min(light[valley], level) > 0:
        return None
    seen = float(light[peak] - light[valley])
    noise = surface.departure_u()
    swing = math.sqrt(max(seen**2 - (NOISE_SWING * noise) ** 2, 0.0))
    scatter = math.hypot(surface.difference_u(peak, valley), (seen - swing) / 2)
    return Shading(
        ratio=swing / level,
        scatter_u=(scatter if swing > 0 else max(scatter, noise)) / level,  # noise hides as much as it makes
        order_u=max(ORDER_SHARE * abs(seen - float(np.ptp(surface.light_of_low_order))) / level, LEAST_ORDER_U),
        level=level,
    )


def with_uneven_parts(shading: Shading, flat: FlatField, field: BrightField, spots: Sequence[FoundSpot]) -> Shading:
    """Return a shading with what parts of the field add to it that depart from the smooth surface.

    A soft reflection, or a glow, is narrower than the surface can follow. It shows in the medians of tiles of a
    fourteenth of the field, its spots left out. Where neighbouring tiles depart alike both across and down, the light
    is followed to a higher order (`numerics.fields.finer_surface`). Where a tile, or there the median of nine of the
    surface's blocks, still stands out, what the peak to valley has over that of the surface in the same places is
    added, and about a third of it is the standard uncertainty.

    In drawn fields the products of neighbouring tiles, what a row or a column has in common taken off, were up to 0.09
    of their squares without such light, and 0.16 to 0.6 with it. Of 96 reflections and shadows of 3 to 15 % of the
    light, with standard deviations of 0.06 to 0.5 radii, shading was within 1.50 points in 90 of 100, and 90 of 100
    were held, with a standard uncertainty of 0.42 in the middle; with the higher order within 0.75, 97 and 0.36. It is
    still too small by up to 1.4 where they are narrower than a sixth of the radius.

    Parameters
    ----------
    shading : Shading
    flat : FlatField
    field : BrightField
    spots : sequence of FoundSpot
        Field and spots in pixels of the flattened field.
    """
    tiles = _tiles_of(flat, field, spots)
    if tiles is None:
        return shading
    departs, light = tiles.departs[tiles.kept], flat.smooth.over_grid(tiles.across, tiles.down)[tiles.kept]
    uneven = _standing_out(departs, LEAST_UNEVEN, UNEVEN_DEVIATIONS)
    farthest = float(uneven[np.abs(uneven).argmax()])
    finer = finer_surface(flat.smooth, _clear_of(spots, flat.smooth.blocks)) if _goes_together(tiles) else None
    followed = None if finer is None else shading_of(finer, field)
    if finer is not None and followed is not None:
        u, v = field.over_radius(finer.blocks.x, finer.blocks.y)
        is_within = u**2 + v**2 <= SHADING_SHARE**2
        shading, light = followed, finer.at(finer.blocks.x, finer.blocks.y)[is_within]
        departs = _standing_out(departures_of(finer)[is_within], LEAST_LEFT, LEFT_DEVIATIONS)
    elif farthest == 0:
        return shading
    added = max(float(np.ptp(light * (1 + departs)) - np.ptp(light)) / shading.level, 0.0)
    return replace(shading, ratio=shading.ratio + added, uneven=farthest, uneven_u=UNEVEN_SHARE_U * added)


@dataclass(frozen=True, slots=True)
class _Tiles:
    """Medians of the tiles of a relief, of shape (down, across), their middles in pixels, and which of them tell."""

    departs: FloatArray
    kept: npt.NDArray[np.bool_]
    down: FloatArray
    across: FloatArray


def _tiles_of(flat: FlatField, field: BrightField, spots: Sequence[FoundSpot]) -> _Tiles | None:
    """Return the tiles of a flattened field without its spots, or None where they are too few."""
    side = max(1, min(int(2 * field.radius_px / TILES_ACROSS), *flat.relief.shape))
    thin = max(1, side // TILE_PLACES)
    tiles = tuple(length // side for length in flat.relief.shape)
    usable = flat.inside.copy()
    for spot in spots:
        reach = SPOT_REACH * spot.diameter_px + 2
        top, left = max(0, round(spot.y - reach)), max(0, round(spot.x - reach))
        usable[top : round(spot.y + reach) + 1, left : round(spot.x + reach) + 1] = False
    departs, count = _tile_medians(flat.relief, usable, tiles, side, thin)
    down, across = ((np.arange(length) + 0.5) * side - 0.5 for length in tiles)
    kept = _is_within(field, across, down) & (count >= LEAST_OF_TILE * math.ceil(side / thin) ** 2)
    return _Tiles(departs, kept, down, across) if kept.sum() >= LEAST_TILES else None


def _clear_of(spots: Sequence[FoundSpot], blocks: Blocks) -> npt.NDArray[np.bool_]:
    """Say which blocks hold no part of a spot."""
    is_clear = np.ones(len(blocks.levels), dtype=bool)
    for spot in spots:
        reach = SPOT_REACH * spot.diameter_px + 2 + blocks.side_px / 2
        is_clear &= (np.abs(blocks.x - spot.x) >= reach) | (np.abs(blocks.y - spot.y) >= reach)
    return is_clear


def _standing_out(departs: FloatArray, least: float, deviations: float) -> FloatArray:
    """Return what stands out of departures by so much and by so many robust standard deviations of all, else 0."""
    off = departs - np.median(departs)
    return np.where(np.abs(off) >= max(least, deviations * 1.4826 * float(np.median(np.abs(off)))), off, 0.0)


def _goes_together(tiles: _Tiles) -> bool:
    """Say whether neighbouring tiles depart alike, both across and down, beside what all of a row or a column do."""
    off = tiles.departs - np.median(tiles.departs[tiles.kept])
    deviation = 1.4826 * float(np.median(np.abs(off[tiles.kept])))
    if deviation < LEAST_TOGETHER:
        return False
    off = np.where(tiles.kept, np.clip(off, -TOGETHER_CLIP * deviation, TOGETHER_CLIP * deviation), 0.0)
    for way in (0, 1):
        off = np.where(
            tiles.kept,
            off - off.sum(axis=way, keepdims=True) / np.maximum(tiles.kept.sum(axis=way, keepdims=True), 1),
            0.0,
        )
    square = float(np.square(off).sum()) / float(tiles.kept.sum())
    if not square > 0:
        return False
    shares = []
    for one, other in ((np.s_[1:], np.s_[:-1]), (np.s_[:, 1:], np.s_[:, :-1])):
        pairs = max(int((tiles.kept[one] & tiles.kept[other]).sum()), 1)
        shares.append(float((off[one] * off[other]).sum()) / (pairs * square))
    return min(shares) >= TOGETHER and sum(shares) >= 2 * TOGETHER_MEAN


def _tile_medians(
    relief: npt.NDArray[np.float32], usable: npt.NDArray[np.bool_], tiles: tuple[int, ...], side: int, thin: int
) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Return the medians of tiles of a relief, 0 of those without a usable place, and their numbers of such places."""
    (down, across), places = tiles, slice(0, side, thin)

    def split(picture: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        whole = picture[: down * side, : across * side].reshape(down, side, across, side)
        return whole[:, places, :, places].swapaxes(1, 2).reshape(down, across, -1)

    is_usable = split(usable)
    ordered = np.sort(np.where(is_usable, split(relief), np.inf), axis=2)  # what is not usable comes last
    count = is_usable.sum(axis=2)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., np.newaxis] // 2, axis=2)[..., 0]
    return np.where(count > 0, middle, 0.0), count


def _mean_level(smooth: SmoothField, field: BrightField) -> float:
    across, down = (_middles(length, MEAN_PLACES) for length in (smooth.cols, smooth.rows))
    return float(smooth.over_grid(across, down)[_is_within(field, across, down)].mean())


def _is_within(field: BrightField, across: FloatArray, down: FloatArray) -> npt.NDArray[np.bool_]:
    """Say where columns and rows in pixels meet within 90 % of the field, shape (rows, cols)."""
    u, v = field.over_radius(across, down[:, None])
    return np.asarray(u**2 + v**2 <= SHADING_SHARE**2)


def _middles(length_px: int, places: int) -> FloatArray:
    """Return the middles of equal parts of a length in pixels, which begins half a pixel before the first."""
    return (np.arange(places) + 0.5) * length_px / places - 0.5
