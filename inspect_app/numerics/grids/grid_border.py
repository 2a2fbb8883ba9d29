"""Marks of a grid at the border of a picture, or pressed together there: which of them the picture shows."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.grid_arms import linked_crossings
from inspect_app.numerics.grids.grid_fit import PLACING, GridFit, fold_of, seen_at, stretch, undistorted
from inspect_app.numerics.grids.grid_points import quarter_turn
from inspect_app.numerics.grids.lattice import Lattice

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

UNREST_SMOOTHING: Final = 0.06  # of the spacing: unsmoothed, noise about an empty place looks like a small dot
SHOWN_AT: Final = 0.6  # of the usual unrest about a point, times the root of what is left of a mark's area
CROSSING_SHOWN_AT: Final = 0.3  # lines and squares are cut by the border and pressed together, but cover all
PRESSED: Final = 0.45  # of the middle's magnification, along a radius: there crossings fade and turn over by less,
FAINT_AT: Final = 0.2  # and may count or not from so much of the usual unrest on
MOST_KNOWN: Final = 60  # points, all over the chart, that tell what is usual
AROUND: Final = 0.3  # spacings about a point of the chart that are looked at for a faint mark,
AROUND_PLACES: Final = 17  # along either side
LIKE_AT: Final = 0.6  # correlation with the usual mark: the border of a field is restless, too,
MARK_LIKE_AT: Final = 0.9  # at least so much where the known marks are that much alike: discs are like crosses by 0.6;
UNLIKE_BY: Final = 8.0  # and it falls short of 1 by up to so many times what a tenth of the known marks do
CROSSING_LIKE_AT: Final = 0.5  # and with the usual crossing of lines: so is a label beside the chart
TURNS_OVER: Final = -0.5  # correlation after a quarter turn, below which points are corners of a chessboard
CORNER_AT: Final = 0.65  # of their usual correlation
LEAST_ROOM_PX: Final = 2  # from the border, to judge a corner
RIM: Final = 4  # points beyond the known ones: meshes cut by the border, and the crossings that need them
LAST_PX: Final = 4.0  # from the border: a corner of squares that may have none beyond
TOUCHED_PX: Final = 2.0  # within which of the border a mark's rim lies that may count or not,
TOUCHED_SHARE: Final = 0.15  # and so much of an isolated mark: a turned cross reaches farther than it is broad


def shown_at_the_border(
    lattice: Lattice, view: ChartView, fit: GridFit, half: float, middle: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return the numbers of points that the picture shows though none fits there, and which of them it shows clearly.

    They lie next to the grid's rim, or where a point was placed badly. A mark must look like the others, too: the dark
    beyond a round field, or a frame, was taken for up to 47 marks, labels beside a chart of lines for crossings, and
    the distortion for that farther out. Lines must lead to a crossing, and others stand beside a corner of squares: of
    60 such charts with labels two were off by 8 and 13 u, one by 1.5 points; now none is by more than 0.03 points. Only
    what a barrel presses together has a look of its own, and corners of squares have many.
    """
    known = {(int(i), int(j)) for i, j in lattice.index[fit.kept]}
    around = range(-RIM, RIM + 1)
    rim = {(i + a, j + b) for i, j in known for a in around for b in around} - known
    if not rim:
        return np.empty((0, 2)), np.empty(0, dtype=np.bool_)
    index = np.array(sorted(rim), dtype=np.float64)
    places = middle + half * seen_at(fit.parameters, index)
    room = view.room_px(places)
    inside = room >= (lattice.mark_px - touched_px(lattice) if lattice.is_isolated else 0)
    beyond = {(int(i), int(j)) for i, j in index[room < LEAST_ROOM_PX]}
    terms, radius = fit.parameters[PLACING:], np.hypot(*undistorted(fit.parameters, index).T)
    inside &= radius < fold_of(terms)
    index, places, radius, room = index[inside], places[inside], radius[inside], room[inside]
    reach = max(2, round(0.3 * lattice.spacing_px))
    smooth = ndimage.gaussian_filter(view.light, UNREST_SMOOTHING * lattice.spacing_px)
    known_places = lattice.points[:: max(1, len(known) // MOST_KNOWN)]
    usual = np.median([_unrest(smooth, place, reach) for place in known_places])
    least = SHOWN_AT if lattice.is_isolated else CROSSING_SHOWN_AT
    known_room = view.room_px(known_places)
    usual_turn = float(np.median(_turns(view, smooth, known_places, known_room, reach)))
    unrest = np.array([_unrest(smooth, place, reach) for place in places]) / usual
    along_radius = stretch(radius, terms)
    is_clear = unrest > least * (np.sqrt(np.minimum(along_radius, 1.0)) if lattice.is_isolated else 1.0)
    usual_look = _usual_look(smooth, known_places, reach)
    likeness = np.array([_likeness(smooth, place, usual_look) for place in places])
    is_pressed = along_radius < PRESSED
    if lattice.is_isolated:
        known_likeness = np.array([_likeness(smooth, place, usual_look) for place in known_places])
        unlike = UNLIKE_BY * (1 - float(np.quantile(known_likeness, 0.1)))
        alike = max(LIKE_AT, min(MARK_LIKE_AT, 1 - unlike))
        is_clear &= likeness > np.where(is_pressed, LIKE_AT, alike)
    elif usual_turn >= TURNS_OVER:
        placed = np.array(sorted(known), dtype=np.float64)
        linked = linked_crossings(index, placed, view.lit_only(smooth), fit, half, middle)
        is_clear &= is_pressed | ((likeness > CROSSING_LIKE_AT) & linked)
    if usual_turn < TURNS_OVER:
        is_clear &= _turns(view, smooth, places, room, reach) < CORNER_AT * usual_turn
    may_count = is_pressed.copy()
    if lattice.is_isolated:
        may_count[is_pressed] = _is_marked(smooth, index[is_pressed], lattice.index[fit.kept], fit, half, middle)
    else:
        may_count &= unrest > FAINT_AT
    shown = is_clear | may_count
    if usual_turn < TURNS_OVER:
        is_last = (room >= LEAST_ROOM_PX) & (room < LAST_PX)
        shown &= is_pressed | _held_by_neighbours(index, known, beyond, shown, is_last)
    return index[shown], is_clear[shown]


def _is_marked(
    image: FloatArray, index: FloatArray, known: IntArray, fit: GridFit, half: float, middle: FloatArray
) -> npt.NDArray[np.bool_]:
    """Say at which points of the chart a faint mark may stand, seen as on the chart: freed of what the lens does.

    In the picture the neighbours of what is pressed together stand as near as the mark itself.
    """
    step = np.linspace(-AROUND, AROUND, AROUND_PLACES)
    around = np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)

    def seen(points: npt.NDArray[np.generic]) -> FloatArray:
        places = (points[:, None].astype(np.float64) + around).reshape(-1, 2)
        x, y = (middle + half * seen_at(fit.parameters, places)).T
        light = ndimage.map_coordinates(image, [y, x], order=1, mode="nearest").reshape(len(points), len(around))
        return np.asarray(light / light.mean(axis=1, keepdims=True) - 1, dtype=np.float64)

    usual, found = seen(known[:: max(1, len(known) // MOST_KNOWN)]), seen(index)
    look = usual.mean(axis=0)
    spread = found.std(axis=1)
    likeness = found @ look / (len(look) * np.maximum(spread * look.std(), 1e-12))
    return np.asarray((likeness > LIKE_AT) & (spread > FAINT_AT * np.median(usual.std(axis=1))))


def _held_by_neighbours(
    index: FloatArray,
    known: set[tuple[int, int]],
    beyond: set[tuple[int, int]],
    shown: npt.NDArray[np.bool_],
    is_last: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Say which corners of squares stand beside others along both directions, known ones or such that do so in turn.

    Those beyond the border cannot be asked: beside a corner that is the last before it they will do along one of the
    two. Beside any corner they made a doubt of ten of 50 charts with labels, up to 0.8 points.
    """
    places = [(int(i), int(j)) for i, j in index]
    held = shown.copy()
    while True:
        taken = known | {place for place, counts in zip(places, held, strict=True) if counts}
        along = [(((i - 1, j), (i + 1, j)), ((i, j - 1), (i, j + 1))) for i, j in places]
        stands, may_stand = (
            np.array([[any(place in found for place in pair) for pair in both] for both in along], bool).reshape(-1, 2)
            for found in (taken, taken | beyond)
        )
        fewer = held & (stands.all(axis=1) | (is_last & stands.any(axis=1) & may_stand.all(axis=1)))
        if np.array_equal(fewer, held):
            return held
        held = fewer


def touched_px(lattice: Lattice) -> float:
    """Return within how many pixels of the border the rim of a mark lies that may count or not."""
    return TOUCHED_PX + TOUCHED_SHARE * (lattice.mark_px if lattice.is_isolated else 0.0)


def _unrest(image: FloatArray, place: FloatArray, reach: int) -> float:
    """Return how much the light changes about a place, as a share of its mean."""
    x, y = (round(float(value)) for value in place)
    patch = image[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
    return float(np.std(patch)) / max(float(np.mean(patch)), 1e-12)


def _usual_look(image: FloatArray, places: FloatArray, reach: int) -> FloatArray:
    """Return the mean light about places, of shape (2 reach + 1, 2 reach + 1), without those next to the border."""
    rounded = np.rint(places).astype(np.intp)
    size = np.array(image.shape[::-1])
    whole = rounded[((rounded >= reach) & (rounded < size - reach)).all(axis=1)]
    side = np.arange(-reach, reach + 1)
    looks = image[whole[:, 1, None, None] + side[:, None], whole[:, 0, None, None] + side]
    return np.asarray(looks.mean(axis=0), dtype=np.float64) if len(whole) else np.zeros((len(side), len(side)))


def _likeness(image: FloatArray, place: FloatArray, look: FloatArray) -> float:
    """Return how the light about a place correlates with a look, in as much of it as the picture shows."""
    reach = look.shape[0] // 2
    x, y = (round(float(value)) - reach for value in place)
    patch = image[max(0, y) : max(0, y + look.shape[0]), max(0, x) : max(0, x + look.shape[1])]
    look = look[max(0, -y) :, max(0, -x) :][: patch.shape[0], : patch.shape[1]]
    if patch.size < 2 or np.ptp(look) == 0:
        return 1.0
    off, own = patch - patch.mean(), look - look.mean()
    return float((off * own).sum() / max(math.sqrt((off**2).sum() * (own**2).sum()), 1e-30))


def _turns(view: ChartView, smooth: FloatArray, places: FloatArray, room: FloatArray, reach: int) -> FloatArray:
    """Return how the light about each place is like itself after a quarter turn.

    Next to the border the light is looked at as it is: smoothed, it is the border's doing. A place too near to be
    judged counts as one where squares meet.
    """
    return np.array([_turn(view, smooth, place, int(r), reach) for place, r in zip(places, room, strict=True)])


def _turn(view: ChartView, smooth: FloatArray, place: FloatArray, room: int, reach: int) -> float:
    if room < LEAST_ROOM_PX:
        return -1.0
    x, y = (float(value) for value in place)
    reach, looked_at = (min(reach, room), smooth) if room >= reach / 2 else (room, view.light)
    step = np.arange(-reach, reach + 1)
    return quarter_turn(ndimage.map_coordinates(looked_at, np.meshgrid(y + step, x + step, indexing="ij"), order=1))
