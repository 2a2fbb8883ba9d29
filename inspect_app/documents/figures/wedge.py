"""Step wedge: signal to noise of each step on a logarithmic scale, with the criteria of the dynamic range."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import DASHES, Dash
from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot, axis_label
from inspect_app.documents.figures._scale import log_scale_for, scale_for
from inspect_app.documents.figures._series import Series, in_fours, labels, series_of, with_condition
from inspect_app.documents.figures.curves import curve_figure, short_number
from inspect_app.model import Judgement, Trace
from inspect_app.quantity import format_limit, format_quantity

_CRITERIA = (1.0, 2.0, 10.0)
_LEAST_SNR = 0.3


def draw(parts: Sequence[Part], _judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return the SNR of up to four wedges in each figure."""
    return tuple(_figure(group) for group in in_fours(series_of(parts, "snr")))


def details(part: Part) -> tuple[Figure, ...]:
    """Return the other curves of the wedge, such as its response."""
    return tuple(
        curve_figure(part, trace, x_label=_x_label(trace))
        for trace in part.traces
        if trace.name != "snr" and len(trace.x) > 1
    )


def _figure(group: Sequence[Series]) -> Figure:
    conditions = [series.condition for series in group]
    traces = [trace for series in group for trace in series.traces]
    plot = Plot(
        scale_for([x for trace in traces for x in trace.x], start=LEFT, end=RIGHT, room=0.03),
        log_scale_for([max(y, _LEAST_SNR) for trace in traces for y in (*trace.y, 20.0, 0.8)], start=BOTTOM, end=TOP),
        x_label=_x_label(traces[0]),
        y_label="Signal to noise",
    )
    for criterion in _CRITERIA:
        plot.across(criterion, f"SNR {format_limit(criterion, '1')}", dash=Dash.DOTTED)
    for series, dash in zip(group, DASHES, strict=False):
        for trace in series.traces:
            seen = [(x, y) for x, y in zip(trace.x, trace.y, strict=True) if y >= _LEAST_SNR]
            plot.curve([x for x, _ in seen], [y for _, y in seen], dash=dash)
            for x, y in seen if dash is Dash.SOLID else ():
                plot.mark(x, y, radius=1.8)
    if len(group) > 1:
        plot.legend(tuple(zip(labels(conditions), DASHES, strict=False)))
    title = with_condition("Signal to noise of the wedge", conditions)
    words = _in_words(group)
    columns = (_x_label(traces[0]), *(name or "SNR" for name in labels(conditions)))
    return Figure(
        title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=_rows(group)
    )


def _x_label(trace: Trace) -> str:
    if trace.x_unit == "stop":
        return "Stops below the brightest step"
    return "Step of the wedge" if trace.x_unit == "1" else axis_label("Exposure", trace.x_unit)


def _in_words(group: Sequence[Series]) -> str:
    told = []
    for series, name in zip(group, labels([series.condition for series in group]), strict=True):
        ranges = [
            f"{format_quantity(result.quantity)} down to SNR {result.condition['snr_criterion']:g}"
            for result in series.part.measured.results
            if result.quantity_name == "dynamic_range"
            and isinstance(result.condition.get("snr_criterion"), int | float)
        ]
        told.append(f"{name}: {', '.join(ranges)}" if name else ", ".join(ranges))
    said = "; ".join(part for part in told if part)
    return f"Dynamic range {said}." if said else "Signal to noise of each step."


def _rows(group: Sequence[Series]) -> tuple[tuple[str, ...], ...]:
    first, *others = (series.traces[0] for series in group)
    return tuple(
        (short_number(x), short_number(y), *(_at(other, x) for other in others))
        for x, y in zip(first.x, first.y, strict=True)
    )


def _at(trace: Trace, x: float) -> str:
    return next((short_number(b) for a, b in zip(trace.x, trace.y, strict=True) if a == x), "–")
