"""The least-squares fit of a square grid as a lens of radial distortion draws it, and what its parameters say."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

OUTLIER_AT: Final = 4.0  # robust standard deviations
CENTRE_SCATTER: Final = 0.03  # of the half diagonal: how far a lens's axis usually lies from the picture's centre
TERM_SCATTERS: Final = (0.3, 0.05, 0.03)  # of k1, k2, k3 before the picture is seen (common practice, no source)
FORESHORTENED: Final = 4.0
"""Of the keystone's scatter squared: a chart turned by t has, behind a lens of half angle h, a keystone of t tan(h),
and is squeezed by t^2 / 4."""

PLACING: Final = 10  # parameters that place the grid: centre, a, b, shift, keystone, squeeze; the terms follow
SLOPE_OVER: Final = 1e-6  # of a parameter
TURNED: Final = slice(6, PLACING)  # of the parameters: keystone and squeeze
ROUGH_TURNS: Final = 3  # of Gauss-Newton, in which all points count
FARTHEST: Final = 3.0  # half diagonals
FLATTEST: Final = 0.1  # of the middle's magnification, along a radius


@dataclass(frozen=True, slots=True, kw_only=True)
class GridFit:
    """A fit in units of half the picture's diagonal.

    `parameters` are `PLACING` that place the grid and the terms of distortion, with their `covariance`; `cost` is the
    sum of squares of the points that were `kept`, `noise` their standard deviation along one axis, and `log_evidence`
    tells how well so many terms are supported, with a keystone of such a scatter. `spread`, of shape (n,), are the
    standard deviations of points over their root mean square.
    """

    parameters: FloatArray
    covariance: FloatArray
    cost: float
    noise: float
    kept: npt.NDArray[np.bool_]
    log_evidence: float
    keystone_scatter: float
    spread: FloatArray


def solved(seen: FloatArray, index: FloatArray, *, terms: int, keystone_scatter: float) -> GridFit:
    """Fit a number of terms, and a keystone, to points `seen` of numbers `index`, both of shape (n, 2).

    `keystone_scatter` is how far magnification usually changes from centre to corner, since the chart is not square to
    the axis, before the picture is seen; 0 leaves it out.

    Gauss-Newton, outliers beyond four robust standard deviations left out.
    """
    start = np.concatenate([np.zeros(2), _similarity(seen, index), np.zeros(4 + terms)])
    return _solved(start, seen, index, keystone_scatter, np.ones(len(seen)), ROUGH_TURNS)


def solved_near(
    near: GridFit,
    seen: FloatArray,
    index: FloatArray,
    *,
    keystone_scatter: float | None = None,
    spread: FloatArray | None = None,
) -> GridFit:
    """Fit as many terms as another fit has, and from there, to points placed as unequally as `spread` says.

    `spread`, of shape (n,), are standard deviations over their root mean square; what is not given is that of `near`.
    """
    scatter = near.keystone_scatter if keystone_scatter is None else keystone_scatter
    start = near.parameters.copy()
    if scatter == 0:
        start[TURNED] = 0
    return _solved(start, seen, index, scatter, near.spread if spread is None else spread, 0)


def _solved(
    parameters: FloatArray,
    seen: FloatArray,
    index: FloatArray,
    keystone_scatter: float,
    spread: FloatArray,
    rough_turns: int,
) -> GridFit:
    """Return the fit from a start, with all points counting in the first turns."""
    terms = parameters.size - PLACING
    scatter = np.array(
        [CENTRE_SCATTER] * 2
        + [10.0] * 4
        + [keystone_scatter or 1.0] * 2
        + [FORESHORTENED * keystone_scatter**2 or 1.0] * 2
        + list(TERM_SCATTERS[:terms])
    )
    free = np.array([True] * 6 + [keystone_scatter > 0] * 4 + [True] * terms)
    kept = np.ones(len(seen), dtype=np.bool_)
    noise = 1e-3
    precision = 1 / scatter[free] ** 2
    normal = np.eye(int(free.sum()))
    for turn in range(25):
        residual = (seen - seen_at(parameters, index)) / spread[:, None]
        distance = np.abs(residual).max(axis=1)
        if turn >= rough_turns:
            robust = 1.4826 * float(np.median(np.abs(residual)))
            kept = distance <= OUTLIER_AT * max(robust, 1e-7)
        freedom = max(1, 2 * int(kept.sum()) - int(free.sum()))
        noise = max(1e-7, math.sqrt(float(np.sum(residual[kept] ** 2)) / freedom))
        columns = _jacobian(parameters, index[kept], free) / (noise * np.repeat(spread[kept], 2))[:, None]
        normal = columns.T @ columns + np.diag(precision)
        slope = columns.T @ (residual[kept] / noise).ravel() - precision * parameters[free]
        change = np.linalg.pinv(normal, hermitian=True) @ slope  # points in one line leave directions untold
        parameters[free] += np.clip(change, -0.2, 0.2)
        if turn > rough_turns + 1 and float(np.max(np.abs(change))) < 1e-9:
            break
    covariance = np.zeros((parameters.size, parameters.size))
    covariance[np.ix_(free, free)] = np.linalg.pinv(normal, hermitian=True)
    residual = (seen - seen_at(parameters, index)) / spread[:, None]
    count = 2 * int(kept.sum())
    cost = float(np.sum(residual[kept] ** 2))
    prior = float(np.sum(precision * parameters[free] ** 2))
    _, log_det = np.linalg.slogdet(normal / np.sqrt(np.outer(precision, precision)))
    # What is left out counts as if it lay just at the limit: with its places not counted at all, a fit that explains
    # little, and so leaves out little, seems better supported than the true one.
    dropped = (OUTLIER_AT**2 / 2 - 1) * (len(seen) - int(kept.sum()))
    return GridFit(
        parameters=parameters,
        covariance=covariance,
        cost=cost,
        noise=noise,
        kept=kept,
        log_evidence=-len(seen) * math.log(max(cost / count, 1e-14)) - 0.5 * prior - 0.5 * float(log_det) - dropped,
        keystone_scatter=keystone_scatter,
        spread=spread,
    )


def leverage(fit: GridFit, index: FloatArray) -> FloatArray:
    """Return how much of its own noise each point, of shape (n, 2), takes into an even fit: 0 to 1, of shape (n,)."""
    free = np.diag(fit.covariance) > 0
    columns = _jacobian(fit.parameters, index, free) / fit.noise
    covariance = fit.covariance[np.ix_(free, free)]
    own = np.einsum("ij,jk,ik->i", columns, covariance, columns, optimize=True)
    return np.asarray(own.reshape(-1, 2).mean(axis=1), dtype=np.float64)


def _jacobian(parameters: FloatArray, index: FloatArray, free: npt.NDArray[np.bool_]) -> FloatArray:
    here, columns = seen_at(parameters, index), []
    for number in np.flatnonzero(free):
        ahead = parameters.copy()
        ahead[number] += SLOPE_OVER
        columns.append((seen_at(ahead, index) - here).ravel() / SLOPE_OVER)
    return np.array(columns).T


def _similarity(seen: FloatArray, index: FloatArray) -> FloatArray:
    """Return a, b and the shift of the turned and scaled grid nearest to the middle's points."""
    near = np.argsort(np.hypot(seen[:, 0], seen[:, 1]))[: max(9, len(seen) // 4)]
    i, j = index[near, 0], index[near, 1]
    one, nought = np.ones_like(i), np.zeros_like(i)
    rows = np.vstack([np.column_stack([i, -j, one, nought]), np.column_stack([j, i, nought, one])])
    return np.asarray(np.linalg.lstsq(rows, np.concatenate([seen[near, 0], seen[near, 1]]), rcond=None)[0])


def undistorted(parameters: FloatArray, index: FloatArray) -> FloatArray:
    """Return undistorted positions about the distortion's centre; see `PLACING` for the parameters."""
    _, _, a, b, shift_x, shift_y, tilt_x, tilt_y, squeeze, shear = parameters[:PLACING]
    straight_x = a * index[:, 0] - b * index[:, 1] + shift_x
    straight_y = b * index[:, 0] + a * index[:, 1] + shift_y
    x = straight_x * (1 + squeeze) + straight_y * shear
    y = straight_y * (1 - squeeze) + straight_x * shear
    share = 1 - tilt_x * x - tilt_y * y
    return np.column_stack([x / share, y / share])


def seen_at(parameters: FloatArray, index: FloatArray) -> FloatArray:
    """Return where points of the grid are seen, from the picture's middle: shape (n, 2)."""
    flat = undistorted(parameters, index)
    drawn = 1 + powers_of(np.hypot(flat[:, 0], flat[:, 1]), parameters.size - PLACING) @ parameters[PLACING:]
    return np.asarray(parameters[:2] + flat * drawn[:, None], dtype=np.float64)


def fold_of(terms: FloatArray) -> float:
    """Return the undistorted radius from which on the polynomial hardly grows any more: beyond it, it folds back."""
    radius = np.linspace(0.0, FARTHEST, 200)
    flat = np.flatnonzero(stretch(radius, terms) < FLATTEST)
    return float(radius[flat[0]]) if flat.size else FARTHEST


def stretch(radius: FloatArray, terms: FloatArray) -> FloatArray:
    """Return the magnification along a radius over that of the middle."""
    powers = powers_of(radius, terms.size) @ (terms * (2.0 * np.arange(1, terms.size + 1) + 1))
    return np.asarray(1 + powers, dtype=np.float64)


def powers_of(radius: FloatArray, count: int) -> FloatArray:
    """Return q^2, q^4, ... of radii q, shape (n, count)."""
    return np.asarray(radius, dtype=np.float64)[:, None] ** (2.0 * np.arange(1, count + 1))
