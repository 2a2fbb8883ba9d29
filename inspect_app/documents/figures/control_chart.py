"""The chart of a reference: every reading with its control limits, the weighted mean, and what signals."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot, axis_label
from inspect_app.documents.figures._scale import scale_for
from inspect_app.judge.control import ControlLimits
from inspect_app.judge.watching import ChartPoint
from inspect_app.quantity import format_quantity

MOST_DRAWN = 60  # more would be a smear; the table of the page names all


def control_chart(name: str, unit: str, points: Sequence[ChartPoint]) -> Figure:
    """Draw the newest readings of a reference; a ring signals, a dotted ring was cleared."""
    shown = points[-MOST_DRAWN:]
    values = [point.reading.quantity.value for point in shown]
    limits = [point.limits for point in shown if point.limits is not None]
    bounds = [bound for one in limits for bound in (one.lower, one.upper)]
    plot = Plot(
        scale_for([point.reading.number for point in shown], start=LEFT, end=RIGHT, room=0.03),
        scale_for([*values, *bounds], start=BOTTOM, end=TOP, room=0.08),
        x_label="Number of the reading",
        y_label=axis_label("Reading", unit),
    )
    for stretch in _stretches(shown):
        _draw_limits(plot, stretch)
    plot.curve([point.reading.number for point in shown], values, width=0.8)
    for point in shown:
        _draw_point(plot, point)
    plot.legend([("weighted mean", Dash.DASHED), ("limits", Dash.DASH_DOT)])
    title, words = f"Control chart of {name}", _words(shown)
    return Figure(
        title=title,
        svg=plot.drawing.svg(title, words),
        text_alternative=words,
    )


def _stretches(points: Sequence[ChartPoint]) -> list[list[ChartPoint]]:
    """Return the points that share their limits, stretch by stretch."""
    stretches: list[list[ChartPoint]] = []
    for point in points:
        if not stretches or stretches[-1][-1].limits != point.limits:
            stretches.append([])
        stretches[-1].append(point)
    return stretches


def _draw_limits(plot: Plot, stretch: Sequence[ChartPoint]) -> None:
    limits = stretch[0].limits
    if not isinstance(limits, ControlLimits):
        return
    first, last = (plot.x.at(stretch[end].reading.number + shift) for end, shift in ((0, -0.5), (-1, 0.5)))
    for level, dash in ((limits.centre, Dash.DOTTED), (limits.lower, Dash.DASH_DOT), (limits.upper, Dash.DASH_DOT)):
        place = plot.y.at(level)
        plot.drawing.line(first, place, last, place, "limit", dash=dash)
    means = [(point.reading.number, point.weighted_mean) for point in stretch if point.weighted_mean is not None]
    plot.curve([number for number, _ in means], [mean for _, mean in means], dash=Dash.DASHED, width=1.0)


def _draw_point(plot: Plot, point: ChartPoint) -> None:
    x, y = plot.x.at(point.reading.number), plot.y.at(point.reading.quantity.value)
    plot.drawing.circle(x, y, 1.7, "mark", filled=True)
    if point.rules:
        plot.drawing.circle(x, y, 4.4, "mark", width=1.4, dash=Dash.DOTTED if point.is_cleared else Dash.SOLID)


def _words(points: Sequence[ChartPoint]) -> str:
    if not points:
        return "No reading yet."
    newest = points[-1]
    told = f"{len(points)} readings, the newest {format_quantity(newest.reading.quantity)}."
    if newest.limits is None:
        return f"{told} No control limits are set yet."
    signalling = [point for point in points if point.rules]
    if not signalling:
        return f"{told} None signals."
    named = "; ".join(f"reading {point.reading.number}: {point.rules[0]}" for point in signalling[-3:])
    more = f" and {len(signalling) - 3} earlier" if len(signalling) > 3 else ""
    return f"{told} Ringed, dotted where cleared: {named}{more}."
