"""Radial distortion from a picture of a square grid of dots or crossings."""

import math
from collections.abc import Sequence
from typing import Annotated, Any, Final

import numpy as np
from pydantic import BeforeValidator, Field

from inspect_app.capture import Capture, Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import _budget
from inspect_app.measure._options import PictureOptions, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Measured, Result, Trace
from inspect_app.numerics.grids.chart_view import ChartView, view_of
from inspect_app.numerics.grids.grid_fit import FARTHEST
from inspect_app.numerics.grids.grid_points import FEWEST_MARKS, MOST_MARKS, find_grid
from inspect_app.numerics.grids.lattice import Lattice
from inspect_app.numerics.grids.radial_distortion import ENDS_WITHIN, RadialDistortion, fit_radial_distortion
from inspect_app.quantity import Contribution, parse_number, quantity_from_budget

METHOD: Final = "ISO 17850:2015 local geometric distortion, radial; polynomial fitted to all points of the grid"
WORST_RESIDUAL: Final = 0.08  # of the spacing: points farther off make no square grid
MOST_DOUBT = 2.0  # points: marks found by chance, or too few and too noisy, tell nothing
REACHES_OUT: Final = 0.8  # of half the diagonal; a grid that ends before does not show the corners
PLACED_PX: Final = 0.001  # marks are not placed better than to that together (own draw, next to no noise),
BENT_PX: Final = 0.06  # and this times the distortion: 0.003 px at 5 %
MAY_TURN: Final = 2.8  # standard uncertainties of one share: twice that of the difference of two
KEYSTONE_TOLD: Final = 0.01


def _read_pair(given: Any) -> Any:
    if isinstance(given, str):
        parts = given.split(";") if ";" in given else given.split(",")
        if len(parts) != 2:
            raise ValueError("a point is its ideal and its seen distance from the centre, IDEAL,SEEN")
        given = tuple(parse_number(part, "1") for part in parts)
    if isinstance(given, list | tuple) and len(given) == 2 and all(value > 0 for value in given):
        return tuple(given)
    raise ValueError("a point is two positive distances from the centre, IDEAL,SEEN")


Radii = Annotated[tuple[float, float], BeforeValidator(_read_pair)]
"""Undistorted and seen distance of a point from the centre, both in one unit."""


class DistortionOptions(PictureOptions):
    """A picture needs no options; readings are pairs of distances."""

    point: Annotated[
        tuple[Radii, ...],
        Field(description="Ideal and seen distance from the centre, IDEAL,SEEN, once per point"),
        Repeated(),
    ] = ()
    reading_step: Annotated[
        float, Field(gt=0, le=1000, description="Last digit of the distances, in their own unit"), Unit("1")
    ] = 1.0


