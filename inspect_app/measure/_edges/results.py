"""What is told of the edges of a picture: each quantity in every unit, with its budget, traces and outlines."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

from inspect_app.measure import _budget
from inspect_app.measure._edges.regions import TRACE_FREQUENCIES, MeasuredEdge, MeasuredEdges
from inspect_app.measure._edges.warnings import edge_warnings
from inspect_app.model import Condition, Measured, Outline, Result, Trace
from inspect_app.quantity import Contribution

UNITS: Final = {"": "cy/px", "_lw_ph": "lw/ph", "_lp_mm": "lp/mm", "_cy_mrad": "cy/mrad"}  # by suffix of the quantity
MOST_POINTS: Final = 400  # of an edge spread in its trace


def edge_results(method: str, found: MeasuredEdges, cycle: Mapping[str, float]) -> Measured:
    """Tell what was measured of the edges of a picture.

    Parameters
    ----------
    method : str
        By which they were.
    found : MeasuredEdges
        The edges.
    cycle : mapping of str to float
        One cycle per pixel in each unit that is known, by suffix of the quantity.
    """
    results: list[Result] = []
    for edge in found.edges:
        for name, crossing in edge.crossings.items():
            budget = [
                Contribution(
                    source="noise of the pixels",
                    distribution="normal",
                    standard_uncertainty=crossing.noise,
                    degrees_of_freedom=edge.response.degrees_of_freedom,
                ),
                _budget.line("choice of the family of blur", crossing.choice),
                *(_budget.line("rounding of the JPEG", doubt) for doubt in (edge.roundings.get(name),) if doubt),
            ]
            results += in_all_units(name, crossing.frequency_cy_px, budget, edge.condition, cycle)
    return Measured(
        check="slanted-edge",
        method=method,
        results=tuple(results),
        traces=tuple(trace for edge in found.edges for trace in _traces(edge)),
        outlines=tuple(_outline(edge, number) for number, edge in enumerate(found.edges, start=1)),
        warnings=tuple(edge_warnings(found)),
    )


def in_all_units(
    name: str,
    frequency_cy_px: float,
    budget: Sequence[Contribution],
    condition: Condition,
    cycle: Mapping[str, float],
) -> list[Result]:
    """Return one result for each unit that is known; `cycle` as in `edge_results`."""
    return [
        _budget.result(
            f"{name}{suffix}", frequency_cy_px * factor, UNITS[suffix], _budget.scaled(budget, factor), condition
        )
        for suffix, factor in cycle.items()
    ]


def _outline(edge: MeasuredEdge, number: int) -> Outline:
    return Outline(
        label=f"{edge.condition['axis']} {number}",
        shape="rectangle",
        x=edge.region.x,
        y=edge.region.y,
        width_px=edge.region.width,
        height_px=edge.region.height,
    )


def _traces(edge: MeasuredEdge) -> list[Trace]:
    every = max(1, math.ceil(edge.spread.distance_px.size / MOST_POINTS))
    frequencies = tuple(TRACE_FREQUENCIES.tolist())
    curves = (
        ("mtf", frequencies, "cy/px", edge.response.response(TRACE_FREQUENCIES)),
        ("e-sfr", frequencies, "cy/px", edge.textbook),
        ("esf", tuple(edge.spread.distance_px[::every].tolist()), "px", edge.spread.level[::every]),
    )
    return [
        Trace(name=name, x=x, x_unit=x_unit, y=tuple(y.tolist()), y_unit="1", condition=edge.condition)
        for name, x, x_unit, y in curves
    ]
