"""Latency: stimulus and response over time, with the two instants and the limit."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure, Part, demands
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Instant, Plot, axis_label
from inspect_app.documents.figures._scale import Scale
from inspect_app.documents.figures.curves import trace_table
from inspect_app.documents.wording import condition_text, demand_text
from inspect_app.model import Judgement, Limit, Trace
from inspect_app.quantity import Quantity, conversion_factor, format_quantity, format_value

_INSTANTS = {"latency_first_change": ("onset_ms", "first change"), "latency_half": ("half_ms", "half")}
_ROOM_BEFORE, _ROOM_AFTER = 0.35, 0.6  # of the time from the stimulus to the last mark


def draw(parts: Sequence[Part], judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return one figure for each film or log that holds a response."""
    return tuple(
        _figure(part, response, judgements)
        for part in parts
        for response in part.traces
        if response.name == "response" and len(response.x) > 1
    )


def _figure(part: Part, response: Trace, judgements: Sequence[Judgement]) -> Figure:
    stimulus = next((trace for trace in part.traces if trace.name == "stimulus" and len(trace.x) > 1), None)
    light = _instant(stimulus, "onset_ms", 0.0)
    found = {r.quantity_name: r.quantity for r in part.measured.results if r.quantity_name in _INSTANTS}
    limits = _limits(part, judgements, response.x_unit)
    marks = {name: _instant(response, _INSTANTS[name][0], light + quantity.value) for name, quantity in found.items()}
    plot = Plot(
        _window(response, light, [*marks.values(), *(light + after for after in limits)]),
        Scale(low=-0.05, high=1.55, start=BOTTOM, end=TOP),
        x_label=axis_label("Time", response.x_unit),
        y_label="Share of the swing",
    )
    if stimulus is not None:
        _draw_level(plot, stimulus, Dash.DASHED)
    _draw_level(plot, response, Dash.SOLID)
    plot.instants(
        [
            *(Instant(x=marks[name], label=f"{_INSTANTS[name][1]} {format_value(q)}") for name, q in found.items()),
            *(Instant(x=light + x, label=said, kind="limit", dash=Dash.DASH_DOT) for x, said in limits.items()),
        ]
    )
    plot.legend((("stimulus", Dash.DASHED), ("response", Dash.SOLID)))
    under = condition_text(part.condition)
    title = f"Latency, {under}" if under else "Latency"
    words = _in_words(found, tuple(limits.values()))
    columns, table = trace_table(response)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def _instant(trace: Trace | None, name: str, otherwise: float) -> float:
    given = None if trace is None else trace.condition.get(name)
    return float(given) if isinstance(given, int | float) else otherwise


def _limits(part: Part, judgements: Sequence[Judgement], unit: str) -> dict[float, str]:
    """Return each upper limit as time after the stimulus, with its label."""
    found: dict[float, str] = {}
    for judgement in demands(part, judgements, *_INSTANTS):
        limit = judgement.limit
        if isinstance(limit, Limit) and limit.at_most is not None:
            found[limit.at_most * conversion_factor(limit.unit, unit)] = f"limit {demand_text(limit)}"
    return found


def _window(response: Trace, light: float, marks: Sequence[float]) -> Scale:
    """Return the stretch of time around the first event; all of the trace where nothing is marked."""
    last = max([mark for mark in marks if mark > light], default=None)
    low, high = min(response.x), max(response.x)
    if last is not None:
        low = max(low, light - _ROOM_BEFORE * (last - light))
        high = min(high, last + _ROOM_AFTER * (last - light))
        high = max(high, last)
    return Scale(low=low, high=high if high > low else low + 1.0, start=LEFT, end=RIGHT)


def _draw_level(plot: Plot, trace: Trace, dash: Dash) -> None:
    """Draw a trace as the share of its own swing, inside the window."""
    low, swing = min(trace.y), max(trace.y) - min(trace.y)
    inside = [(x, (y - low) / (swing or 1.0)) for x, y in zip(trace.x, trace.y, strict=True) if plot.x.holds(x)]
    plot.curve([x for x, _ in inside], [y for _, y in inside], dash=dash)


def _in_words(found: dict[str, Quantity], limits: Sequence[str]) -> str:
    told = [f"{_INSTANTS[name][1]} after {format_quantity(quantity)}" for name, quantity in found.items()]
    return f"{', '.join([*told, *limits]).capitalize()}." if told or limits else "Stimulus and response over time."
