"""Several devices beside one another: value ± U of one quantity for each, with the limits, and over the illuminance."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.documents.figures._drawing import DASHES, TEXT_SIZE, Dash, Drawing
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot, axis_label
from inspect_app.documents.figures._scale import log_scale_for, scale_for
from inspect_app.documents.printable import shortened
from inspect_app.quantity import Quantity, expanded_uncertainty, format_limit, format_number, format_quantity

_WIDTH, _LEFT, _ROW = 320.0, 116.0, 15.0
_SMALL = TEXT_SIZE - 1.5
_LABEL_AT_MOST = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """One of those compared: what it is called, and its result; None where it has none."""

    label: str
    quantity: Quantity | None


def side_by_side_figure(title: str, beside: Sequence[Beside], bounds: Sequence[float]) -> Figure:
    """Draw value ± U for each on one scale, all in the unit of the first result; `bounds` are limits in that unit."""
    found = [one.quantity for one in beside if one.quantity is not None]
    unit = found[0].unit
    ends = [q.value + sign * expanded_uncertainty(q) for q in found for sign in (-1, 1)]
    scale = scale_for([*ends, *bounds], start=_LEFT, end=_WIDTH - 8, room=0.08)
    height = _ROW * len(beside) + 26
    drawing = Drawing(_WIDTH, height)
    for bound in bounds:
        drawing.line(scale.at(bound), 2, scale.at(bound), height - 24, "limit", width=2.0)
    for row, one in enumerate(beside):
        y = _ROW * (row + 0.5) + 2
        drawing.text(_LEFT - 8, y + 3.5, shortened(one.label, _LABEL_AT_MOST), anchor="end", size=_SMALL)
        if one.quantity is None:
            drawing.text(_LEFT + 4, y + 3.5, "not measured", size=_SMALL)
            continue
        doubt = expanded_uncertainty(one.quantity)
        low, high = scale.at(one.quantity.value - doubt), scale.at(one.quantity.value + doubt)
        drawing.line(low, y, high, y, "curve", width=1.6)
        for end in (low, high) if high - low > 4 else ():
            drawing.line(end, y - 3, end, y + 3, "curve", width=1.4)
        drawing.circle(scale.at(one.quantity.value), y, 3.0, "mark", filled=True)
    for value, label in scale.ticks(5):
        drawing.line(scale.at(value), height - 24, scale.at(value), height - 20, "axis")
        drawing.text(scale.at(value), height - 10, label, anchor="middle", size=_SMALL)
    drawing.line(_LEFT, height - 24, _WIDTH - 8, height - 24, "axis")
    words = "; ".join(f"{one.label} {_printed(one.quantity)}" for one in beside)
    limits = f" Limits: {', '.join(format_limit(bound, unit) for bound in bounds)}." if bounds else ""
    said = f"{words}.{limits}"
    return Figure(title=title, svg=drawing.svg(title, said), text_alternative=said)


def _printed(quantity: Quantity | None) -> str:
    return "not measured" if quantity is None else format_quantity(quantity)


@dataclass(frozen=True, slots=True, kw_only=True)
class OverLight:
    """A quantity of one of those compared at several illuminances, each in lx with its result, in ascending order."""

    label: str
    points: tuple[tuple[float, Quantity], ...]


def over_light_figure(title: str, compared: Sequence[OverLight]) -> Figure:
    """Draw value ± U over the illuminance, one line style for each of up to four, all in the unit of the first."""
    unit = compared[0].points[0][1].unit
    quantities = [quantity for one in compared for _, quantity in one.points]
    ends = [q.value + sign * expanded_uncertainty(q) for q in quantities for sign in (-1, 1)]
    plot = Plot(
        log_scale_for([lx for one in compared for lx, _ in one.points], start=LEFT, end=RIGHT),
        scale_for(ends, start=BOTTOM, end=TOP, room=0.1),
        x_label=axis_label("Illuminance", "lx"),
        y_label=axis_label("Value", unit),
    )
    for one, dash in zip(compared, DASHES, strict=False):
        _draw(plot, one, dash)
    plot.legend(tuple((one.label, dash) for one, dash in zip(compared, DASHES, strict=False)))
    words = "; ".join(
        f"{one.label}: " + ", ".join(f"{format_quantity(q)} at {format_limit(lx, 'lx')}" for lx, q in one.points)
        for one in compared
    )
    rows = tuple(
        (one.label, format_number(lx, max(0, 2 - math.floor(math.log10(lx)))), format_quantity(quantity))
        for one in compared
        for lx, quantity in one.points
    )
    return Figure(
        title=title,
        svg=plot.drawing.svg(title, words),
        text_alternative=words,
        columns=("What", "Illuminance, lx", f"Value, {unit}"),
        table=rows,
    )


def _draw(plot: Plot, one: OverLight, dash: Dash) -> None:
    plot.curve([lx for lx, _ in one.points], [q.value for _, q in one.points], dash=dash)
    for lx, quantity in one.points:
        x, doubt = plot.x.at(lx), expanded_uncertainty(quantity)
        low, high = plot.y.at(quantity.value - doubt), plot.y.at(quantity.value + doubt)
        plot.drawing.line(x, low, x, high, "curve", width=1.4)
        plot.mark(lx, quantity.value, radius=2.4)
