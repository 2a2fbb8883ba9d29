"""Pareto: how often each kind occurs, the most frequent on top, and what they add up to."""

from collections.abc import Mapping, Sequence
from typing import Final

from inspect_app.documents.figures._drawing import TEXT_SIZE, Drawing
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import WIDTH
from inspect_app.documents.figures._scale import scale_for
from inspect_app.documents.printable import shortened
from inspect_app.judge.pareto import ParetoRow
from inspect_app.quantity import format_number

_SMALL: Final = TEXT_SIZE - 1.5
_PITCH: Final = 26.0
_BAR: Final = 9.0
_TOP, _LEFT, _RIGHT = 4.0, 2.0, 150.0
_NAME_AT_MOST: Final = 48
_MOST_ROWS: Final = 8


def pareto_figure(title: str, rows: Sequence[ParetoRow], names: Mapping[str, str] | None = None) -> Figure:
    """Draw a bar for each kind with its count, and the share that it and all above it make up.

    Parameters
    ----------
    title : str
        What is counted.
    rows : sequence of ParetoRow
        In falling order, one at least; beyond eight they are left to the table that stands beside the figure.
    names : mapping, optional
        Names in printed words.
    """
    shown = rows[:_MOST_ROWS]
    printed = [(names or {}).get(row.name, row.name) for row in shown]
    scale = scale_for([row.count for row in shown], start=_LEFT, end=_RIGHT, from_zero=True)
    drawing = Drawing(WIDTH, _TOP + _PITCH * len(shown))
    for place, (row, name) in enumerate(zip(shown, printed, strict=True)):
        y = _TOP + _PITCH * place
        end = scale.at(row.count)
        drawing.text(_LEFT, y + 9, shortened(name, _NAME_AT_MOST), size=_SMALL)
        drawing.rectangle(_LEFT, y + 12, end - _LEFT, _BAR, "curve", opacity=0.75)
        drawing.text(end + 4, y + 20, f"{row.count}, together {_per_cent(row.cumulative)}", size=_SMALL)
    words = _words(shown, printed, len(rows))
    return Figure(title=title, svg=drawing.svg(title, words), text_alternative=words, columns=(), table=())


def _words(shown: Sequence[ParetoRow], printed: Sequence[str], total: int) -> str:
    first = f"Most often: {printed[0]}, {shown[0].count} times, {_per_cent(shown[0].share)} of all."
    if total == 1:
        return first
    return f"{first} The {len(shown)} drawn here make up {_per_cent(shown[-1].cumulative)} of all, of {total} kinds."


def _per_cent(share: float) -> str:
    return f"{format_number(100 * share, 0)} %"
