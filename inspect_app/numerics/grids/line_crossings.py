"""Find the crossings of the lines of a chart: between its meshes first, then outwards as far as lines can be seen."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.grids.grid_fit import seen_at, solved
from inspect_app.numerics.grids.lattice import WAYS, Lattice, index_lattice

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Place = tuple[int, int]

FEWEST: Final = 9
MOST: Final = 20_000  # some ten seconds; charts have a tenth of it
LINE_LEVEL: Final = 0.35  # of the usual depth of a line: what lies above it is a mesh
SMALLEST_MESH_PX: Final = 24  # area in pixels; below it noise makes meshes
AREA_RANGE: Final = 1.6  # areas of meshes lie within this factor of their median
ARM: Final = 0.36  # of the spacing, how far from a crossing its lines are looked at
ACROSS: Final = 0.25  # of the spacing, to either side of a line
CLEAR: Final = 0.5  # of an arm, from where on it is clear of the other line
CENTROIDS: Final = 2  # rounds
REGISTRATIONS: Final = 2
LEAST_HEIGHT: Final = 0.3  # of the usual depth of a line
SHOWN_AT: Final = 0.3  # of a usual arm's weight: less is no line
FEWEST_ROWS: Final = 3  # of an arm
MID_ARM: Final = (1 + CLEAR) / 2 * ARM  # of the spacing
USUAL_KEYSTONE: Final = 0.05  # change of magnification from centre to corner
FARTHEST: Final = 0.2  # of the spacing, within which a crossing lies of where it is expected
MOST_RINGS: Final = 6  # outside of the meshes
RING_TURNS: Final = 3  # each with the grid as the turn before found it: where it was expected, it is 0.1 px off
TWIST_PX: Final = 0.1  # third differences well above it are the lens, and below it noise


@dataclass(frozen=True, slots=True)
class _Frames:
    """Where crossings are expected, and how the grid runs there: its first and second step along both directions.

    Each is an array of shape (n, 2), in pixels.
    """

    points: FloatArray
    step_i: FloatArray
    step_j: FloatArray
    bend_i: FloatArray
    bend_j: FloatArray

    def chosen(self, which: BoolArray) -> "_Frames":
        """Return the frames of some of the crossings."""
        names = ("points", "step_i", "step_j", "bend_i", "bend_j")
        return _Frames(*(getattr(self, name)[which] for name in names))

    def at(self, i: FloatArray, j: FloatArray) -> FloatArray:
        """Return the points at shares of a step from each, of shape (..., n), as an array of shape (..., n, 2)."""
        i, j = i[..., None], j[..., None]
        bent = i**2 / 2 * self.bend_i + j**2 / 2 * self.bend_j
        return np.asarray(self.points + i * self.step_i + j * self.step_j + bent, dtype=np.float64)


def line_crossings(depth: FloatArray, centre: tuple[float, float], line_depth: float) -> Lattice | None:
    """Return the crossings of lines all over a chart, numbered.

    Parameters
    ----------
    depth : ndarray of shape (rows, cols)
        How far each pixel lies below the ground, smoothed; NaN where the picture shows nothing of the chart.
    centre : tuple of float
        x and y of the picture's centre in pixels.
    line_depth : float
        Usual depth of a line.

    Notes
    -----
    The meshes between the lines are numbered, and a crossing is sought between any four. From there the grid is read on
    outwards, where lines end on others (the rim of a chart) and where the picture's border cuts the meshes. Each
    crossing is where two straight lines meet in a patch that is turned, stretched and bent as the grid around it, so
    that its lines are upright and straight there: at first through centroids across its arms, then the mean of all
    arms, made symmetric, registered with its own.

    Where a line ends at a crossing, one arm is left. It tells where the crossing lies, and the grid around how the line
    slopes, to the third order where the lens bends it so much; each ring is read again as it was found, since a slope
    from where it was expected moved corners by 0.035 px. With slopes from lone arms the rim lay off by 0.05 px beside
    0.01 px within, and of 60 charts whose lines end 2 u held 44; now 56, p90 0.030 -> 0.006 points.

    At last the whole grid tells, through a lens fitted to all crossings, how it runs at each, and all are read again:
    told by its neighbours, crossings at the rim lay up to 0.05 px off, and without noise four strongly bent charts were
    off by 0.017, 0.004, 0.003 and 0.0001 points; now by 0.005 and thrice less than 0.001.

    What lost (own bench, 100 charts of lines, turned at will): patches along the picture's axes, and crossings between
    four whole meshes alone: 0.15 and 0.20 points at the 90th percentile, since the outermost points were foretold.
    """
    meshes = _meshes(depth, centre, line_depth)
    if meshes is None:
        return None
    corners = _corners(meshes)
    if not FEWEST <= len(corners) <= MOST:
        return None
    reach = max(4, round(ARM * meshes.spacing_px))
    found, usual = _seen(depth, *_frames(corners, list(corners)), reach, None)
    for _ in range(MOST_RINGS):
        expected = _one_ring_on(found)
        ring = [place for place in expected if place not in found]
        more, _ = _seen(depth, *_frames(expected, ring), reach, usual)
        for _ in range(RING_TURNS):
            more, _ = _seen(depth, *_frames(found | more, list(more)), reach, usual)
        if not more:
            break
        found |= more
    if usual is None or len(found) < FEWEST:
        return None
    found |= _seen(depth, *_frames_of_lens(found, depth.shape), reach, usual)[0]
    return Lattice(
        points=np.array(list(found.values())),
        index=np.array(list(found)),
        spacing_px=meshes.spacing_px,
        found=len(found),
        mark_px=usual.half_width * meshes.spacing_px,
    )


def _meshes(depth: FloatArray, centre: tuple[float, float], line_depth: float) -> Lattice | None:
    labels, count = ndimage.label(depth < LINE_LEVEL * line_depth)
    if count < FEWEST:
        return None
    area = np.bincount(labels.ravel())[1:]
    large = area >= SMALLEST_MESH_PX
    if not np.any(large):
        return None
    usual = float(np.median(area[large]))
    inner = _clear_of_border(labels, count, np.isnan(depth))
    chosen = np.flatnonzero((area > usual / AREA_RANGE) & (area < usual * AREA_RANGE) & inner) + 1
    if not FEWEST <= chosen.size <= MOST:
        return None
    middles = np.array(ndimage.center_of_mass(np.ones_like(depth), labels, chosen))[:, ::-1]
    return index_lattice(middles, centre)


def _clear_of_border(labels: npt.NDArray[Any], count: int, is_beyond: BoolArray) -> BoolArray:
    inner = np.ones(count + 1, dtype=np.bool_)
    inner[np.unique(labels[ndimage.binary_dilation(is_beyond)])] = False
    for border in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        inner[np.unique(border)] = False
    return np.asarray(inner[1:], dtype=np.bool_)


def _corners(meshes: Lattice) -> dict[Place, FloatArray]:
    """Return the middles between any four meshes, by the number of the first."""
    middle = {(int(i), int(j)): point for (i, j), point in zip(meshes.index, meshes.points, strict=True)}
    corners = {}
    for i, j in middle:
        around = [middle.get(place) for place in ((i, j), (i + 1, j), (i, j + 1), (i + 1, j + 1))]
        known = [point for point in around if point is not None]
        if len(known) == 4:
            corners[i, j] = np.asarray(np.mean(known, axis=0), dtype=np.float64)
    return corners


def _one_ring_on(found: Mapping[Place, FloatArray]) -> dict[Place, FloatArray]:
    """Return the crossings and, next to them, where others are expected: as far on as the last step, bent as it was."""
    ahead: dict[Place, list[FloatArray]] = {}
    for (i, j), here in found.items():
        for down, right in WAYS:
            before, second = found.get((i - down, j - right)), found.get((i - 2 * down, j - 2 * right))
            if (i + down, j + right) in found or before is None:
                continue
            bend = np.zeros(2) if second is None else here - 2 * before + second
            ahead.setdefault((i + down, j + right), []).append(2 * here - before + bend)
    return dict(found) | {place: np.mean(guesses, axis=0) for place, guesses in ahead.items()}


def _frames(points: Mapping[Place, FloatArray], places: Sequence[Place]) -> tuple[_Frames, list[Place]]:
    """Return how the grid runs at those of the places that have neighbours along both directions."""
    kept, columns = [], []
    for place in places:
        along_i, along_j = _run(points, place, (1, 0)), _run(points, place, (0, 1))
        if along_i is not None and along_j is not None:
            kept.append(place)
            columns.append((points[place], along_i[0], along_j[0], along_i[1], along_j[1]))
    arrays = np.array(columns, dtype=np.float64).reshape(-1, 5, 2)
    return _Frames(*(arrays[:, k] for k in range(5))), kept


def _frames_of_lens(points: Mapping[Place, FloatArray], shape: tuple[int, ...]) -> tuple[_Frames, list[Place]]:
    """Return how a grid runs through all the points at once, as a lens draws it, at those that lie on it."""
    index, places = np.array(list(points), dtype=np.float64), np.array(list(points.values()))
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    half = math.hypot(*shape) / 2
    fit = solved((places - middle) / half, index, terms=3, keystone_scatter=USUAL_KEYSTONE)
    at = [half * seen_at(fit.parameters, index + MID_ARM * np.array(way)) for way in ((0, 0), *WAYS)]
    here, after_i, before_i, after_j, before_j = (place[fit.kept] for place in at)
    steps = [(after - before) / (2 * MID_ARM) for after, before in ((after_i, before_i), (after_j, before_j))]
    bends = [(after + before - 2 * here) / MID_ARM**2 for after, before in ((after_i, before_i), (after_j, before_j))]
    return _Frames(places[fit.kept], *steps, *bends), [
        place for place, is_on in zip(points, fit.kept, strict=True) if is_on
    ]


def _run(points: Mapping[Place, FloatArray], place: Place, way: Place) -> tuple[FloatArray, FloatArray] | None:
    """Return the first and second step of the grid at a point along one direction."""

    def beside(count: int) -> FloatArray | None:
        return points.get((place[0] + count * way[0], place[1] + count * way[1]))

    here, after, before = points[place], beside(1), beside(-1)
    if after is not None and before is not None:
        return (after - before) / 2, after + before - 2 * here
    for sign, neighbour in ((1, after), (-1, before)):
        if neighbour is not None:
            second, third = beside(2 * sign), beside(3 * sign)
            bend = np.zeros(2) if second is None else here - 2 * neighbour + second
            twist = np.zeros(2) if second is None or third is None else here - 3 * neighbour + 3 * second - third
            twist = twist * (size := float(twist @ twist)) / (size + TWIST_PX**2)
            return sign * (neighbour - here - bend / 2 - twist / 3), bend + twist
    return None


@dataclass(frozen=True, slots=True)
class _UsualArm:
    """What a usual arm of a crossing shows: the weight of its rows, and the depth at `across` it, in steps."""

    weight: float
    profile: FloatArray
    across: FloatArray

    @property
    def half_width(self) -> float:
        """Half of the width at half depth, in steps of the grid."""
        is_line = self.profile > 0.5 * float(self.profile.max())
        return float(np.count_nonzero(is_line) * (self.across[1] - self.across[0])) / 2


def _seen(
    depth: FloatArray, frames: _Frames, kept: list[Place], reach: int, usual: _UsualArm | None
) -> tuple[dict[Place, FloatArray], _UsualArm | None]:
    """Return the crossings that are seen near where they are expected, and a usual arm."""
    if not kept:
        return {}, usual
    origin = frames.points
    alive = _inside(depth, frames.points)
    for turn in range(CENTROIDS + REGISTRATIONS):
        frames, origin, kept = frames.chosen(alive), origin[alive], [kept[k] for k in np.flatnonzero(alive)]
        if not kept:
            return {}, usual
        lines = _arms(depth, frames, reach)
        if usual is None and turn == CENTROIDS:
            usual = _usual_arm(lines)
        least = SHOWN_AT * (usual.weight if usual else float(np.median([line.weight for line in lines])))
        (a, b), (c, d) = (
            line.through_centroids(least) if usual is None or turn < CENTROIDS else line.registered(usual, least)
            for line in lines
        )
        j = (c + d * a) / (1 - d * b)
        frames = replace(frames, points=frames.at(a + b * j, j))
        strayed = np.hypot(*(frames.points - origin).T) / np.hypot(*frames.step_i.T)
        alive = _inside(depth, frames.points) & (strayed < FARTHEST)
    return {kept[k]: frames.points[k] for k in np.flatnonzero(alive)}, usual


def _inside(depth: FloatArray, points: FloatArray) -> BoolArray:
    """Say which points lie where the picture shows the chart; those that were not found are NaN."""
    size = np.array(depth.shape[::-1]) - 1
    inside = np.asarray(np.all((points >= 0) & (points <= size), axis=1), dtype=np.bool_)
    col, row = np.rint(np.where(inside[:, None], points, 0.0)).astype(np.intp).T
    return np.asarray(inside & np.isfinite(depth[row, col]), dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class _Arms:
    """The two arms of one line of each crossing.

    `depth` has the shape (n, 2, rows, places): depth over the ground at `across` the line, in steps of the grid, in
    rows at `along` it, of shape (2, rows); NaN outside of the picture.
    """

    depth: FloatArray
    along: FloatArray
    across: FloatArray

    @property
    def _weights(self) -> FloatArray:
        return np.asarray(np.square(np.clip(self.depth, 0.0, None)), dtype=np.float64)

    @property
    def weight(self) -> FloatArray:
        """Return how much of a line each arm shows, of shape (n, 2)."""
        total = self._weights.sum(axis=-1)
        shown = np.isfinite(total)
        mean = np.where(shown, total, 0.0).sum(axis=-1) / np.maximum(shown.sum(axis=-1), 1)
        return np.asarray(np.where(shown.sum(axis=-1) >= FEWEST_ROWS, mean, 0.0), dtype=np.float64)

    def used(self, least: float) -> BoolArray:
        """Return the rows, of shape (n, 2, rows), that lie in the picture, of arms that show at least so much."""
        return np.asarray((self.weight > least)[:, :, None] & np.isfinite(self.depth.sum(axis=-1)), dtype=np.bool_)

    def through_centroids(self, least: float) -> tuple[FloatArray, FloatArray]:
        """Return offset and slope of a straight line through the centroids of the rows; NaN where there are none."""
        used = self.used(least)
        weights = np.where(used[..., None], self._weights, 0.0)
        place = weights @ self.across / np.maximum(weights.sum(axis=-1), 1e-30)
        count, first, second = (np.sum(used * self.along**power, axis=(1, 2)) for power in (0, 1, 2))
        total, moment = place.sum(axis=(1, 2)), (place * self.along).sum(axis=(1, 2))
        lone = ~_on_both_sides(used)
        first, moment = np.where(lone, 0.0, first), np.where(lone, 0.0, moment)
        scale = np.where(count >= FEWEST_ROWS, count * second - first**2, np.nan)
        return (second * total - first * moment) / scale, (count * moment - first * total) / scale

    def registered(self, usual: _UsualArm, least: float) -> tuple[FloatArray, FloatArray]:
        """Return offset and slope of the usual line, shifted and turned, that fits best by least squares."""
        rise = np.gradient(usual.profile, self.across)
        ones = np.ones(self.along.shape)[..., None]
        columns = (usual.profile * ones, ones * np.ones_like(rise), self.across * ones, rise * ones)
        terms = np.stack([*columns, rise * self.along[..., None]], axis=-1)
        used = self.used(least)
        normal = np.einsum("nar,arkp,arkq->npq", used.astype(np.float64), terms, terms, optimize=True)
        right = np.einsum("nark,arkp->np", np.where(used[..., None], self.depth, 0.0), terms, optimize=True)
        lone = ~_on_both_sides(used)
        normal[lone, -1, :], normal[lone, :, -1], right[lone, -1] = 0.0, 0.0, 0.0
        fitted = np.einsum("npq,nq->np", np.linalg.pinv(normal), right)
        height = np.where(used.sum(axis=(1, 2)) >= FEWEST_ROWS, np.maximum(fitted[:, 0], LEAST_HEIGHT), np.nan)
        return -fitted[:, 3] / height, -fitted[:, 4] / height


def _on_both_sides(used: BoolArray) -> BoolArray:
    """Say of which lines both arms are used; a lone one tells no slope, and takes that of the grid around it."""
    return np.asarray(np.all(np.any(used, axis=2), axis=1), dtype=np.bool_)


def _usual_arm(lines: Sequence[_Arms]) -> _UsualArm:
    """Return the median of all arms, made symmetric."""
    rows = np.concatenate([line.depth.reshape(-1, len(line.across)) for line in lines])
    profile = np.nan_to_num(np.nanmedian(rows, axis=0))
    return _UsualArm(
        weight=float(np.median([line.weight for line in lines])),
        profile=(profile + profile[::-1]) / 2,
        across=lines[0].across,
    )


def _arms(depth: FloatArray, frames: _Frames, reach: int) -> tuple[_Arms, _Arms]:
    """Return the line that runs along j at each crossing, and the one along i, out to `reach` pixels."""
    step = ARM * np.arange(-reach, reach + 1) / reach
    j, i = np.meshgrid(step, step, indexing="ij")
    count = len(frames.points)
    x, y = np.moveaxis(frames.at(*(np.repeat(k[..., None], count, axis=-1) for k in (i, j))), -1, 0)
    patches = np.moveaxis(ndimage.map_coordinates(depth, [y, x], order=1, cval=np.nan), -1, 0)
    patches = patches - np.nanmedian(patches, axis=(1, 2), keepdims=True)
    near = np.abs(step) <= max(ACROSS, 3 * step[reach + 1])
    clear = np.flatnonzero(step >= max(CLEAR * step[-1], 2 * step[reach + 1]))
    rows = np.stack([2 * reach - clear, clear])
    return (
        _Arms(patches[:, rows][..., near], step[rows], step[near]),
        _Arms(patches.transpose(0, 2, 1)[:, rows][..., near], step[rows], step[near]),
    )
