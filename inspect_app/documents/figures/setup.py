"""How a check is set up at the bench: what stands where, from the light to the eye or the camera, as a drawing."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from inspect_app.documents.figures._drawing import TEXT_SIZE, Dash, Drawing
from inspect_app.documents.figures._figure import Figure

_WIDTH, _HEIGHT, _AXIS_Y, _HALF = 440.0, 118.0, 46.0, 24.0
_SMALL: Final = TEXT_SIZE - 1.0

# What stands on the axis, from the source on: symbol and words.
_SETUPS: Final[Mapping[str, Sequence[tuple[str, str]]]] = {
    "look": (("lamp", "bench lamp"), ("device", "device"), ("eye", "inspector")),
    "bar-target": (
        ("lamp", "dimmed lamp"),
        ("bars", "bar target"),
        ("distance", "distance"),
        ("device", "device"),
        ("eye", "reader"),
    ),
    "slanted-edge": (
        ("lamp", "dimmed lamp"),
        ("edge", "edge chart"),
        ("distance", "distance"),
        ("device", "device"),
        ("camera", "its recording"),
    ),
    "blemish": (("lamp", "diffuse light"), ("field", "even field"), ("device", "device"), ("camera", "camera")),
    "step-wedge": (("lamp", "lamp behind"), ("wedge", "step wedge"), ("device", "device"), ("camera", "camera")),
    "noise": (("lamp", "dimmed lamp"), ("field", "even field"), ("device", "device"), ("camera", "its recording")),
    "distortion": (("lamp", "even light"), ("grid", "dot grid"), ("device", "device"), ("camera", "its recording")),
    "latency": (("flash", "switched light"), ("device", "device"), ("field", "its picture"), ("camera", "fast camera")),
    "readout": (("flash", "strobe"), ("field", "diffuser"), ("device", "device"), ("camera", "its recording")),
    "frame-rate": (("flash", "blinking light"), ("device", "device"), ("camera", "its recording")),
    "battery": (("cells", "cells"), ("device", "device"), ("meter", "meter and clock")),
    "tube-data": (("meter", "data sheet"), ("device", "device")),
}


def setup_figure(check: str) -> Figure | None:
    """Return the drawing of a check's set-up; None for a check that has none."""
    parts = _SETUPS.get(check)
    if parts is None:
        return None
    drawing = Drawing(_WIDTH, _HEIGHT)
    places = _places(parts)
    drawing.line(places[0], _AXIS_Y, places[-1], _AXIS_Y, "grid", dash=Dash.DASH_DOT)
    for x, (symbol, words) in zip(places, parts, strict=True):
        _SYMBOLS[symbol](drawing, x)
        drawing.text(x, 92 if symbol != "distance" else 78, words, anchor="middle", size=_SMALL)
    words = "From left to right: " + ", ".join(words for symbol, words in parts if symbol != "distance") + "."
    if any(symbol == "distance" for symbol, _ in parts):
        words += " The distance is measured from the chart to the front lens."
    title = "How it stands"
    return Figure(title=title, svg=drawing.svg(title, words), text_alternative=words)


def _places(parts: Sequence[tuple[str, str]]) -> list[float]:
    room = _WIDTH / len(parts)
    return [room * (index + 0.5) for index in range(len(parts))]


