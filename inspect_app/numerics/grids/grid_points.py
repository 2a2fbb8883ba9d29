"""Find the marks of a chart: dots or isolated crosses, crossings of lines, corners of a chessboard."""

import dataclasses
import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.grids.chart_view import ChartView, block_means, ground_reach, spread_over
from inspect_app.numerics.grids.lattice import Lattice, index_lattice
from inspect_app.numerics.grids.line_crossings import line_crossings
from inspect_app.numerics.grids.mark_registration import reach_of, registered

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FEWEST_MARKS: Final = 9
FEWEST_ALONG: Final = 3  # rows, and columns
MOST_MARKS: Final = 20_000  # some ten seconds; charts have a tenth of it
SMALLEST_MARK_PX: Final = 6  # area in pixels; below it noise makes marks
AREA_RANGE: Final = 2.6  # areas of marks lie within this factor of their median, distortion and blur included
MARK_OVER_NOISE: Final = 4.0
LARGEST_MARK: Final = 0.4  # of a mesh's area; larger ones are the meshes between lines, or squares of a chessboard
FOUR_SQUARES: Final = -0.6  # correlation after a quarter turn: -1 where four squares meet, -1/3 at a board's rim
SADDLE_REACH: Final = 5  # pixels
SADDLE_WEIGHT_PX: Final = 2.5  # standard deviation of the weights about a corner
SADDLE_TURNS: Final = 3
MOST_MOVED_PX: Final = 3.0  # from the pixel that is most of a saddle


def find_grid(view: ChartView) -> Lattice | None:
    """Find the marks of a square grid and number them.

    Parameters
    ----------
    view : ChartView
        What the picture shows of the chart; marks beyond its border, or that it cuts, are not placed.

    Returns
    -------
    Lattice or None
        The largest square grid among isolated marks, crossings of lines and corners of a chessboard; None where none
        has nine marks in three rows and columns, or one has more than `MOST_MARKS`.

    Notes
    -----
    Isolated marks are placed by registration with the mean of all marks, made symmetric (centroids alone lost: shading
    and noise over a cross's open arms move them by 0.1 to 0.5 px), crossings by the intersection of straight lines
    fitted to both arms, corners by the saddle of a weighted parabola: each symmetric, so that blur does not move it.
    """
    rows, cols = view.light.shape
    centre = (cols - 1) / 2, (rows - 1) / 2
    found = [*_marks(view, 1, centre), *_marks(view, -1, centre), index_lattice(_saddles(view), centre)]
    grids = [grid for grid in found if grid is not None and _is_square(grid)]
    return max(grids, key=lambda grid: grid.worth, default=None)


def _is_square(grid: Lattice) -> bool:
    """Say whether marks spread in both directions: noise makes a row of crossings out of a single line."""
    reach = np.ptp(grid.index, axis=0) + 1
    return len(grid.points) >= FEWEST_MARKS and int(reach.min()) >= FEWEST_ALONG


def _marks(view: ChartView, sign: int, centre: tuple[float, float]) -> list[Lattice | None]:
    """Return the grids of isolated marks and of crossings of lines, dark ones; bright ones where the sign is -1."""
    depth = _depth(view, sign)
    if depth is None:
        return []
    smooth = ndimage.gaussian_filter(depth, 1.0)
    level = _mark_level(smooth)
    return [_isolated_marks(view, depth, smooth, centre), line_crossings(view.lit_only(smooth), centre, level)]


def _depth(view: ChartView, sign: int) -> FloatArray | None:
    """Return how far each pixel lies below the ground around it, in units of the marks' usual depth.

    Written in place where it can be: pictures are large.
    """
    blocks = sign * block_means(view.light)
    across = ground_reach(blocks)
    ground = ndimage.gaussian_filter(ndimage.percentile_filter(blocks, 80, size=across), across / 3)
    below = spread_over(ground, view.light.shape)
    (np.subtract if sign > 0 else np.add)(below, view.light, out=below)
    smooth = ndimage.gaussian_filter(below, 1.0)
    rest = view.of_lit(below - smooth)
    noise = 1.4826 * float(np.median(np.abs(rest, out=rest), overwrite_input=True))
    smooth = view.of_lit(smooth)
    deepest = float(np.quantile(smooth, 0.99, overwrite_input=True))
    middle = float(np.median(smooth, overwrite_input=True))
    usual = deepest - middle
    if usual < MARK_OVER_NOISE * noise / 3 or usual <= 0:
        return None
    below -= middle
    below /= usual
    return below


def _isolated_marks(
    view: ChartView, depth: FloatArray, smooth: FloatArray, centre: tuple[float, float]
) -> Lattice | None:
    """Return the grid of compact marks of equal size, clear of the border."""
    labels, count = ndimage.label(smooth > 0.5 * _mark_level(smooth))
    if count < FEWEST_MARKS:
        return None
    area = np.bincount(labels.ravel())[1:]
    boxes = ndimage.find_objects(labels)
    usual = float(np.median(area[area >= SMALLEST_MARK_PX])) if np.any(area >= SMALLEST_MARK_PX) else math.inf
    if not math.isfinite(usual):
        return None
    is_mark = (area > usual / AREA_RANGE) & (area < usual * AREA_RANGE) & (area >= SMALLEST_MARK_PX)
    if np.count_nonzero(is_mark) > MOST_MARKS:
        return None
    extent = _usual_extent(boxes, is_mark)
    reach = reach_of(extent / 2)
    middles = [
        _centroid(depth, box, reach) for box, chosen in zip(boxes, is_mark, strict=True) if chosen and box is not None
    ]
    places = np.array([middle for middle in middles if middle is not None], dtype=np.float64).reshape(-1, 2)
    kept = _within(view, places, extent / 2)
    grid = index_lattice(kept, centre) if len(kept) >= FEWEST_MARKS else None
    if grid is None or usual > LARGEST_MARK * grid.spacing_px**2:
        return None
    points = registered(view, depth, grid.points, reach)
    return dataclasses.replace(grid, points=points, mark_px=extent / 2, is_isolated=True)


