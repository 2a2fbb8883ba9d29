"""Place isolated marks by registration with the usual one, as they are or as a lens draws them."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.grid_fit import GridFit, seen_at

FloatArray = npt.NDArray[np.float64]

REGISTRATIONS: Final = 3  # the third moves no mark by more than a thousandth of a pixel
SMOOTHING_PX: Final = 0.5  # of the usual mark
LEAST_DEPTH: Final = 0.3  # of the usual mark's
FARTHEST_PX: Final = 1.0  # that one registration moves a mark
USUAL_SHARE: Final = 1.0  # a lens draws marks as it draws their grid; in a picture made by hand they may be round,
SHARE_SCATTER: Final = 0.5  # and the blur behind a lens, which it does not draw out, makes the share less
FEWEST_FOR_SURFACE: Final = 25  # marks
MOST_FOR_USUAL: Final = 500  # marks
PLACES_TOGETHER: Final = 1_000_000
KNOTS: Final = 5
FIRST_ORDER: Final = [1, 0]  # of the powers: x and y
ONE_STEP: Final = 1e-3  # of the grid, over which it is taken as straight
UNDRAWN: Final = np.eye(2)[None]  # steps that the lens leaves as they are


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnMarks:
    """Isolated marks placed with what the lens makes of their shape.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        x and y in pixels.
    share : float
        How far marks are drawn out of shape: 1 where the lens draws them as it draws the grid, 0 where all are alike.
    share_u : float
        Standard uncertainty of that.
    by_share_px : ndarray of shape (n, 2)
        By how much a mark is misplaced where the share is taken as too low by 1.
    """

    points: FloatArray
    share: float
    share_u: float
    by_share_px: FloatArray


@dataclass(frozen=True, slots=True)
class _Patch:
    """The square in which marks are compared: offsets from the middle, of shape (places, 2), and their weights."""

    side: int
    offsets: FloatArray
    weights: FloatArray


def _patch(reach: int) -> _Patch:
    step = np.arange(-reach, reach + 1, dtype=np.float64)
    v, u = np.meshgrid(step, step, indexing="ij")
    weights = np.clip(reach + 0.5 - np.hypot(u, v), 0.0, 1.0)
    return _Patch(len(step), np.column_stack([u.ravel(), v.ravel()]), weights.ravel())


@dataclass(frozen=True, slots=True)
class _UsualMark:
    """The median of marks, made symmetric: its light and slopes, of shapes (places,) and (places, 2).

    A mark is fitted by `terms`, of shape (6, places): that light, a sloping ground, and the slopes, which move it.
    """

    light: FloatArray
    slopes: FloatArray
    terms: FloatArray
    solver: FloatArray


def _usual_mark(seen: FloatArray, patch: _Patch) -> _UsualMark:
    usual = np.median(seen, axis=0).reshape(patch.side, patch.side)
    usual = ndimage.gaussian_filter(0.5 * (usual + usual[::-1, ::-1]), SMOOTHING_PX)
    down, across = np.gradient(usual)
    slopes = np.column_stack([across.ravel(), down.ravel()])
    terms = np.vstack([usual.ravel(), np.ones(len(slopes)), patch.offsets.T, slopes.T]) * patch.weights
    return _UsualMark(usual.ravel(), slopes, terms, np.asarray(np.linalg.pinv(terms), dtype=np.float64))


def _some(count: int) -> slice:
    """Return which of so many marks make the usual one: all, or some all over the chart."""
    return slice(None, None, max(1, count // MOST_FOR_USUAL))


def _parts(count: int, patch: _Patch) -> list[slice]:
    """Return the parts in which so many marks are compared, for memory's sake."""
    together = max(1, PLACES_TOGETHER // len(patch.weights))
    return [slice(start, start + together) for start in range(0, count, together)]


def _splines(picture: FloatArray) -> FloatArray:
    """Return the coefficients of the cubic splines through a picture."""
    return np.asarray(ndimage.spline_filter(picture, order=3, mode="mirror"), dtype=np.float64)


def _seen(splines: FloatArray, points: FloatArray, places: FloatArray) -> FloatArray:
    """Return the picture at offsets, of shape (n or 1, places, 2), from points: shape (n, places)."""
    x, y = (points[:, None, axis] + places[..., axis] for axis in (0, 1))
    seen = ndimage.map_coordinates(splines, [y, x], order=3, mode="mirror", prefilter=False)
    return np.asarray(seen, dtype=np.float64)


def _fitted(view: ChartView, seen: FloatArray, points: FloatArray, places: FloatArray, usual: _UsualMark) -> FloatArray:
    """Return the terms of each mark, of shape (n, 6); `seen` and the terms are weighted.

    Of a mark beside the border of a round field, what lies in the field is fitted.
    """
    fitted = seen @ usual.solver
    reach = float(np.max(np.abs(places))) + 1
    for k in np.flatnonzero(view.room_px(points) < reach) if view.field else ():
        is_seen = view.room_px(points[k] + places[k if len(places) > 1 else 0]) > 0
        fitted[k] = seen[k, is_seen] @ np.linalg.pinv(usual.terms[:, is_seen])
    return fitted


def _moved(
    points: FloatArray, fitted: FloatArray, usual: _UsualMark, patch: _Patch, drawn: FloatArray = UNDRAWN
) -> FloatArray:
    """Return the points where the usual mark fits, less what the light's slope within a mark makes of its place.

    What a step within the mark becomes in the picture is `drawn`, of shape (n or 1, 2, 2).
    """
    above_ground = usual.light - float(np.median(usual.light[patch.weights < 1]))
    rise = (_rise(points, fitted[:, 0])[:, None] @ drawn)[:, 0]
    brighter = rise @ ((above_ground * patch.offsets.T * patch.weights) @ usual.solver)
    within = (brighter - fitted)[:, 4:] / np.maximum(fitted[:, :1], LEAST_DEPTH)
    moved = (drawn @ within[:, :, None])[..., 0]
    return points + np.clip(moved, -FARTHEST_PX, FARTHEST_PX)


def _rise(points: FloatArray, depth: FloatArray) -> FloatArray:
    """Return by how much marks deepen per pixel along x and y, of shape (n, 2), as they lie: the light on the chart.

    A surface of the second order through the depths of all marks, or a plane where they are few.
    """
    middle, size = points.mean(axis=0), max(float(np.ptp(points)), 1.0)
    x, y = ((points - middle) / size).T
    one, nought = np.ones_like(x), np.zeros_like(x)
    surface = [one, x, y, x**2, x * y, y**2]
    along_x = [nought, one, nought, 2 * x, y, nought]
    along_y = [nought, nought, one, nought, x, 2 * y]
    orders = 6 if len(points) >= FEWEST_FOR_SURFACE else 3
    usual = np.linalg.lstsq(np.array(surface[:orders]).T, depth, rcond=None)[0]
    return np.column_stack([usual @ np.array(way[:orders]) for way in (along_x, along_y)]) / size


def reach_of(mark_px: float) -> int:
    """Return the pixels about a mark, that reaches so far from its middle, in which it is compared with others."""
    return math.ceil(1.24 * mark_px) + 2


def registered(view: ChartView, depth: FloatArray, points: FloatArray, reach: int) -> FloatArray:
    """Return the points moved to where the usual mark fits each best.

    Parameters
    ----------
    view : ChartView
        Of the picture.
    depth : ndarray of shape (rows, cols)
        How far each pixel lies below the ground.
    points : ndarray of shape (n, 2)
        x and y in pixels.
    reach : int
        Pixels about each point that are compared.
    """
    patch, splines = _patch(reach), _splines(depth)
    places, some = patch.offsets[None], _some(len(points))
    for _ in range(REGISTRATIONS):
        usual = _usual_mark(_seen(splines, points[some], places), patch)
        fitted = np.empty((len(points), 6))
        for part in _parts(len(points), patch):
            seen = _seen(splines, points[part], places) * patch.weights
            fitted[part] = _fitted(view, seen, points[part], places, usual)
        points = _moved(points, fitted, usual, patch)
    return points


def registered_as_drawn(view: ChartView, points: FloatArray, index: FloatArray, fit: GridFit, reach: int) -> DrawnMarks:
    """Place marks anew, each compared with the usual one as the lens draws it there.

    Parameters
    ----------
    view : ChartView
        Of the picture.
    points, index : ndarray of shape (n, 2)
        x and y of the marks in pixels, and their column and row in the grid.
    fit : GridFit
        Of the grid, in units of half the diagonal about the picture's middle.
    reach : int
        Pixels about each point that are compared.

    Notes
    -----
    What the usual mark has at an offset from its middle, the lens draws elsewhere: longer along radii than across
    them, and bent, so that a mark seems to lie too far in or out. How far marks are drawn so is told from their shapes,
    by least squares over all of them along with their places.

    What lost, next to no noise, 30 charts each of dots and crosses: places as registered before, less what is told to
    the first order of how a mark is drawn (rms 0.0015 and 0.0024 points; so 0.0001 and 0.0005, and 0.0088 and 0.0031
    without either). A step within the mark taken for one in the picture: where a barrel draws steps to less than half,
    each turn overshot by more than the last was off, 0.1 to 0.6 px; 64 charts of dots and crosses through barrels of 15
    to 25 % were held 67 of 100, now 97.
    """
    patch, some, splines = _patch(reach), _some(len(points)), _splines(view.light)
    drawn = _Drawing(fit, math.hypot(*view.light.shape) / 2, index, patch)
    share, share_u = USUAL_SHARE, SHARE_SCATTER
    whole = ((view.room_px(points) > reach) & fit.kept)[:, None]
    fitted, by_share = np.empty((len(points), 6)), np.empty((len(points), 2))
    for _ in range(REGISTRATIONS):
        bent = drawn.bent(some)
        usual = _usual_mark(_seen(splines, points[some], patch.offsets + share * bent), patch)
        weight, told, unlike, count = 1e-30, 0.0, 0.0, 1
        for part in _parts(len(points), patch):
            bent = drawn.bent(part)
            places = patch.offsets + share * bent
            seen = _seen(splines, points[part], places) * patch.weights
            fitted[part] = _fitted(view, seen, points[part], places, usual)
            changed = np.einsum("npa,pa->np", bent, usual.slopes) * patch.weights
            as_terms = changed @ usual.solver
            by_share[part] = (drawn.steps(part, share) @ as_terms[:, 4:, None])[..., 0]
            changed = (changed - as_terms @ usual.terms) * whole[part]
            rest = (seen - fitted[part] @ usual.terms) * whole[part]
            weight += float(np.sum(changed**2))
            told += float(np.sum(changed * rest))
            unlike += float(np.sum(rest**2))
            count += int(whole[part].sum()) * int(np.count_nonzero(patch.weights))
        points = _moved(points, fitted, usual, patch, drawn.steps(slice(None), share))
        variance = unlike / count / weight
        trust = SHARE_SCATTER**2 / (SHARE_SCATTER**2 + variance)
        share = USUAL_SHARE + trust * (share - told / weight - USUAL_SHARE)
        share_u = math.sqrt(trust * variance)
    return DrawnMarks(points=points, share=share, share_u=share_u, by_share_px=by_share)


class _Drawing:
    """How a lens draws what the usual mark of a grid, of numbers `index` of shape (n, 2), has beside its middle.

    Within a mark it is a polynomial of the third order of the offsets, through `KNOTS` by `KNOTS` places.
    """

    def __init__(self, fit: GridFit, half: float, index: FloatArray, patch: _Patch) -> None:
        def seen(places: FloatArray) -> FloatArray:
            return half * seen_at(fit.parameters, places.reshape(-1, 2)).reshape(places.shape)

        here, reach = seen(index), float(np.max(patch.offsets))
        steps = [np.median(seen(index + ONE_STEP * way) - here, axis=0) / ONE_STEP for way in np.eye(2)]
        steps_of_px = np.linalg.pinv(np.nan_to_num(np.array(steps)))
        knot = np.linspace(-1.0, 1.0, KNOTS)
        knots = reach * np.stack(np.meshgrid(knot, knot), axis=-1).reshape(-1, 2)
        drawn = seen(index[:, None, :] + knots @ steps_of_px) - here[:, None, :] - knots
        drawn = np.clip(np.nan_to_num(drawn), -reach, reach)  # farther than that no lens draws a mark
        self._coefficients = np.linalg.pinv(_powers(knots / reach)) @ drawn
        self._powers = _powers(patch.offsets / reach)
        self._slopes = self._coefficients[:, FIRST_ORDER].swapaxes(1, 2) / reach

    def bent(self, which: slice) -> FloatArray:
        """Return how much farther on it is seen at each place of the patch, in pixels: shape (n, places, 2)."""
        return np.asarray(self._powers @ self._coefficients[which], dtype=np.float64)

    def steps(self, which: slice, share: float) -> FloatArray:
        """Return what a pixel's step from the middle along x and y becomes in the picture: columns of (n, 2, 2)."""
        return np.asarray(np.eye(2) + share * self._slopes[which], dtype=np.float64)


def _powers(offsets: FloatArray) -> FloatArray:
    """Return the products of powers of x and y up to the third order, of shape (places, 9); they vanish at (0, 0)."""
    x, y = offsets.T
    return np.stack([x**i * y ** (order - i) for order in (1, 2, 3) for i in range(order + 1)], axis=-1)
