"""A characteristic over time: each mean with its doubt, the line through them, a change, and the limits it runs to."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot, axis_label
from inspect_app.documents.figures._scale import scale_for, years_for
from inspect_app.numerics.drift import Change, Course, DatedResult
from inspect_app.quantity import format_limit

_LINE_POINTS = 24
_ERROR_BARS = 2.0


def trend_figure(
    name: str,
    unit: str,
    points: Sequence[DatedResult],
    line: Course | None,
    change: Change | None,
    bounds: Sequence[float] = (),
) -> Figure:
    """Draw results over years with bars of two standard uncertainties; the band of the line is dashed."""
    begin = points[0].time if change is None else change.before
    low, high = (
        [point.value + sign * _ERROR_BARS * point.standard_uncertainty for point in points] for sign in (-1, 1)
    )
    plot = Plot(
        years_for([point.time for point in points], start=LEFT, end=RIGHT),
        scale_for([*low, *high, *bounds], start=BOTTOM, end=TOP, room=0.06),
        x_label="Date",
        y_label=axis_label("Result", unit),
    )
    for bound in dict.fromkeys(bounds):
        plot.across(bound, f"limit {format_limit(bound, unit)}", dash=Dash.DASH_DOT)
    for point, lower, upper in zip(points, low, high, strict=True):
        plot.curve([point.time, point.time], [lower, upper], width=0.9)
        plot.mark(point.time, point.value, radius=1.6)
    if line is not None:
        _draw_line(plot, line, begin, points[-1].time)
    if change is not None:
        plot.band((change.after + change.before) / 2)
    title, words = f"{name} over time", _words(points, line, change)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words)


def _draw_line(plot: Plot, line: Course, begin: float, end: float) -> None:
    times = [begin + (end - begin) * step / _LINE_POINTS for step in range(_LINE_POINTS + 1)]
    plot.curve(times, [line.at(time) for time in times], width=1.3)
    for sign in (-1, 1):
        edge = [line.at(time) + sign * line.coverage_factor * line.uncertainty_at(time) for time in times]
        plot.curve(times, edge, dash=Dash.DASHED, width=0.9)


def _words(points: Sequence[DatedResult], line: Course | None, change: Change | None) -> str:
    drawn = "" if line is None else ", a line with its 95 % band"
    told = f"{len(points)} points with bars of two standard uncertainties{drawn}."
    return told if change is None else f"{told} The dotted line marks a change; the course begins anew behind it."
