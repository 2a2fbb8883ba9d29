"""Readout: the mean of each row under a strobe, with the fitted bands."""

import itertools
from collections.abc import Sequence

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot
from inspect_app.documents.figures._scale import scale_for
from inspect_app.documents.figures.curves import trace_table
from inspect_app.documents.wording import condition_text
from inspect_app.model import Judgement, Trace
from inspect_app.quantity import format_number, format_quantity

_QUANTITIES = {"readout_time": "readout", "line_time": "line time"}
_DASHES = (Dash.SOLID, Dash.DOTTED, Dash.DASHED, Dash.DASH_DOT)
_MOST_BANDS = 40  # beyond, the lines of the bands would fill the figure


def draw(parts: Sequence[Part], _judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return one figure for each field that was photographed."""
    return tuple(_figure(part, traces) for part in parts if (traces := _profiles(part)))


def _profiles(part: Part) -> tuple[Trace, ...]:
    """Return the traces that run over the rows, the measured one first."""
    traces = [trace for trace in part.traces if len(trace.x) > 1 and trace.x_unit == "px"]
    return tuple(sorted(traces, key=lambda trace: "fit" in trace.name))


def _figure(part: Part, traces: Sequence[Trace]) -> Figure:
    plot = Plot(
        scale_for([x for trace in traces for x in trace.x], start=LEFT, end=RIGHT),
        scale_for([y for trace in traces for y in trace.y], start=BOTTOM, end=TOP, room=0.15),
        x_label="Row of the sensor",
        y_label="Mean of the row",
    )
    for trace, dash in zip(traces, _DASHES, strict=False):
        plot.curve(trace.x, trace.y, dash=dash, width=1.6 if dash is Dash.SOLID else 1.2)
    period = _mark_bands(plot, traces)
    if len(traces) > 1:
        plot.legend((("row means", Dash.SOLID), ("fitted bands", Dash.DOTTED)))
    under = condition_text(part.condition)
    title = f"Strobe bands, {under}" if under else "Strobe bands"
    words = _in_words(part, period)
    columns, table = trace_table(traces[0])
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def _mark_bands(plot: Plot, traces: Sequence[Trace]) -> float | None:
    """Draw a line where each fitted band begins, and return their mean distance in rows; None below two bands."""
    starts = [place for trace in traces if "fit" in trace.name for place in _rises(trace)]
    if not 2 <= len(starts) <= _MOST_BANDS:
        return None
    for place in starts:
        plot.band(place)
    return (starts[-1] - starts[0]) / (len(starts) - 1)


def _rises(trace: Trace) -> list[float]:
    """Return where the curve rises through the middle of its swing, linearly between its points."""
    middle = (min(trace.y) + max(trace.y)) / 2
    points = list(zip(trace.x, trace.y, strict=True))
    return [
        x1 + (x2 - x1) * (middle - y1) / (y2 - y1)
        for (x1, y1), (x2, y2) in itertools.pairwise(points)
        if y1 < middle <= y2
    ]


def _in_words(part: Part, period: float | None) -> str:
    told = [
        f"{_QUANTITIES[result.quantity_name]} {format_quantity(result.quantity)}"
        for result in part.measured.results
        if result.quantity_name in _QUANTITIES
    ]
    told += [] if period is None else [f"one band every {format_number(period, 1)} rows"]
    return f"{', '.join(told).capitalize()}." if told else "Mean of each row under the strobe."
