"""Battery: voltage over time under load, with the cut-off and the demanded runtime."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import DASHES, Dash
from inspect_app.documents.figures._figure import Figure, Part, demands
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Instant, Plot, axis_label
from inspect_app.documents.figures._scale import scale_for
from inspect_app.documents.figures._series import Series, in_fours, labels, series_of, with_condition
from inspect_app.documents.figures.curves import curve_figure, trace_table
from inspect_app.documents.wording import demand_text
from inspect_app.model import Judgement, Limit
from inspect_app.quantity import conversion_factor, format_limit, format_quantity, format_value

_NAMES = ("voltage", "voltage_v", "discharge")


def draw(parts: Sequence[Part], judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return the discharge of up to four logs in each figure."""
    return tuple(_figure(group, judgements) for group in in_fours(series_of(parts, *_NAMES)))


def details(part: Part) -> tuple[Figure, ...]:
    """Return the other curves of the log, such as its current."""
    return tuple(curve_figure(part, trace) for trace in part.traces if trace.name not in _NAMES and len(trace.x) > 1)


def _figure(group: Sequence[Series], judgements: Sequence[Judgement]) -> Figure:
    traces = [trace for series in group for trace in series.traces]
    unit = traces[0].x_unit
    cutoffs, limits = _cutoffs(group), _limits(group, judgements, unit)
    plot = Plot(
        scale_for([*(x for trace in traces for x in trace.x), *limits], start=LEFT, end=RIGHT, from_zero=True),
        scale_for([*(y for trace in traces for y in trace.y), *cutoffs], start=BOTTOM, end=TOP + 20, room=0.08),
        x_label=axis_label("Time", unit),
        y_label=axis_label("Voltage", traces[0].y_unit),
    )
    for series, dash in zip(group, DASHES, strict=False):
        for trace in series.traces:
            plot.curve(trace.x, trace.y, dash=dash)
    for cutoff in cutoffs:
        plot.across(cutoff, f"cut-off {format_limit(cutoff, 'V')}", dash=Dash.DASHED, to_left=True)
    found = [r.quantity for series in group for r in series.part.measured.results if r.quantity_name == "runtime"]
    plot.instants(
        [
            *(Instant(x=quantity.to(unit).value, label=format_value(quantity)) for quantity in found),
            *(Instant(x=x, label=label, kind="limit", dash=Dash.DASH_DOT) for x, label in limits.items()),
        ]
    )
    conditions = [series.condition for series in group]
    if len(group) > 1:
        plot.legend(tuple(zip(labels(conditions), DASHES, strict=False)))
    return _described(plot, group, limits)


def _described(plot: Plot, group: Sequence[Series], limits: dict[float, str]) -> Figure:
    title = with_condition("Discharge", [series.condition for series in group])
    told = [
        f"{result.quantity_name.replace('_', ' ')} {format_quantity(result.quantity)}"
        for series in group
        for result in series.part.measured.results
    ]
    said = ", ".join([*told, *limits.values()])
    words = f"{said[:1].upper()}{said[1:]}." if said else "Voltage over time under load."
    columns, table = trace_table(group[0].traces[0])
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def _cutoffs(group: Sequence[Series]) -> tuple[float, ...]:
    """Return the cut-off voltages that the traces tell."""
    values = [trace.condition.get("cutoff_v") for series in group for trace in series.traces]
    return tuple(dict.fromkeys(float(value) for value in values if isinstance(value, int | float)))


def _limits(group: Sequence[Series], judgements: Sequence[Judgement], unit: str) -> dict[float, str]:
    found: dict[float, str] = {}
    for series in group:
        for judgement in demands(series.part, judgements, "runtime"):
            limit = judgement.limit
            if isinstance(limit, Limit) and limit.at_least is not None:
                found[limit.at_least * conversion_factor(limit.unit, unit)] = f"limit {demand_text(limit)}"
    return found
