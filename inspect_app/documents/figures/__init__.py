"""Figures of measurements as SVG, the same for the page and for print.

Colours: everything is drawn in ``currentColor``. A page may colour further by these classes: ``figure-axis``,
``figure-grid``, ``figure-curve``, ``figure-limit``, ``figure-mark``, ``figure-allowed``, ``figure-text``. Nothing is
told by colour: curves differ by line style, findings by word and shape.
"""

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Final

from inspect_app.documents.figures import curves
from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures.result_bar import result_bar
from inspect_app.model import Condition, Judgement, Measured

__all__ = ["Figure", "Part", "combined_figures", "figures", "result_bar"]

Draw = Callable[[Sequence[Part], Sequence[Judgement]], tuple[Figure, ...]]

_BY_CHECK: Final[Mapping[str, Draw]] = MappingProxyType({})


def figures(
    measured: Measured, judgements: Sequence[Judgement] = (), condition: Condition | None = None
) -> tuple[Figure, ...]:
    """Return the figures of one measurement; none where it holds nothing to draw.

    `condition` is the nominal condition of its step, if there is one; it is named in the titles.
    """
    return combined_figures((Part(measured=measured, condition=condition or {}),), judgements)


def combined_figures(parts: Sequence[Part], judgements: Sequence[Judgement] = ()) -> tuple[Figure, ...]:
    """Return the figures of several measurements; those of one check share a figure where that can be read."""
    drawn: list[Figure] = []
    for check in dict.fromkeys(part.measured.check for part in parts):
        of_check = tuple(part for part in parts if part.measured.check == check)
        drawn += _BY_CHECK.get(check, curves.draw)(of_check, judgements)
    return tuple(drawn)
