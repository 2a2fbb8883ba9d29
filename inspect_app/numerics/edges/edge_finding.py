"""Find the straight or slightly bent edges of a picture, and a region round each that holds nothing else."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.edges.field_arc import is_field_border

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

WORKING_PIXELS: Final = 1_600_000  # larger pictures are looked at in blocks of 2 x 2 and up
SMOOTHING_PX: Final = 2.0
FAINTEST: Final = 6.0  # gradient over its noise at the ridge's top; noise alone reaches 5.5 once in 10 megapixels
FOOT: Final = 0.35  # of the ridge's top: where its foot ends
NOISY: Final = 30.0  # of the strongest ridges over their noise: below it, a picture is looked at twice as coarsely
ALONE_SPANS: Final = 0.85  # of the picture's rows or columns
SHORTEST_PX: Final = 20
NARROWEST_HALF_PX: Final = 7
WIDEST_HALF_PX: Final = 32
CLEARANCE_PX: Final = 5  # from a neighbour's ridge, in working pixels: blur and halo of a corner
STRAIGHT_WITHIN_PX: Final = 1.2  # root mean square of a ridge about its own cubic, in working pixels
STEEPEST_SLOPE: Final = 1.1  # beyond 45 degrees an edge belongs to the other axis, give or take its noise
MOST_TURNED: Final = math.radians(60)  # from end to end; distortion turns edges by less, the rim of a disc by 80
RAGGED: Final = 0.7  # of a ridge's usual weight in a row: less of it is in its sector there
SLANTING: Final = (
    0.6  # lesser over greater part of the gradient, from 31 degrees on: such ridges may fall into two sectors
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeRegion:
    """An upright rectangle round one edge: x, y of its first pixel, size in pixels, direction of the edge."""

    x: int
    y: int
    width: int
    height: int
    is_near_vertical: bool


def find_edges(image: FloatArray) -> tuple[EdgeRegion, ...]:
    """Find every edge that is straight enough, long enough and alone enough to be measured.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        In exposure.

    Returns
    -------
    tuple of EdgeRegion
        From top to bottom; empty where there is none. A region leaves out corners and neighbours by about
        `CLEARANCE_PX`, and reaches the picture's border where the edge does. It shows at least `NARROWEST_HALF_PX` of
        either side: an edge closer to the border may be half of a thin line, which reads too sharp.

    Notes
    -----
    The gradient at a scale of 2 px is split into four sectors of its direction, so that the sides of a square part at
    its corners; connected ridges in a sector are the candidates, and then, for edges near 45 degrees that none of them
    gave, ridges in sectors turned by that much. Thresholds follow the picture's own noise and each ridge's own top, not
    the brightest edge in the picture, so that vignetting loses none. The rim of a disc gives four ridges, each turned
    by a right angle: no edges of a chart, in which they were reported (8 of 8 discs); they can be given as regions.
    Nor is the border of the round field of a tube that cuts the picture's corners (`is_field_border`).
    """
    block = max(1, math.ceil(math.sqrt(image.size / WORKING_PIXELS)))
    working = _in_blocks(image, block)
    if min(working.shape) < NARROWEST_HALF_PX * 2:
        return ()
    across, down, ridge, noise = _gradient(working, SMOOTHING_PX)
    if float(np.quantile(ridge, 0.995)) < NOISY * noise:
        across, down, ridge, noise = _gradient(working, 2 * SMOOTHING_PX)
    scene = _Scene(working=working, across=across, down=down, ridge=ridge, faintest=FAINTEST * noise, block=block)
    strong = ridge > 0.5 * scene.faintest
    labels, count = _label_sectors(across, down, strong)
    found = _regions(scene, labels, range(1, count + 1))
    if len(found) == 1 and _is_alone(found[0][1], labels, ridge, block):
        return (_whole(image, found[0][1]),)
    taken = np.isin(labels, [place for place, _ in found])
    turned, count = _label_sectors((across + down) / math.sqrt(2), (down - across) / math.sqrt(2), strong)
    slanting = strong & (np.minimum(np.abs(across), np.abs(down)) > SLANTING * np.maximum(np.abs(across), np.abs(down)))
    places = _mostly(turned, count, slanting, taken)
    slant = _regions(scene, turned, places)
    if not found and len(slant) == 1 and _is_alone(slant[0][1], turned, ridge, block):
        return (_whole(image, slant[0][1]),)
    regions = [region for _, region in (*found, *slant)]
    return tuple(sorted(regions, key=lambda region: (region.y, region.x)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scene:
    """The picture in blocks of pixels, its gradient and its magnitude, the faintest that counts, and pixels a block."""

    working: FloatArray
    across: FloatArray
    down: FloatArray
    ridge: FloatArray
    faintest: float
    block: int


def _regions(scene: _Scene, labels: npt.NDArray[np.int32], places: Iterable[int]) -> list[tuple[int, EdgeRegion]]:
    """Return the label and region of each ridge that is an edge to be measured, of those given."""
    boxes = ndimage.find_objects(labels)
    found = []
    for place in places:
        box = boxes[place - 1]
        if box is None or max(side.stop - side.start for side in box) * scene.block < SHORTEST_PX:
            continue
        region = _region_of(scene, labels, place, box)
        if region is not None:
            found.append((place, region))
    return found


def _mostly(labels: npt.NDArray[np.int32], count: int, chosen: BoolArray, barred: BoolArray) -> npt.NDArray[np.int64]:
    """Return the labels of which most pixels are chosen and hardly any is barred."""
    whole, part, lost = (np.bincount(labels[where], minlength=count + 1)[1:] for where in (labels > 0, chosen, barred))
    return np.asarray(1 + np.flatnonzero((2 * part > whole) & (10 * lost < whole)), dtype=np.int64)


def _whole(image: FloatArray, region: EdgeRegion) -> EdgeRegion:
    rows, cols = image.shape
    return EdgeRegion(x=0, y=0, width=cols, height=rows, is_near_vertical=region.is_near_vertical)


def _gradient(working: FloatArray, scale: float) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return the gradient across, down and in magnitude, and the noise of one component."""
    across = ndimage.gaussian_filter(working, scale, order=(0, 1), mode="nearest")
    down = ndimage.gaussian_filter(working, scale, order=(1, 0), mode="nearest")
    ridge = np.hypot(across, down)
    noise = float(np.median(ridge)) / math.sqrt(2 * math.log(2)) + 1e-12  # the median of a Rayleigh distribution
    return across, down, ridge, noise