@check(
    "distortion",
    title="Distortion of a square grid",
    method=METHOD,
    quantities={"distortion_max": "%"},
    options=DistortionOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=1)},
)
def distortion(captures: tuple[Capture, ...], options: DistortionOptions) -> Measured:
    """Measure the largest radial distortion that a grid shows.

    Parameters
    ----------
    captures : tuple of Still
        One picture of a square grid of dots, crosses, crossing lines or chessboard squares; or none, with readings.
    options : DistortionOptions
        Transfer, or readings.

    Returns
    -------
    Measured
        ``distortion_max`` in per cent: (r' - r) / r of the point where it is largest in magnitude, barrel negative. The
        uncertainty covers where the points are placed, and how many terms the polynomial needs; the chart is taken as
        true.

    Raises
    ------
    UnusableInput
        Neither a picture nor readings, or both.
    NothingToMeasure
        No square grid of nine points was found, or its points lie too irregularly, or tell the distortion to 4 points.

    Notes
    -----
    r is the distance from the centre of distortion at the magnification of the picture's middle (the limit of the
    polynomial), r' the seen one. Tilt of the chart about any axis is fitted along, not counted as distortion.
    Distortion that is not radial (tangential, or steps of a fibre optic) is left in the residual.

    Assumes a flat chart of a square grid, true to much better than the result, one axis of distortion in the picture,
    and marks all alike. Breaks down where fewer than nine marks can be numbered, and where marks lie off any square
    grid by 8 % of their spacing (a fisheye, a crumpled chart): refused. Where a barrel folds the picture back, what
    can be told apart short of the fold is given, and told.
    What limits it: the noise. A lens draws marks out of shape, too, so that they seem to lie up to 0.1 px too far in or
    out; how far, is told from their shapes and taken out (`mark_registration`): dots that are round in the picture
    have none of it. Next to no noise, 15 charts of each of five kinds of dots and crosses, the tenth worst was off by
    0.0004 to 0.0016 points (0.0011 to 0.011 before), and the root mean square of the error over u was 1.0.

    A mark counts that lies in the picture as a whole, a crossing with the width of its lines. One whose rim lies within
    about 2 px of the border may count or not, and so may a crossing whose middle is seen, or which is faint where a
    barrel draws radii to less than half: what that changes is a doubt, as is which of two points of opposite signs,
    alike in magnitude, has the larger distortion. With it, value ± 2 u held 98 of 100 of 44 charts of lines and squares
    through barrels of 12 to 26 %, where it is up to 4 points (75 before such crossings were doubted), and 97 of 100 of
    64 charts of dots and crosses through barrels of 15 to 25 %. Stronger ones fold the picture back short of its
    corners: of 46 such charts of dots and crosses 9 were held, and the others fell short by 0.1 to 17 points, for marks
    in the fold are not told apart; a warning says so.

    Print, marks and frames beside a chart of lines count only where lines lead to them: of 120 such charts one was off
    by more than 0.05 points, by 3.5 beside a frame that runs 0.28 spacings beyond its rim; by looks alone ten were.
    Beside 100 charts of dots or crosses none was off by more than 0.03; what resembles a mark to 0.9, a disc as large
    as a small cross, would count.

    In a round field, as of a tube, marks count that lie clear of its blurred border (`chart_view.view_of`): of 60
    charts of dots and 60 of lines 2 u held 97 and 92 of 100, the tenth worst was off by 0.026 and 0.022 points. A field
    that is oval by more than 1.5 % of its radius is not told from a sheet, and its border disturbs the marks beside it.
    Of 40 charts on a bright sheet before a dark room 2 u held 82, five were off by 0.01 to 0.3 points at a small u: the
    sheet's border is not yet told.

    References
    ----------
    ISO 17850:2015, local geometric distortion (from memory).
    """
    if captures and options.point:
        raise UnusableInput(
            "option --point", "a picture was given as well", "Give the picture or the points, not both."
        )
    if options.point:
        return _from_readings(options)
    if not captures:
        raise UnusableInput("distortion", "neither a picture nor points given", "Give a picture of a grid, or --point.")
    picture = captures[0]
    if not isinstance(picture, Still):
        raise UnusableInput(picture.name, "this is not a still picture", "Give a PNG, TIFF or JPEG.")
    view = view_of(picture.exposure)
    grid = _grid_in(picture, view)
    fits = fit_radial_distortion(grid, view)
    _prove_square(picture, grid, fits[0])
    return _told(picture, view, fits)


def _grid_in(picture: Still, view: ChartView) -> Lattice:
    grid = find_grid(view) if min(picture.exposure.shape) >= 32 else None
    if grid is None:
        raise NothingToMeasure(
            picture.name,
            f"no square grid of {FEWEST_MARKS} to {MOST_MARKS} dots or crossings was found",
            "Fill the view with a chart of equal dots or crossings, evenly lit and in focus.",
        )
    return grid


def _prove_square(picture: Still, grid: Lattice, fit: RadialDistortion) -> None:
    if fit.residual_px > WORST_RESIDUAL * grid.spacing_px:
        raise NothingToMeasure(
            picture.name,
            f"{len(grid.points)} points were found, but they lie {fit.residual_px:.2g} px off any square grid",
            "Use a flat chart of a square grid, square to the optical axis.",
        )


def _shape_u(fit: RadialDistortion, outermost: float, half_px: float) -> float:
    """Return the standard uncertainty of the distortion of the outermost mark by how the lens draws marks."""
    share = float(fit.share(np.array([outermost]))[0])
    placed = math.hypot(PLACED_PX, BENT_PX * share) / max(outermost * half_px, 1.0)
    return math.hypot(fit.drawn_u, placed)


def _turned_u(fit: RadialDistortion, shape_u: float) -> float:
    """Return the standard uncertainty by which of the highest and the lowest share is the larger in magnitude.

    Where their places may have turned that order, either lies just within two of it.
    """
    largest = float(max(fit.share(fit.radii), key=abs))
    if fit.opposite == 0 or abs(largest + fit.opposite) > MAY_TURN * math.hypot(fit.largest_u, shape_u):
        return 0.0
    return abs(largest - fit.opposite) / ENDS_WITHIN


