"""Fit radial distortion to the points of a square grid."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.grid_points import quarter_turn
from inspect_app.numerics.lattice import Lattice

FloatArray = npt.NDArray[np.float64]

OUTLIER_AT: Final = 4.0  # robust standard deviations
CENTRE_SCATTER: Final = 0.03  # of the half diagonal: how far a lens's axis usually lies from the picture's centre
TERM_SCATTERS: Final = (0.3, 0.3, 0.2)  # of k1, k2, k3 before the picture is seen
KEYSTONE_SCATTER: Final = 0.05  # change of magnification from centre to corner when a chart is not square to the axis
SQUEEZE_SCATTER: Final = 0.003  # by which a chart turned by a few degrees is foreshortened: one less their cosine
PLACING: Final = 10  # parameters that place the grid: centre, a, b, shift, keystone, squeeze; the terms follow
UNREST_SMOOTHING: Final = 0.06  # of the spacing: unsmoothed, noise about an empty place looks like a small dot
SHOWN_AT: Final = 0.6  # of the usual unrest about a point
CROSSING_SHOWN_AT: Final = 0.3  # lines and squares are cut by the border and pressed together, but cover all
PRESSED: Final = 0.45  # of the middle's magnification, along a radius: there crossings fade and turn over by less,
FAINT_AT: Final = 0.2  # and may count or not from so much of the usual unrest on
TURNS_OVER: Final = -0.5  # correlation after a quarter turn, below which points are corners of a chessboard
CORNER_AT: Final = 0.65  # of their usual correlation
LEAST_ROOM_PX: Final = 2  # from the border, to judge a corner
RIM: Final = 4  # points beyond the known ones: meshes cut by the border, and the crossings that need them
CUT_PX: Final = 1.0  # from the border: a mark that reaches there is cut
TOUCHED_PX: Final = 2.0  # within which of the border a mark's rim lies that may count or not,
TOUCHED_SHARE: Final = 0.15  # and so much of an isolated mark: a turned cross reaches farther than it is broad
ENDS_WITHIN: Final = 1.8  # u of what it changes whether they count: either end lies just within 2 u
FARTHEST: Final = 3.0  # half diagonals
FLATTEST: Final = 0.1  # of the middle's magnification, along a radius
KEYSTONE_COUNTS_AT: Final = 12.0  # twice the gain in log likelihood for two parameters: once in 400 by noise


@dataclass(frozen=True, slots=True, kw_only=True)
class RadialDistortion:
    """Radial distortion r' / r - 1 = k1 q^2 + k2 q^4 + k3 q^6, q = r over half the picture's diagonal.

    Parameters
    ----------
    terms : ndarray of shape (n,)
        k1, k2, ...
    radii : ndarray of shape (points,)
        Undistorted q of each point of the grid that fits, and of those that the picture shows but that could not be
        placed well.
    residual_px : float
        Root mean square distance of the points from the model along one axis.
    degrees_of_freedom : int
        Of that residual.
    centre : tuple of float
        x and y of the distortion's centre in pixels.
    keystone : float
        Change of magnification from centre to corner; 0 where the chart is square to the axis.
    largest_u : float
        Standard uncertainty of `share` where it is largest, from the places of the points: by the terms, and by how far
        out the outermost point lies, which hangs on centre, scale and keystone.
    cut_u : float
        Standard uncertainty of the same by whether a mark counts that the picture's border touches, or that is pressed
        together so far that it is faint.
    """

    terms: FloatArray
    radii: FloatArray
    residual_px: float
    degrees_of_freedom: int
    centre: tuple[float, float]
    keystone: float
    largest_u: float
    cut_u: float

    def share(self, radius: FloatArray) -> FloatArray:
        """Return r' / r - 1 at undistorted radii q."""
        return np.asarray(_powers(radius, self.terms.size) @ self.terms, dtype=np.float64)