def _within(view: ChartView, places: FloatArray, reach_px: float) -> FloatArray:
    """Return the points, of shape (n, 2), that lie so far within the border of a round field, or all."""
    return places if view.field is None else places[view.room_px(places) >= reach_px]


def _mark_level(smooth: FloatArray) -> float:
    deep = smooth[smooth > 0.5]
    return float(np.median(deep)) if deep.size else 1.0


def _usual_extent(boxes: Sequence[tuple[slice, ...] | None], is_mark: BoolArray) -> float:
    extents = [
        max(box[0].stop - box[0].start, box[1].stop - box[1].start)
        for box, chosen in zip(boxes, is_mark, strict=True)
        if chosen and box is not None
    ]
    return float(np.median(extents)) if extents else 0.0


def _centroid(depth: FloatArray, box: tuple[slice, ...], reach: int) -> tuple[float, float] | None:
    """Return the centroid of a mark's depth in a square about it, its ground taken from the square's rim."""
    y = (box[0].start + box[0].stop - 1) / 2
    x = (box[1].start + box[1].stop - 1) / 2
    for _ in range(2):
        top, left = round(y) - reach, round(x) - reach
        if top < 0 or left < 0 or top + 2 * reach >= depth.shape[0] or left + 2 * reach >= depth.shape[1]:
            return None
        patch = depth[top : top + 2 * reach + 1, left : left + 2 * reach + 1]
        rows, cols = np.mgrid[: 2 * reach + 1, : 2 * reach + 1]
        distance = np.hypot(rows - (y - top), cols - (x - left))
        ground = float(np.median(patch[distance > reach - 1]))
        weight = (patch - ground) * np.clip(reach - distance, 0.0, 1.0)
        total = float(weight.sum())
        if total <= 0:
            return None
        y = top + float((weight * rows).sum()) / total
        x = left + float((weight * cols).sum()) / total
    return x, y


def _saddles(view: ChartView) -> FloatArray:
    """Return the corners of a chessboard: saddles of the smoothed picture, refined by a parabola: shape (n, 2)."""
    image, scale = view.light, 2.5
    mixed = ndimage.gaussian_filter(image, scale, order=(1, 1))
    along = ndimage.gaussian_filter(image, scale, order=(0, 2))
    down = ndimage.gaussian_filter(image, scale, order=(2, 0))
    response = np.square(mixed, out=mixed)
    response -= np.multiply(along, down, out=along)
    del along, down
    top = ndimage.maximum_filter(response, size=11) == response
    limit = 0.3 * float(np.quantile(response[top], 0.98)) if np.any(top) else math.inf
    rows, cols = np.nonzero(top & (response > limit))
    if not FEWEST_MARKS <= rows.size <= MOST_MARKS:
        return np.empty((0, 2))
    return _within(view, _centred_saddles(image, np.column_stack([cols, rows])), SADDLE_REACH)


def _centred_saddles(image: FloatArray, tops: npt.NDArray[np.intp]) -> FloatArray:
    """Return where the light is level on a parabola about each pixel of shape (n, 2) that is a corner of squares.

    Each turn looks at the light about where the last one ended: a parabola about a whole pixel is off by 0.015 px.
    """
    reach = SADDLE_REACH
    size = np.array(image.shape[::-1])
    whole = tops[((tops >= reach) & (tops + reach < size)).all(axis=1)]
    step = np.arange(-reach, reach + 1)
    patches = image[whole[:, 1, None, None] + step[:, None], whole[:, 0, None, None] + step]
    is_corner = [quarter_turn(ndimage.gaussian_filter(patch, 1.0)) <= FOUR_SQUARES for patch in patches]
    whole = whole[np.array(is_corner, dtype=np.bool_)]
    v, u = (side.ravel().astype(np.float64) for side in np.meshgrid(step, step, indexing="ij"))
    weight = np.exp(-(u**2 + v**2) / (4 * SADDLE_WEIGHT_PX**2))
    terms = np.stack([np.ones(u.size), u, v, u**2, u * v, v**2]) * weight
    solver = np.linalg.pinv(terms)
    points = whole.astype(np.float64)
    for _ in range(SADDLE_TURNS):
        patch = ndimage.map_coordinates(
            image, [points[:, 1, None] + v, points[:, 0, None] + u], order=3, mode="nearest"
        )
        _, bx, by, xx, xy, yy = (patch * weight @ solver).T
        determinant = np.minimum(4 * xx * yy - xy**2, -1e-30)
        moved = np.column_stack([xy * by - 2 * yy * bx, xy * bx - 2 * xx * by]) / determinant[:, None]
        points = points + np.clip(moved, -1.0, 1.0)
    is_saddle = (4 * xx * yy < xy**2) & (np.abs(points - whole).max(axis=1) < MOST_MOVED_PX)
    return np.asarray(points[is_saddle], dtype=np.float64)


def quarter_turn(patch: FloatArray) -> float:
    """Return the correlation of the light in a square patch with itself after a quarter turn.

    About -1 where four squares of a chessboard meet, -1/3 at its outer corners and about 1 where lines cross.
    """
    light = patch - float(np.mean(patch))
    return float(np.sum(light * np.rot90(light))) / max(float(np.sum(light**2)), 1e-30)
