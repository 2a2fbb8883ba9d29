"""Any trace that has no figure of its own: y over x with their units."""

from collections.abc import Sequence

from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot, axis_label
from inspect_app.documents.figures._scale import Scale, log_scale_for, scale_for
from inspect_app.documents.wording import condition_text, name_in_words
from inspect_app.model import Judgement, Trace
from inspect_app.quantity import UNITS, format_limit, with_unit

_ROWS = 16
_DECADES = 200.0
_NOUGHT = 1e-4  # of the largest: less cannot be seen in the drawing
_DIMENSIONS = {"count": "Number", "pixels": "Distance"}
_X_LABELS = {"light": "Frame", "distortion": "Radius, % of half the diagonal"}


def draw(parts: Sequence[Part], _judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return one figure for each trace that holds at least two points."""
    return tuple(curve_figure(part, trace) for part in parts for trace in part.traces if len(trace.x) > 1)


def curve_figure(part: Part, trace: Trace, x_label: str = "") -> Figure:
    """Draw one trace by itself; positive numbers that span more than two decades on a logarithmic scale."""
    under = condition_text({**part.condition, **trace.condition})
    title = name_in_words(trace.name) + (f", {under}" if under else "")
    plot = Plot(
        scale_for(trace.x, start=LEFT, end=RIGHT),
        _upwards(trace.y),
        x_label=x_label or _x_label(trace),
        y_label=axis_label(name_in_words(trace.name), trace.y_unit),
    )
    plot.curve(trace.x, trace.y)
    (first_x, last_x), (first_y, last_y) = (
        (with_unit(numbers[0], unit), with_unit(numbers[-1], unit))
        for numbers, unit in ((_short_numbers(trace.x), trace.x_unit), (_short_numbers(trace.y), trace.y_unit))
    )
    words = f"From {first_y} at {first_x} to {last_y} at {last_x}."
    columns, table = trace_table(trace)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def trace_table(trace: Trace) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the columns and at most about sixteen rows of a trace, evenly picked."""
    columns = (_x_label(trace), axis_label(name_in_words(trace.name), trace.y_unit))
    every = max(1, -(-len(trace.x) // _ROWS))
    rows = tuple(zip(_short_numbers(trace.x), _short_numbers(trace.y), strict=True))[::every]
    return columns, rows


def _short_numbers(values: Sequence[float]) -> tuple[str, ...]:
    """Print the numbers of one axis; of those on both sides of nought, what is far below the largest is nought."""
    least = _NOUGHT * max(map(abs, values)) if min(values) < 0 else 0.0
    return tuple(short_number(value if abs(value) >= least else 0.0) for value in values)


def _upwards(values: Sequence[float]) -> Scale:
    if min(values) > 0 and max(values) > _DECADES * min(values):
        return log_scale_for(values, start=BOTTOM, end=TOP)
    return scale_for(values, start=BOTTOM, end=TOP, room=0.05)


def _x_label(trace: Trace) -> str:
    if trace.name in _X_LABELS:
        return _X_LABELS[trace.name]
    name = UNITS[trace.x_unit][0] if trace.x_unit in UNITS else trace.x_unit
    return axis_label(_DIMENSIONS.get(name, name.capitalize()), trace.x_unit)


def short_number(value: float) -> str:
    """Print a number of a table to four significant digits."""
    return format_limit(float(f"{value:.4g}"), "1")