def _powers(radius: FloatArray, count: int) -> FloatArray:
    return np.asarray(radius, dtype=np.float64)[:, None] ** (2.0 * np.arange(1, count + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    parameters: FloatArray
    covariance: FloatArray
    cost: float
    noise: float
    kept: npt.NDArray[np.bool_]
    log_evidence: float


def fit_radial_distortion(lattice: Lattice, image: FloatArray) -> tuple[RadialDistortion, ...]:
    """Fit one, two and three terms of radial distortion, best supported first.

    Parameters
    ----------
    lattice : Lattice
        Numbered points of a square grid.
    image : ndarray of shape (rows, cols)
        The picture that holds it.

    Returns
    -------
    tuple of RadialDistortion
        Those whose evidence is within a factor of 20 of the best. The undistorted grid has the magnification of the
        picture's middle.

    Notes
    -----
    The picture of a square grid is p = c + u (1 + k1 q^2 + ...), u = A (i, j) + b with one scale and one turn, and,
    only where the points demand it, a keystone and a squeeze (the chart not square to the axis). Gauss-Newton in units
    of half the diagonal, outliers beyond four standard deviations left out.

    What lost: taking the undistorted scale from the mesh in the middle alone, as a textbook reading of ISO 17850 has
    it: a mesh of 40 px known to 0.1 px makes 0.25 points. A keystone without the squeeze that belongs to it: p90 was
    0.08 instead of 0.02 points over 24 charts of dots, turned by up to 3 degrees.

    References
    ----------
    ISO 17850:2015, local geometric distortion (from memory).
    """
    rows, cols = image.shape
    half = math.hypot(rows, cols) / 2
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    seen = (lattice.points - middle) / half
    index = lattice.index.astype(np.float64)
    with_keystone = _solve(seen, index, terms=2, keystone=True)
    without = _solve(seen, index, terms=2, keystone=False)
    tilted = with_keystone.log_evidence - without.log_evidence > KEYSTONE_COUNTS_AT / 2
    fits = [_solve(seen, index, terms=count, keystone=tilted) for count in (1, 2, 3)]
    best = max(fit.log_evidence for fit in fits)
    kept = sorted((fit for fit in fits if best - fit.log_evidence < math.log(20)), key=lambda fit: -fit.log_evidence)
    border = _shown_at_the_border(lattice, image, kept[0], half, middle)
    return tuple(_as_distortion(fit, lattice, border, half, middle) for fit in kept)


def _shown_at_the_border(
    lattice: Lattice, image: FloatArray, fit: _Fit, half: float, middle: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return the numbers of points that the picture shows though none fits there, and which of them it shows clearly.

    They lie next to the grid's rim, or where a point was placed badly.
    """
    known = {(int(i), int(j)) for i, j in lattice.index[fit.kept]}
    around = range(-RIM, RIM + 1)
    rim = {(i + a, j + b) for i, j in known for a in around for b in around} - known
    if not rim:
        return np.empty((0, 2)), np.empty(0, dtype=np.bool_)
    index = np.array(sorted(rim), dtype=np.float64)
    places = middle + half * _model(fit.parameters, index)
    size = np.array(image.shape[::-1], dtype=np.float64)
    inside = _room(places, size) >= (lattice.mark_px - _touched_px(lattice) if lattice.is_isolated else 0)
    terms, radius = fit.parameters[PLACING:], np.hypot(*_undistorted(fit.parameters, index).T)
    inside &= radius < _fold(terms)
    index, places, radius = index[inside], places[inside], radius[inside]
    reach = max(2, round(0.3 * lattice.spacing_px))
    smooth = ndimage.gaussian_filter(image, UNREST_SMOOTHING * lattice.spacing_px)
    known_places = lattice.points[:: max(1, len(known) // 60)]
    usual = np.median([_unrest(smooth, place, reach) for place in known_places])
    least = SHOWN_AT if lattice.is_isolated else CROSSING_SHOWN_AT
    usual_turn = float(np.median([_turn(image, smooth, place, reach) for place in known_places]))
    unrest = np.array([_unrest(smooth, place, reach) for place in places]) / usual
    is_clear = unrest > least
    if usual_turn < TURNS_OVER:
        turns = np.array([_turn(image, smooth, place, reach) for place in places])
        is_clear &= turns < CORNER_AT * usual_turn
    may_count = (unrest > FAINT_AT) & (_stretch(radius, terms) < PRESSED) & (not lattice.is_isolated)
    shown = is_clear | may_count
    return index[shown], is_clear[shown]


def _room(places: FloatArray, size: FloatArray) -> FloatArray:
    """Return how many pixels each place lies within a picture of so many columns and rows."""
    return np.asarray(np.minimum(places, size - 1 - places).min(axis=1), dtype=np.float64)


def _touched_px(lattice: Lattice) -> float:
    return TOUCHED_PX + TOUCHED_SHARE * (lattice.mark_px if lattice.is_isolated else 0.0)


def _fold(terms: FloatArray) -> float:
    """Return the undistorted radius from which on the polynomial hardly grows any more: beyond it, it folds back."""
    radius = np.linspace(0.0, FARTHEST, 200)
    flat = np.flatnonzero(_stretch(radius, terms) < FLATTEST)
    return float(radius[flat[0]]) if flat.size else FARTHEST


def _stretch(radius: FloatArray, terms: FloatArray) -> FloatArray:
    """Return the magnification along a radius over that of the middle."""
    powers = _powers(radius, terms.size) @ (terms * (2.0 * np.arange(1, terms.size + 1) + 1))
    return np.asarray(1 + powers, dtype=np.float64)


def _unrest(image: FloatArray, place: FloatArray, reach: int) -> float:
    """Return how much the light changes about a place, as a share of its mean."""
    x, y = (round(float(value)) for value in place)
    patch = image[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
    return float(np.std(patch)) / max(float(np.mean(patch)), 1e-12)


def _turn(image: FloatArray, smooth: FloatArray, place: FloatArray, reach: int) -> float:
    """Return how the light about a place is like itself after a quarter turn.

    Next to the border the light is looked at as it is: smoothed, it is the border's doing. A place too near to be
    judged counts as one where squares meet.
    """
    x, y = (float(value) for value in place)
    room = math.floor(min(x, y, image.shape[1] - 1 - x, image.shape[0] - 1 - y))
    if room < LEAST_ROOM_PX:
        return -1.0
    reach, looked_at = (min(reach, room), smooth) if room >= reach / 2 else (room, image)
    step = np.arange(-reach, reach + 1)
    return quarter_turn(ndimage.map_coordinates(looked_at, np.meshgrid(y + step, x + step, indexing="ij"), order=1))


def _as_distortion(
    fit: _Fit,
    lattice: Lattice,
    border: tuple[FloatArray, npt.NDArray[np.bool_]],
    half: float,
    middle: FloatArray,
) -> RadialDistortion:
    terms = fit.parameters[PLACING:]
    placed = lattice.index[fit.kept].astype(np.float64)
    shown = np.vstack([placed, border[0]])
    is_clear = np.concatenate([np.ones(len(placed), dtype=np.bool_), border[1]])
    room = _room(middle + half * _model(fit.parameters, shown), 2 * middle + 1) - lattice.mark_px
    clear = (room >= _touched_px(lattice)) & is_clear
    counted = (room >= CUT_PX) & is_clear
    radii = np.hypot(*_undistorted(fit.parameters, shown).T)
    shares = _powers(radii, terms.size) @ terms
    largest, *others = (float(max(part, key=abs, default=0.0)) for part in (shares[counted], shares[clear], shares))
    return RadialDistortion(
        terms=terms,
        radii=radii[counted],
        residual_px=fit.noise * half,
        degrees_of_freedom=max(1, 2 * len(placed) - fit.parameters.size),
        centre=(float(middle[0] + half * fit.parameters[0]), float(middle[1] + half * fit.parameters[1])),
        keystone=float(np.hypot(fit.parameters[6], fit.parameters[7])),
        largest_u=_share_u(fit, shown[counted][np.argmax(np.abs(shares[counted]))]),
        cut_u=max(abs(largest - other) for other in others) / ENDS_WITHIN,
    )


def _share_u(fit: _Fit, index: FloatArray) -> float:
    """Return the standard uncertainty of the distortion at one point of the grid, by the law of propagation."""

    def share(parameters: FloatArray) -> float:
        radius = np.hypot(*_undistorted(parameters, index[None, :]).T)
        return float((_powers(radius, parameters.size - PLACING) @ parameters[PLACING:])[0])

    steps = 1e-3 * np.sqrt(np.diag(fit.covariance))
    slopes = np.array(
        [
            (share(fit.parameters + change) - share(fit.parameters - change)) / (2 * step) if step > 0 else 0.0
            for step, change in zip(steps, np.diag(steps), strict=True)
        ]
    )
    return math.sqrt(max(float(slopes @ fit.covariance @ slopes), 0.0))


def _undistorted(parameters: FloatArray, index: FloatArray) -> FloatArray:
    """Return undistorted positions about the distortion's centre; see `PLACING` for the parameters."""
    _, _, a, b, shift_x, shift_y, tilt_x, tilt_y, squeeze, shear = parameters[:PLACING]
    straight_x = a * index[:, 0] - b * index[:, 1] + shift_x
    straight_y = b * index[:, 0] + a * index[:, 1] + shift_y
    x = straight_x * (1 + squeeze) + straight_y * shear
    y = straight_y * (1 - squeeze) + straight_x * shear
    share = 1 - tilt_x * x - tilt_y * y
    return np.column_stack([x / share, y / share])


def _model(parameters: FloatArray, index: FloatArray) -> FloatArray:
    flat = _undistorted(parameters, index)
    stretch = 1 + _powers(np.hypot(flat[:, 0], flat[:, 1]), parameters.size - PLACING) @ parameters[PLACING:]
    return np.asarray(parameters[:2] + flat * stretch[:, None], dtype=np.float64)


def _solve(seen: FloatArray, index: FloatArray, *, terms: int, keystone: bool) -> _Fit:
    scatter = np.array(
        [CENTRE_SCATTER] * 2
        + [10.0] * 4
        + [KEYSTONE_SCATTER if keystone else 1e-9] * 2
        + [SQUEEZE_SCATTER if keystone else 1e-9] * 2
        + list(TERM_SCATTERS[:terms])
    )
    free = np.array([True] * 6 + [keystone] * 4 + [True] * terms)
    parameters = np.concatenate([np.zeros(2), _similarity(seen, index), np.zeros(4 + terms)])
    kept = np.ones(len(seen), dtype=np.bool_)
    noise = 1e-3
    precision = 1 / scatter[free] ** 2
    normal = np.eye(int(free.sum()))
    for turn in range(25):
        residual = seen - _model(parameters, index)
        distance = np.abs(residual).max(axis=1)
        if turn >= 3:
            robust = 1.4826 * float(np.median(np.abs(residual)))
            kept = distance <= OUTLIER_AT * max(robust, 1e-7)
        freedom = max(1, 2 * int(kept.sum()) - int(free.sum()))
        noise = max(1e-7, math.sqrt(float(np.sum(residual[kept] ** 2)) / freedom))
        columns = _jacobian(parameters, index[kept], free) / noise
        normal = columns.T @ columns + np.diag(precision)
        slope = columns.T @ (residual[kept] / noise).ravel() - precision * parameters[free]
        change = np.linalg.pinv(normal, hermitian=True) @ slope  # points in one line leave directions untold
        parameters[free] += np.clip(change, -0.2, 0.2)
        if turn > 4 and float(np.max(np.abs(change))) < 1e-9:
            break
    covariance = np.zeros((parameters.size, parameters.size))
    covariance[np.ix_(free, free)] = np.linalg.pinv(normal, hermitian=True)
    residual = seen - _model(parameters, index)
    count = 2 * int(kept.sum())
    cost = float(np.sum(residual[kept] ** 2))
    prior = float(np.sum(precision * parameters[free] ** 2))
    _, log_det = np.linalg.slogdet(normal / np.sqrt(np.outer(precision, precision)))
    dropped = len(seen) - int(kept.sum())
    return _Fit(
        parameters=parameters,
        covariance=covariance,
        cost=cost,
        noise=noise,
        kept=kept,
        log_evidence=-0.5 * count * math.log(max(cost / count, 1e-14))
        - 0.5 * prior
        - 0.5 * float(log_det)
        - 4.0 * dropped,
    )


def _jacobian(parameters: FloatArray, index: FloatArray, free: npt.NDArray[np.bool_]) -> FloatArray:
    columns = []
    for number in np.flatnonzero(free):
        ahead, behind = parameters.copy(), parameters.copy()
        ahead[number] += 1e-6
        behind[number] -= 1e-6
        columns.append((_model(ahead, index) - _model(behind, index)).ravel() / 2e-6)
    return np.array(columns).T


def _similarity(seen: FloatArray, index: FloatArray) -> FloatArray:
    """Return a, b and the shift of the turned and scaled grid nearest to the middle's points."""
    near = np.argsort(np.hypot(seen[:, 0], seen[:, 1]))[: max(9, len(seen) // 4)]
    i, j = index[near, 0], index[near, 1]
    one, nought = np.ones_like(i), np.zeros_like(i)
    rows = np.vstack([np.column_stack([i, -j, one, nought]), np.column_stack([j, i, nought, one])])
    return np.asarray(np.linalg.lstsq(rows, np.concatenate([seen[near, 0], seen[near, 1]]), rcond=None)[0])
