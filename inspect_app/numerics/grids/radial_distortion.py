"""Fit radial distortion to the points of a square grid."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.grid_border import shown_at_the_border, touched_px
from inspect_app.numerics.grids.grid_fit import PLACING, GridFit, powers_of, seen_at, solved, solved_near, undistorted
from inspect_app.numerics.grids.grid_spread import relative_spread
from inspect_app.numerics.grids.lattice import Lattice
from inspect_app.numerics.grids.mark_registration import reach_of, registered_as_drawn

FloatArray = npt.NDArray[np.float64]

CUT_PX: Final = 1.0  # from the border: a mark that reaches there is cut
ENDS_WITHIN: Final = 1.8  # u of what it changes whether they count: either end lies just within 2 u
KEYSTONE_SCATTERS: Final = (0.0, 0.001, 0.01, 0.05)  # square to the axis, set up with care, by eye, or askew
COUNTS_FROM: Final = 1 / 20  # of the best hypothesis's evidence


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
    weight : float
        Of this hypothesis by its evidence; those of all add up to 1.
    largest : float
        The share of the point that lies farthest off by the best hypothesis.
    largest_u : float
        Standard uncertainty of that, from the places of the points: by the terms, and by how far
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
    weight: float
    largest: float
    largest_u: float
    opposite: float
    drawn_u: float
    cut_u: float

    def share(self, radius: FloatArray) -> FloatArray:
        """Return r' / r - 1 at undistorted radii q."""
        return np.asarray(powers_of(radius, self.terms.size) @ self.terms, dtype=np.float64)


def fit_radial_distortion(lattice: Lattice, view: ChartView) -> tuple[RadialDistortion, ...]:
    """Fit radial distortion by what terms and what keystone the points support, best supported first.

    Parameters
    ----------
    lattice : Lattice
        Numbered points of a square grid.
    view : ChartView
        Of the picture that holds it.

    Returns
    -------
    tuple of RadialDistortion
        One for each hypothesis whose evidence is within a factor of 20 of the best. The undistorted grid has the
        magnification of the picture's middle.

    Notes
    -----
    The picture of a square grid is p = c + u (1 + k1 q^2 + ...), u = A (i, j) + b with one scale and one turn, a
    keystone and a squeeze (the chart not square to the axis). Hypotheses are one, two and three terms, and how square
    such charts are: a small keystone cannot be told from a centre that lies off, and which it is changes the outermost
    share. Gauss-Newton in units of half the diagonal, outliers beyond four standard deviations left out, points
    weighted by how well they are placed where they lie (`grid_spread.relative_spread`).

    What lost: taking the undistorted scale from the mesh in the middle alone, as a textbook reading of ISO 17850 has
    it: a mesh of 40 px known to 0.1 px makes 0.25 points. A keystone without the squeeze that belongs to it: p90 was
    0.08 instead of 0.02 points over 24 charts of dots, turned by up to 3 degrees. A keystone only where noise makes
    one in 400 times: of 60 charts turned by up to a degree 2 u held 85 of 100, and p90 was 0.020 points; so 95 and
    0.016. One always, of scatter 0.05: a third more uncertainty where charts are square. Points weighted alike, and a
    squeeze as usual as a sixteenth of the keystone: of 120 such charts p90 was 0.017 points, of 60 and 60 that are
    square 0.0070 and 0.0091; so 0.015, 0.0064 and 0.0086. Scatters of 0.0003 and 0.003 besides: 0.018, 0.0077 and
    0.0099, and 2 u held no more.

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
    shown = [_Shown.by(fit, lattice, view, border, half, middle) for fit in fits]
    outermost = shown[0].outermost
    as_moved = solved_near(fits[0], moved, index)
    drawn_u = abs(_share_at(as_moved.parameters, outermost) - _share_at(fits[0].parameters, outermost))
    weights = np.exp([fit.log_evidence - fits[0].log_evidence for fit in fits])
    return tuple(
        _as_distortion(fit, part, outermost, float(weight), drawn_u, half, middle)
        for fit, part, weight in zip(fits, shown, weights / weights.sum(), strict=True)
    )


def _fits(seen: FloatArray, index: FloatArray) -> list[GridFit]:
    """Return the fits of terms and keystones that the points support, the best first."""
    rough = [solved(seen, index, terms=terms, keystone_scatter=KEYSTONE_SCATTERS[-1]) for terms in (1, 2, 3)]
    spread = relative_spread(max(rough, key=lambda fit: fit.log_evidence), seen, index)

    def told(near: GridFit, scatters: Sequence[float]) -> list[GridFit]:
        return [solved_near(near, seen, index, keystone_scatter=scatter, spread=spread) for scatter in scatters]

    of_two = _supported(told(rough[1], KEYSTONE_SCATTERS))
    scatters = [fit.keystone_scatter for fit in of_two]
    return _supported([*of_two, *told(rough[0], scatters), *told(rough[2], scatters)])


def _supported(fits: Sequence[GridFit]) -> list[GridFit]:
    best = max(fit.log_evidence for fit in fits)
    counting = [fit for fit in fits if fit.log_evidence - best > math.log(COUNTS_FROM)]
    return sorted(counting, key=lambda fit: -fit.log_evidence)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What of the grid the picture shows by a fit: radii and shares of points that count, and the outermost's number.

    `cut` is by how much the largest share changes with points that may count or not.
    """

    radii: FloatArray
    shares: FloatArray
    outermost: FloatArray
    cut: float

    @classmethod
    def by(
        cls,
        fit: GridFit,
        lattice: Lattice,
        view: ChartView,
        border: tuple[FloatArray, npt.NDArray[np.bool_]],
        half: float,
        middle: FloatArray,
    ) -> "_Shown":
        """Return it, with what is shown at the border."""
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
        return cls(
            radii=radii[counted],
            shares=shares[counted],
            outermost=shown[counted][np.argmax(np.abs(shares[counted]))],
            cut=max(abs(largest - other) for other in others),
        )


def _as_distortion(
    fit: GridFit,
    shown: _Shown,
    outermost: FloatArray,
    weight: float,
    drawn_u: float,
    half: float,
    middle: FloatArray,
) -> RadialDistortion:
    terms = fit.parameters[PLACING:]
    sign = float(np.sign(max(shown.shares, key=abs, default=0.0)))
    return RadialDistortion(
        terms=terms,
        radii=shown.radii,
        residual_px=fit.noise * half,
        degrees_of_freedom=max(1, 2 * int(fit.kept.sum()) - fit.parameters.size),
        centre=(float(middle[0] + half * fit.parameters[0]), float(middle[1] + half * fit.parameters[1])),
        keystone=float(np.hypot(fit.parameters[6], fit.parameters[7])),
        weight=weight,
        largest=_share_at(fit.parameters, outermost),
        largest_u=_share_u(fit, outermost),
        opposite=float(max(-shown.shares * sign, default=0.0)) * -sign,
        drawn_u=drawn_u,
        cut_u=shown.cut / ENDS_WITHIN,
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