def _told(picture: Still, view: ChartView, fits: Sequence[RadialDistortion]) -> Measured:
    best = fits[0]
    outermost = best.radii[np.argmax(np.abs(best.share(best.radii)))]
    value = 100 * sum(fit.weight * fit.largest for fit in fits)
    places_u = math.sqrt(sum(fit.weight * fit.largest_u**2 for fit in fits))
    between = math.sqrt(sum(fit.weight * (100 * fit.largest - value) ** 2 for fit in fits))
    rows, cols = picture.exposure.shape
    shape_u = _shape_u(best, float(outermost), math.hypot(rows, cols) / 2)
    border = _budget.line("marks that the picture's border touches, or that are faint", 100 * best.cut_u)
    turned = _budget.line("which of two points of opposite signs is the larger", 100 * _turned_u(best, shape_u))
    budget = [
        _budget.line("marks drawn out of shape by the lens", 100 * shape_u),
        Contribution(
            source="places of the points",
            distribution="normal",
            standard_uncertainty=100 * places_u,
            degrees_of_freedom=best.degrees_of_freedom,
        ),
        turned,
        border,
        Contribution(
            source="number of terms of the polynomial, and how square the chart is to the axis",
            distribution="normal",
            standard_uncertainty=between,
        ),
    ]
    quantity = quantity_from_budget(value, "%", budget)
    by_marks = [line for line in budget if line not in (border, turned)]
    of_marks = quantity_from_budget(value, "%", by_marks).standard_uncertainty
    if of_marks > MOST_DOUBT:
        doubt = f"± {2 * of_marks:.2g} %"
        raise NothingToMeasure(
            picture.name,
            f"the {len(best.radii)} marks that were found tell the distortion to {doubt} only",
            "Fill the view with a chart of equal dots or crossings, evenly lit and in focus.",
        )
    reach = np.linspace(0.0, float(np.max(best.radii)), 60)
    return Measured(
        check="distortion",
        method=METHOD,
        results=(
            Result(
                quantity_name="distortion_max",
                quantity=quantity,
                budget=tuple(budget),
            ),
        ),
        traces=(
            Trace(
                name="distortion",
                x=tuple((100 * reach).tolist()),
                x_unit="%",
                y=tuple((100 * best.share(reach)).tolist()),
                y_unit="%",
            ),
        ),
        warnings=tuple(_warnings(view, best)),
    )


def _warnings(view: ChartView, fit: RadialDistortion) -> list[str]:
    warnings = []
    rows, cols = view.light.shape
    reach, end = float(np.max(fit.radii)), "the picture's corner"
    if view.field is not None:
        reach, end = reach * math.hypot(rows, cols) / 2 / view.field.radius_px, "the border of the round field"
    if reach < REACHES_OUT:
        warnings.append(f"The grid reaches only {reach:.0%} of the way to {end}: distortion beyond it is not seen.")
    if fit.keystone > KEYSTONE_TOLD:
        warnings.append(
            f"The chart is not square to the axis: magnification changes by {fit.keystone:.1%} from centre to corner; "
            "this was taken out."
        )
    fold = _seen_fold(fit)
    if fold < 1:
        warnings.append(
            f"Towards {fold:.0%} of the way to the picture's corner marks are pressed together and fold back: "
            "what cannot be told apart is not counted, and distortion there is larger than the one given."
        )
    away = math.hypot(fit.centre[0] - (cols - 1) / 2, fit.centre[1] - (rows - 1) / 2)
    if away > 0.1 * min(rows, cols):
        warnings.append(f"The centre of distortion lies {away:.0f} px off the picture's centre.")
    return warnings


def _seen_fold(fit: RadialDistortion) -> float:
    """Return where the picture folds back, in half diagonals; infinity where it does not."""
    ideal = np.linspace(0.0, FARTHEST, 300)
    seen = ideal * (1 + fit.share(ideal))
    back = np.flatnonzero(np.diff(seen) <= 0)
    return float(seen[back[0]]) if back.size else math.inf


def _from_readings(options: DistortionOptions) -> Measured:
    ideal, seen = max(options.point, key=lambda pair: abs(pair[1] / pair[0] - 1))
    value = 100 * (seen / ideal - 1)
    step = 100 * options.reading_step / math.sqrt(12) / ideal
    budget = [
        Contribution(source="last digit of the seen distance", distribution="rectangular", standard_uncertainty=step),
        Contribution(
            source="last digit of the ideal distance",
            distribution="rectangular",
            standard_uncertainty=step * seen / ideal,
        ),
    ]
    return Measured(
        check="distortion",
        method="ISO 17850:2015 local geometric distortion, radial; readings by hand",
        results=(
            Result(
                quantity_name="distortion_max", quantity=quantity_from_budget(value, "%", budget), budget=tuple(budget)
            ),
        ),
    )
