"""Figures put onto a page as lines and glyphs: the renderer's way through all of SVG costs a quarter of a document.

A figure holds what `figures._drawing` and the QR code write, and nothing else of SVG; all of it is drawn in black.
"""

import math
import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final
from xml.etree import ElementTree as ET

from inspect_app.documents.lettering import Lettering

_ARC: Final = 4 / 3 * (math.sqrt(2) - 1)  # of the radius: where the handles of a quarter of a circle stand
_STEP: Final = re.compile(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?")  # as the QR code writes: places, and runs to the right


class DrawnFigure:
    """A figure as the renderer takes an image: it says its shape, and draws itself where it is put."""

    def __init__(self, svg: str, lettering: Lettering) -> None:
        self._elements = ET.fromstring(svg)  # noqa: S314  # written by the figures, which escape what they are given
        *_, self._width, self._height = map(float, self._elements.get("viewBox", "").split())
        self._family = self._elements.get("font-family", "")
        self._lettering = lettering

    def get_intrinsic_size(self, _resolution: float, _font_size: float) -> tuple[None, None, float]:
        """Return width and height, which the page gives, and their ratio."""
        return None, None, self._width / self._height

    def draw(self, stream: Any, width: float, height: float, _style: object) -> None:
        """Draw the figure in the middle of a box as large as fits."""
        scale = min(width / self._width, height / self._height)
        right, down = (width - scale * self._width) / 2, (height - scale * self._height) / 2
        stream.transform(a=scale, d=scale, e=right, f=down)
        _write(stream, f"0 0 {self._width:g} {self._height:g} re W n 0 0 0 RG 0 0 0 rg 4 M")
        for element in self._elements:
            kind = element.tag.rpartition("}")[2]
            if kind == "text":
                self._lettering.write(stream, element, self._family)
            elif kind != "title":
                _DRAWN[kind](stream, element)


def _write(stream: Any, operators: str) -> None:
    stream.stream.append(operators.encode())


def _stroke(stream: Any, element: ET.Element, path: str) -> None:
    stream.set_alpha(float(element.get("stroke-opacity", "1")), stroke=True)
    width, dash = element.get("stroke-width", "1"), element.get("stroke-dasharray", "")
    _write(stream, f"{width} w [{dash}] 0 d {path} S")


def _fill(stream: Any, element: ET.Element, path: str) -> None:
    stream.set_alpha(float(element.get("fill-opacity", "1")))
    _write(stream, f"{path} f")


def _numbers(element: ET.Element, *names: str) -> list[float]:
    return [float(element.get(name, "0")) for name in names]


def _line(stream: Any, element: ET.Element) -> None:
    x1, y1, x2, y2 = (element.get(name) for name in ("x1", "y1", "x2", "y2"))
    _stroke(stream, element, f"{x1} {y1} m {x2} {y2} l")


def _through(points: str) -> str:
    return points.replace(" ", " l ").replace(",", " ").replace(" l ", " m ", 1) + " l"


def _polyline(stream: Any, element: ET.Element) -> None:
    if " " in (points := element.get("points", "")):
        _stroke(stream, element, _through(points))


def _polygon(stream: Any, element: ET.Element) -> None:
    if " " in (points := element.get("points", "")):
        _fill(stream, element, f"{_through(points)} h")


def _circle(stream: Any, element: ET.Element) -> None:
    x, y, radius = _numbers(element, "cx", "cy", "r")
    handle = _ARC * radius
    left, right, top, bottom = (f"{one:.3f}" for one in (x - radius, x + radius, y - radius, y + radius))
    before, behind, above, below = (f"{one:.3f}" for one in (x - handle, x + handle, y - handle, y + handle))
    path = (
        f"{right} {y:.3f} m {right} {below} {behind} {bottom} {x:.3f} {bottom} c"
        f" {before} {bottom} {left} {below} {left} {y:.3f} c"
        f" {left} {above} {before} {top} {x:.3f} {top} c {behind} {top} {right} {above} {right} {y:.3f} c h"
    )
    if element.get("fill") != "none":
        _fill(stream, element, path)
    _stroke(stream, element, path)


def _rectangle(stream: Any, element: ET.Element) -> None:
    _fill(stream, element, f"{' '.join(element.get(name, '0') for name in ('x', 'y', 'width', 'height'))} re")


def _rows(stream: Any, element: ET.Element) -> None:
    """Draw the rows of a QR code; a row begins where the one before it ended."""
    x = y = 0.0
    path = []
    for step, across, down in _STEP.findall(element.get("d", "")):
        x, y = (float(across), float(down)) if step == "M" else (x + float(across), y + float(down or 0))
        path.append(f"{x:g} {y:g} {'l' if step == 'h' else 'm'}")
    _stroke(stream, element, " ".join(path))


_DRAWN: Final[Mapping[str, Callable[[Any, ET.Element], None]]] = MappingProxyType(
    {
        "line": _line,
        "polyline": _polyline,
        "polygon": _polygon,
        "circle": _circle,
        "rect": _rectangle,
        "path": _rows,
    }
)
