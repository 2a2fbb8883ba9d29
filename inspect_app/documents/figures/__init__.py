"""Figures of measurements as SVG, the same for the page and for print.

Colours: everything is drawn in ``currentColor``. A page may colour further by these classes: ``figure-axis``,
``figure-grid``, ``figure-curve``, ``figure-limit``, ``figure-mark``, ``figure-allowed``, ``figure-text``. Nothing is
told by colour: curves differ by line style, findings by word and shape.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from inspect_app.documents.figures import bars, curves, discharge, edge, latency_trace, spots, strobe, wedge
from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures.characteristic import LotQuestion, characteristic_figure, outgoing_figures
from inspect_app.documents.figures.histogram import histogram_figure
from inspect_app.documents.figures.pareto import pareto_figure
from inspect_app.documents.figures.result_bar import result_bar
from inspect_app.documents.figures.setup import setup_figure
from inspect_app.documents.figures.side_by_side import Beside, OverLight, over_light_figure, side_by_side_figure
from inspect_app.model import Condition, Judgement, Measured

__all__ = [
    "Beside",
    "Figure",
    "LotQuestion",
    "OverLight",
    "Part",
    "characteristic_figure",
    "combined_figures",
    "figures",
    "histogram_figure",
    "outgoing_figures",
    "over_light_figure",
    "pareto_figure",
    "result_bar",
    "setup_figure",
    "side_by_side_figure",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """How the measurements of one check are drawn: together, and what more one of them has to show by itself."""

    draw: Callable[[Sequence[Part], Sequence[Judgement]], tuple[Figure, ...]]
    details: Callable[[Part], tuple[Figure, ...]] = lambda _part: ()


_ANY: Final = _Kind(draw=curves.draw)
_BY_CHECK: Final[Mapping[str, _Kind]] = MappingProxyType(
    {
        "bar-target": _Kind(draw=bars.draw),
        "battery": _Kind(draw=discharge.draw, details=discharge.details),
        "frame-rate": _Kind(draw=lambda _parts, _judgements: (), details=lambda part: curves.draw((part,), ())),
        "blemish": _Kind(draw=spots.draw),
        "latency": _Kind(draw=latency_trace.draw),
        "readout": _Kind(draw=strobe.draw),
        "slanted-edge": _Kind(draw=edge.draw, details=edge.details),
        "step-wedge": _Kind(draw=wedge.draw, details=wedge.details),
    }
)


def figures(
    measured: Measured, judgements: Sequence[Judgement] = (), condition: Condition | None = None
) -> tuple[Figure, ...]:
    """Return all figures of one measurement; none where it holds nothing to draw.

    `condition` is the nominal condition of its step, if there is one; it is named in the titles. Of the judgements
    those are used that speak of the measurement.
    """
    part = Part(measured=measured, condition=condition or {})
    kind = _BY_CHECK.get(measured.check, _ANY)
    return kind.draw((part,), judgements) + kind.details(part)


def combined_figures(parts: Sequence[Part], judgements: Sequence[Judgement] = ()) -> tuple[Figure, ...]:
    """Return the main figures of several measurements; those of one check share a figure where that can be read."""
    drawn: list[Figure] = []
    for check in dict.fromkeys(part.measured.check for part in parts):
        of_check = tuple(part for part in parts if part.measured.check == check)
        drawn += _BY_CHECK.get(check, _ANY).draw(of_check, judgements)
    return tuple(drawn)