def _box(drawing: Drawing, x: float, half_width: float, half_height: float) -> None:
    left, right, top, bottom = x - half_width, x + half_width, _AXIS_Y - half_height, _AXIS_Y + half_height
    drawing.curve([(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], "axis", width=1.6)


def _lamp(drawing: Drawing, x: float) -> None:
    drawing.circle(x, _AXIS_Y, 9, "axis", width=1.6)
    for dx, dy in ((14, 0), (10, -10), (10, 10), (0, -14), (0, 14)):
        drawing.line(x + dx, _AXIS_Y + dy, x + 1.5 * dx, _AXIS_Y + 1.5 * dy, "axis", width=1.4)


def _flash(drawing: Drawing, x: float) -> None:
    drawing.circle(x, _AXIS_Y, 14, "axis", width=1.6, dash=Dash.DASHED)
    bolt = [(x + 3, _AXIS_Y - 10), (x - 5, _AXIS_Y + 2), (x + 3, _AXIS_Y), (x - 3, _AXIS_Y + 11)]
    drawing.curve(bolt, "axis", width=1.8)


def _field(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 5, _HALF)


def _bars(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 16, _HALF)
    for dx in (-8, -1, 6):
        drawing.rectangle(x + dx, _AXIS_Y - 14, 3.5, 28, "axis")


def _edge(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 18, _HALF)
    corners = [(x - 18, _AXIS_Y - _HALF), (x + 3, _AXIS_Y - _HALF), (x - 2, _AXIS_Y + _HALF), (x - 18, _AXIS_Y + _HALF)]
    drawing.area(corners, "axis", opacity=0.75)


def _wedge(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 10, _HALF)
    for step in range(6):
        drawing.rectangle(x - 10, _AXIS_Y - _HALF + 8 * step, 20, 8, "axis", opacity=0.15 * step + 0.05)


def _grid(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 18, _HALF)
    for dx in (-11, 0, 11):
        for dy in (-14, 0, 14):
            drawing.circle(x + dx, _AXIS_Y + dy, 2, "axis", filled=True)


def _device(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 24, 13)
    lens = [(x - 24, _AXIS_Y - 11), (x - 30, _AXIS_Y - 6), (x - 32, _AXIS_Y), (x - 30, _AXIS_Y + 6)]
    drawing.curve([*lens, (x - 24, _AXIS_Y + 11)], "axis", width=1.6)
    _box(drawing, x + 28, 4, 8)


def _camera(drawing: Drawing, x: float) -> None:
    _box(drawing, x + 5, 17, 14)
    _box(drawing, x - 16, 4, 8)
    drawing.circle(x + 12, _AXIS_Y - 7, 2, "axis", filled=True)


def _eye(drawing: Drawing, x: float) -> None:
    for sign in (-1, 1):
        lid = [(x - 18, _AXIS_Y), (x - 9, _AXIS_Y + 9 * sign), (x, _AXIS_Y + 11 * sign), (x + 9, _AXIS_Y + 9 * sign)]
        drawing.curve([*lid, (x + 18, _AXIS_Y)], "axis", width=1.6)
    drawing.circle(x, _AXIS_Y, 6, "axis", width=1.6)


def _cells(drawing: Drawing, x: float) -> None:
    for dx in (-12, 6):
        _box(drawing, x + dx, 7, 18)
        drawing.rectangle(x + dx - 3, _AXIS_Y - 22, 6, 4, "axis")


def _meter(drawing: Drawing, x: float) -> None:
    _box(drawing, x, 20, 16)
    drawing.curve([(x - 12, _AXIS_Y + 4), (x - 7, _AXIS_Y - 6), (x + 7, _AXIS_Y - 6), (x + 12, _AXIS_Y + 4)], "axis")
    drawing.line(x, _AXIS_Y + 8, x + 6, _AXIS_Y - 3, "axis", width=1.6)


def _distance(drawing: Drawing, x: float) -> None:
    left, right, y = x - 36, x + 36, 62.0
    drawing.line(left, y, right, y, "axis")
    for end, inward in ((left, 5), (right, -5)):
        drawing.curve([(end + inward, y - 3), (end, y), (end + inward, y + 3)], "axis")


_SYMBOLS: Final[Mapping[str, Callable[[Drawing, float], None]]] = {
    "lamp": _lamp,
    "flash": _flash,
    "field": _field,
    "bars": _bars,
    "edge": _edge,
    "wedge": _wedge,
    "grid": _grid,
    "device": _device,
    "camera": _camera,
    "eye": _eye,
    "cells": _cells,
    "meter": _meter,
    "distance": _distance,
}