def _is_alone(region: EdgeRegion, labels: npt.NDArray[np.int32], ridge: FloatArray, block: int) -> bool:
    """Say whether a picture holds one edge from border to border and nothing else."""
    rows = slice(region.y // block, (region.y + region.height) // block)
    cols = slice(region.x // block, (region.x + region.width) // block)
    inside = labels[rows, cols]
    own = int(np.bincount(inside[inside > 0]).argmax()) if np.any(inside > 0) else 0
    mine = labels == own
    span = np.any(mine, axis=1 if region.is_near_vertical else 0)
    others = (labels > 0) & ~mine & (ridge > FOOT * float(np.quantile(ridge[mine], 0.95)))
    return bool(np.mean(span) > ALONE_SPANS and not np.any(others))


def _in_blocks(image: FloatArray, block: int) -> FloatArray:
    if block == 1:
        return image
    rows, cols = (side // block * block for side in image.shape)
    partial = image[:rows, :cols].reshape(rows // block, block, cols).mean(axis=1)
    return np.asarray(partial.reshape(rows // block, cols // block, block).mean(axis=2), dtype=np.float64)


def _label_sectors(across: FloatArray, down: FloatArray, strong: BoolArray) -> tuple[npt.NDArray[np.int32], int]:
    """Label connected ridges separately for the four directions of the gradient: right, left, down, up."""
    is_across = np.abs(across) >= np.abs(down)
    total = np.zeros(across.shape, dtype=np.int32)
    count = 0
    for sector in (
        is_across & (across > 0),
        is_across & (across < 0),
        ~is_across & (down > 0),
        ~is_across & (down < 0),
    ):
        labels, found = ndimage.label(sector & strong, structure=np.ones((3, 3)))
        total[labels > 0] = labels[labels > 0] + count
        count += int(found)
    return total, count


def _region_of(scene: _Scene, labels: npt.NDArray[np.int32], place: int, box: tuple[slice, ...]) -> EdgeRegion | None:
    ridge, faintest, block = scene.ridge, scene.faintest, scene.block
    own = labels[box] == place
    heights = np.where(own, ridge[box], 0.0)
    top = float(np.quantile(heights[own], 0.95))
    if top < faintest:
        return None
    is_upright = bool(np.sum(scene.across[box][own] ** 2) >= np.sum(scene.down[box][own] ** 2))
    margin = WIDEST_HALF_PX + CLEARANCE_PX
    outer = _widened(box[0], margin, labels.shape[0]), _widened(box[1], margin, labels.shape[1])
    foreign = (labels[outer] != place) & (labels[outer] > 0) & (ridge[outer] > max(FOOT * top, 0.5 * faintest))
    foreign = ndimage.maximum_filter(foreign, 2 * CLEARANCE_PX + 1)
    offset = box[0].start - outer[0].start, box[1].start - outer[1].start
    if not is_upright:
        heights, foreign, offset = heights.T, foreign.T, (offset[1], offset[0])
    heights = np.where(heights > FOOT * top, heights, 0.0)
    found = _clean_rectangle(heights, foreign, offset, block)
    if found is None or is_field_border(scene.working, *_along(heights, box, is_upright=is_upright)):
        return None
    row, col, height, width = found
    if not is_upright:
        row, col, height, width = col, row, width, height
    return EdgeRegion(
        x=(col + outer[1].start) * block,
        y=(row + outer[0].start) * block,
        width=width * block,
        height=height * block,
        is_near_vertical=is_upright,
    )


def _along(heights: FloatArray, box: tuple[slice, ...], *, is_upright: bool) -> tuple[FloatArray, FloatArray]:
    """Return rows and columns of the picture along a ridge of upright heights, without its ragged ends."""
    weight = heights.sum(axis=1)
    rows = np.flatnonzero(weight > RAGGED * float(np.median(weight[weight > 0])))
    cols = np.asarray((heights[rows] @ np.arange(heights.shape[1])) / weight[rows], dtype=np.float64)
    upright = rows.astype(np.float64), cols
    row, col = upright if is_upright else upright[::-1]
    return np.add(row, box[0].start, dtype=np.float64), np.add(col, box[1].start, dtype=np.float64)


def _widened(side: slice, margin: int, size: int) -> slice:
    return slice(max(0, side.start - margin), min(size, side.stop + margin))


def _clean_rectangle(
    heights: FloatArray, foreign: BoolArray, offset: tuple[int, int], block: int
) -> tuple[int, int, int, int] | None:
    """Return row, column, height and width of the rectangle of most use along an upright ridge, free of neighbours."""
    weight = heights.sum(axis=1)
    rows = np.flatnonzero(weight > 0)
    if rows.size * block < SHORTEST_PX or rows.size < 6:
        return None
    column = (heights[rows] @ np.arange(heights.shape[1])) / weight[rows]
    t = (rows - rows.mean()) / max(float(np.ptp(rows)) / 2, 1.0)
    fitted = np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyfit(t, column, min(3, rows.size // 4)))
    if np.sqrt(np.mean((column - fitted) ** 2)) > STRAIGHT_WITHIN_PX:
        return None
    if abs(fitted[-1] - fitted[0]) > STEEPEST_SLOPE * (rows[-1] - rows[0]):
        return None
    if _turn(t, column, float(np.ptp(rows)) / 2) > MOST_TURNED:
        return None
    line = fitted + offset[1]
    best: tuple[float, tuple[int, int, int, int]] | None = None
    sums = np.pad(np.cumsum(np.cumsum(foreign, axis=0, dtype=np.int64), axis=1), ((1, 0), (1, 0))).tolist()
    at = (rows + offset[0]).tolist()
    sides = (np.floor(line).astype(int).tolist(), np.ceil(line).astype(int).tolist())
    narrowest = max(3, math.ceil(NARROWEST_HALF_PX / block))
    for half in range(narrowest, WIDEST_HALF_PX + 1, 2):
        span = _longest_clean_span(sums, at, sides, (half, narrowest))
        if span is None:
            continue
        height = span[2]
        use = height * math.sqrt(min(half * block, 24))
        if height * block >= SHORTEST_PX and (best is None or use > best[0]):
            best = (use, span)
    return None if best is None else best[1]


def _turn(t: FloatArray, column: FloatArray, half: float) -> float:
    """Return by how much a ridge turns from its first row, t = -1, to its last, t = 1, as a parabola, in radians."""
    _, tilt, bend = np.polynomial.polynomial.polyfit(t, column, 2) / half
    return abs(math.atan(tilt + 2 * bend) - math.atan(tilt - 2 * bend))


def _longest_clean_span(
    sums: list[list[int]], rows: list[int], sides: tuple[list[int], list[int]], halves: tuple[int, int]
) -> tuple[int, int, int, int] | None:
    """Return the longest stretch of rows whose upright rectangle of a half width holds no neighbour.

    `sides` are the whole columns left and right of the ridge in each row. `halves` are that width, and how much of it
    the picture's border must leave. Lists, because single items of arrays take longer.
    """
    (left_of, right_of), (half, narrowest) = sides, halves
    row_count, col_count = len(sums) - 1, len(sums[0]) - 1
    most_lost = min(half // 2, half - narrowest)
    best: tuple[int, int, int, int] | None = None
    start = 0
    for stop, last_row in enumerate(rows):
        last = last_row + 1
        while start <= stop:
            left = min(left_of[start], left_of[stop]) - half
            right = max(right_of[start], right_of[stop]) + half + 1
            first, left_in, right_in = rows[start], max(left, 0), min(right, col_count)
            held = sums[last][right_in] - sums[first][right_in] - sums[last][left_in] + sums[first][left_in]
            if held == 0 and max(left_in - left, right - right_in) <= most_lost and last <= row_count:
                break
            start += 1
        if start <= stop and (best is None or last - first > best[2]):
            best = (first, left_in, last - first, right_in - left_in)
    return best
