"""Bar target: what was resolved under each condition, value ± U on one scale, against its limit."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.documents.figures._drawing import TEXT_SIZE, Drawing
from inspect_app.documents.figures._figure import Figure, Part, demands
from inspect_app.documents.figures._plot import BOTTOM, HEIGHT, WIDTH, axis_label
from inspect_app.documents.figures._scale import Scale, scale_for
from inspect_app.documents.figures._series import labels, with_condition
from inspect_app.documents.printable import shortened
from inspect_app.errors import UnusableInput
from inspect_app.model import Condition, Judgement, Limit, Result
from inspect_app.quantity import Quantity, conversion_factor, expanded_uncertainty, format_quantity

_LEFT, _RIGHT, _TOP = 92.0, 230.0, 8.0
_SMALL = TEXT_SIZE - 1.5
_MOST_ROWS = 8
_LABEL_AT_MOST = 20
_NAMES = ("resolution", "angular_resolution")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    condition: Condition
    quantity: Quantity
    bounds: tuple[float, ...]


def draw(parts: Sequence[Part], judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return a figure of the resolutions, and one of the angular ones where only they are demanded."""
    for name in _demanded_first(parts, judgements):
        readings = [_reading(part, result, judgements) for part in parts for result in _of_name(part, name)]
        if readings:
            groups = [readings[start : start + _MOST_ROWS] for start in range(0, len(readings), _MOST_ROWS)]
            return tuple(_figure(group) for group in groups)
    return ()


def _demanded_first(parts: Sequence[Part], judgements: Sequence[Judgement]) -> list[str]:
    return sorted(_NAMES, key=lambda name: not any(demands(part, judgements, name) for part in parts))


def _of_name(part: Part, name: str) -> list[Result]:
    return [result for result in part.measured.results if result.quantity_name == name]


def _reading(part: Part, result: Result, judgements: Sequence[Judgement]) -> _Reading:
    bounds: list[float] = []
    for judgement in demands(part, judgements, result.quantity_name):
        if isinstance(judgement.limit, Limit):
            bounds += _bounds(judgement.limit, result.quantity.unit)
    return _Reading(condition=part.condition_of(result), quantity=result.quantity, bounds=tuple(dict.fromkeys(bounds)))


def _bounds(limit: Limit, unit: str) -> list[float]:
    try:
        factor = conversion_factor(limit.unit, unit)
    except UnusableInput:
        return []
    return [bound * factor for bound in (limit.at_least, limit.at_most) if bound is not None]


def _figure(readings: Sequence[_Reading]) -> Figure:
    unit = readings[0].quantity.unit
    ends = [
        end
        for reading in readings
        for end in (reading.quantity.value + expanded_uncertainty(reading.quantity), *reading.bounds)
    ]
    scale = scale_for(ends, start=_LEFT, end=_RIGHT, from_zero=True, room=0.05)
    drawing = Drawing(WIDTH, HEIGHT)
    _draw_axis(drawing, scale, unit)
    pitch = (BOTTOM - _TOP) / len(readings)
    conditions = [reading.condition for reading in readings]
    names = [name or "resolved" for name in labels(conditions)]
    for row, (reading, name) in enumerate(zip(readings, names, strict=True)):
        y = _TOP + (row + 0.5) * pitch
        drawing.text(_LEFT - 6, y + 3.5, shortened(name, _LABEL_AT_MOST), anchor="end", size=_SMALL)
        _draw_reading(drawing, scale, reading, y)
    title = with_condition("Bar target", conditions)
    printed = [format_quantity(reading.quantity) for reading in readings]
    words = "; ".join(f"{name}: {value}" for name, value in zip(names, printed, strict=True)) + "."
    return Figure(
        title=title,
        svg=drawing.svg(title, words),
        text_alternative=words,
        columns=("Condition", axis_label("Resolution", unit)),
        table=tuple(zip(names, printed, strict=True)),
    )


def _draw_axis(drawing: Drawing, scale: Scale, unit: str) -> None:
    for value, label in scale.ticks(4):
        place = scale.at(value)
        drawing.line(place, _TOP, place, BOTTOM, "grid", width=0.8)
        drawing.text(place, BOTTOM + 14, label, anchor="middle", size=_SMALL)
    drawing.line(_LEFT, BOTTOM, _RIGHT, BOTTOM, "axis")
    drawing.text(WIDTH / 2, HEIGHT - 3, axis_label("Resolution", unit) + " (tall: limit)", anchor="middle")


def _draw_reading(drawing: Drawing, scale: Scale, reading: _Reading, y: float) -> None:
    expanded = expanded_uncertainty(reading.quantity)
    low, high = scale.at(reading.quantity.value - expanded), scale.at(reading.quantity.value + expanded)
    for bound in reading.bounds:
        drawing.line(scale.at(bound), y - 8, scale.at(bound), y + 8, "limit", width=1.8)
    drawing.line(low, y, high, y, "curve", width=1.5)
    for end in (low, high):
        drawing.line(end, y - 3, end, y + 3, "curve", width=1.3)
    drawing.circle(scale.at(reading.quantity.value), y, 3.0, "mark", filled=True)
