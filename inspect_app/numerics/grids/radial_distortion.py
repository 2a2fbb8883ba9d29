"""Fit radial distortion to the points of a square grid."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.grid_border import shown_at_the_border, touched_px
from inspect_app.numerics.grids.grid_fit import PLACING, GridFit, powers_of, seen_at, solved, undistorted
from inspect_app.numerics.grids.lattice import Lattice
from inspect_app.numerics.grids.mark_registration import reach_of, registered_as_drawn

FloatArray = npt.NDArray[np.float64]

CUT_PX: Final = 1.0  # from the border: a mark that reaches there is cut
ENDS_WITHIN: Final = 1.8  # u of what it changes whether they count: either end lies just within 2 u
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
    opposite : float
        The share of the other sign that is largest in magnitude; 0 where none has the other sign.
    drawn_u : float
        Standard uncertainty of the same by how far the lens draws isolated marks out of shape.
    cut_u : float
        Standard uncertainty of the same by whether a mark counts that the view's border touches, or that is pressed
        together so far that it is faint.
    """

    terms: FloatArray
    radii: FloatArray
    residual_px: float
    degrees_of_freedom: int
    centre: tuple[float, float]
    keystone: float
    largest_u: float
    opposite: float
    drawn_u: float
    cut_u: float

    def share(self, radius: FloatArray) -> FloatArray:
        """Return r' / r - 1 at undistorted radii q."""
        return np.asarray(powers_of(radius, self.terms.size) @ self.terms, dtype=np.float64)


def fit_radial_distortion(lattice: Lattice, view: ChartView) -> tuple[RadialDistortion, ...]:
    """Fit one, two and three terms of radial distortion, best supported first.

    Parameters
    ----------
    lattice : Lattice
        Numbered points of a square grid.
    view : ChartView
        Of the picture that holds it.

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
    rows, cols = view.light.shape
    half = math.hypot(rows, cols) / 2
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    index = lattice.index.astype(np.float64)
    seen = (lattice.points - middle) / half
    fits = _fits(seen, index)
    moved = seen
    if lattice.is_isolated:
        drawn = registered_as_drawn(view, lattice.points, index, fits[0], reach_of(lattice.mark_px))
        lattice = replace(lattice, points=drawn.points)
        seen = (lattice.points - middle) / half
        fits = _fits(seen, index)
        moved = seen + drawn.share_u * drawn.by_share_px / half
    border = shown_at_the_border(lattice, view, fits[0], half, middle)
    return tuple(_as_distortion(fit, lattice, moved, view, border, half, middle) for fit in fits)


def _fits(seen: FloatArray, index: FloatArray) -> list[GridFit]:
    """Return the fits of one, two and three terms that the points support, the best first."""
    with_keystone = solved(seen, index, terms=2, keystone=True)
    without = solved(seen, index, terms=2, keystone=False)
    tilted = with_keystone.log_evidence - without.log_evidence > KEYSTONE_COUNTS_AT / 2
    fits = [solved(seen, index, terms=count, keystone=tilted) for count in (1, 2, 3)]
    best = max(fit.log_evidence for fit in fits)
    return sorted((fit for fit in fits if best - fit.log_evidence < math.log(20)), key=lambda fit: -fit.log_evidence)


def _as_distortion(
    fit: GridFit,
    lattice: Lattice,
    moved: FloatArray,
    view: ChartView,
    border: tuple[FloatArray, npt.NDArray[np.bool_]],
    half: float,
    middle: FloatArray,
) -> RadialDistortion:
    terms = fit.parameters[PLACING:]
    placed = lattice.index[fit.kept].astype(np.float64)
    shown = np.vstack([placed, border[0]])
    is_clear = np.concatenate([np.ones(len(placed), dtype=np.bool_), border[1]])
    room = view.room_px(middle + half * seen_at(fit.parameters, shown)) - lattice.mark_px
    clear = (room >= touched_px(lattice)) & is_clear
    counted = (room >= CUT_PX) & is_clear
    radii = np.hypot(*undistorted(fit.parameters, shown).T)
    shares = powers_of(radii, terms.size) @ terms
    largest, *others = (float(max(part, key=abs, default=0.0)) for part in (shares[counted], shares[clear], shares))
    outermost = shown[counted][np.argmax(np.abs(shares[counted]))]
    as_moved = solved(moved, lattice.index.astype(np.float64), terms=terms.size, keystone=fit.has_keystone)
    return RadialDistortion(
        terms=terms,
        radii=radii[counted],
        residual_px=fit.noise * half,
        degrees_of_freedom=max(1, 2 * len(placed) - fit.parameters.size),
        centre=(float(middle[0] + half * fit.parameters[0]), float(middle[1] + half * fit.parameters[1])),
        keystone=float(np.hypot(fit.parameters[6], fit.parameters[7])),
        opposite=float(max(-shares[counted] * np.sign(largest), default=0.0)) * -float(np.sign(largest)),
        largest_u=_share_u(fit, outermost),
        drawn_u=abs(_share_at(as_moved.parameters, outermost) - _share_at(fit.parameters, outermost)),
        cut_u=max(abs(largest - other) for other in others) / ENDS_WITHIN,
    )


def _share_at(parameters: FloatArray, place: FloatArray) -> float:
    """Return the distortion at one point of the grid."""
    radius = np.hypot(*undistorted(parameters, place[None, :]).T)
    return float((powers_of(radius, parameters.size - PLACING) @ parameters[PLACING:])[0])


def _share_u(fit: GridFit, place: FloatArray) -> float:
    """Return the standard uncertainty of the distortion at one point of the grid, by the law of propagation."""
    steps = 1e-3 * np.sqrt(np.diag(fit.covariance))
    slopes = np.array(
        [
            (_share_at(fit.parameters + change, place) - _share_at(fit.parameters - change, place)) / (2 * step)
            if step > 0
            else 0.0
            for step, change in zip(steps, np.diag(steps), strict=True)
        ]
    )
    return math.sqrt(max(float(slopes @ fit.covariance @ slopes), 0.0))
