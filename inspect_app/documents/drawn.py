"""Figures put onto a page as lines and glyphs: the renderer's way through all of SVG costs a quarter of a document.

A figure holds what `figures._drawing` and the QR code write, and nothing else of SVG; all of it is drawn in black.
Words are shaped once and remembered, for the axes of different documents bear the same numbers.
"""

import io
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final
from xml.etree import ElementTree as ET

from fontTools.ttLib import TTFont
from weasyprint.css.properties import INITIAL_VALUES
from weasyprint.draw.text import draw_first_line
from weasyprint.matrix import Matrix
from weasyprint.pdf.stream import Stream
from weasyprint.svg.text import Style, TextBox
from weasyprint.text.fonts import FontConfiguration
from weasyprint.text.line_break import split_first_line

from inspect_app.documents.signs import spelled_out

_ARC: Final = 4 / 3 * (math.sqrt(2) - 1)  # of the radius: where the handles of a quarter of a circle stand
_REMEMBERED: Final = 2048
_REGULAR: Final = "400"
_TYPEFACES: Final = ("Source Sans Pro", "DejaVu Sans")  # as in print.css: letters of many scripts stand in the second
_SHARE_BEFORE: Final[Mapping[str, float]] = {"start": 0.0, "middle": 0.5, "end": 1.0}
_STEP: Final = re.compile(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?")  # as the QR code writes: places, and runs to the right


class DrawnFigure:
    """A figure as the renderer takes an image: it says its shape, and draws itself where it is put."""

    def __init__(self, svg: str, lettering: "Lettering") -> None:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """Words as glyphs.

    `fonts` are those of the operators, each with the glyphs that it has to bring; `layout` keeps them in memory.
    """

    width: float
    operators: bytes
    fonts: tuple[tuple[Any, Mapping[int, int], Mapping[int, str]], ...]
    layout: object


class Lettering:
    """Words in the fonts of the documents; not safe for two threads at once."""

    def __init__(self, fonts: FontConfiguration) -> None:
        self._fonts = fonts
        self._loaded: dict[Any, Any] = {}
        self._run = lru_cache(_REMEMBERED)(self._shaped)
        self.signs = frozenset().union(*map(self._signs_of, _TYPEFACES))

    def _signs_of(self, typeface: str) -> frozenset[int]:
        """Return the code points that a typeface has pictures of; none where the machine does not have it."""
        self._shaped("A", typeface, 10.0, _REGULAR)
        fonts = (font for font in self._loaded.values() if font.family == typeface)
        return frozenset().union(*(TTFont(io.BytesIO(font.file_content)).getBestCmap() for font in fonts))

    def write(self, stream: Any, element: ET.Element, family: str) -> None:
        """Write the words of an element, before, around or behind its place, upright or turned to read upwards."""
        run = self._run(
            element.text or "",
            family,
            float(element.get("font-size", "")),
            element.get("font-weight", _REGULAR),
        )
        for pango_font, widths, to_unicode in run.fonts:
            font, _ = stream.add_font(pango_font)
            for glyph, glyph_width in widths.items():
                font.widths.setdefault(glyph, glyph_width)
            for glyph, text in to_unicode.items():
                font.to_unicode.setdefault(glyph, text)
        x, y = _numbers(element, "x", "y")
        back = run.width * _SHARE_BEFORE[element.get("text-anchor", "start")]
        place = f"0 -1 -1 0 {x:g} {y + back:.3f}" if element.get("transform") else f"1 0 0 -1 {x - back:.3f} {y:g}"
        stream.set_alpha(1)
        stream.stream.append(b"BT %b Tm\n%b ET" % (place.encode(), run.operators))

    def _shaped(self, words: str, family: str, size: float, weight: str) -> _Run:
        style = Style(INITIAL_VALUES)
        style.font_config = self._fonts
        style |= {
            "font_family": [name.strip() for name in family.split(",")],
            "font_size": size,
            "font_weight": int(weight),
        }
        said = words if words.isascii() else spelled_out(words, self.signs)
        layout, _, _, width, _, _ = split_first_line(said, style, None, math.inf, 0)
        layout.reactivate(style)
        recorder = _Recorder(self._loaded)
        draw_first_line(recorder, TextBox(layout, style), "none", "none", Matrix(d=-1))
        _place, *operators = recorder.stream or [b""]
        fonts = tuple((pango_font, font.widths, font.to_unicode) for pango_font, font in recorder.used)
        return _Run(width=width, operators=b"\n".join(operators), fonts=fonts, layout=layout)


class _Recorder(Stream):  # type: ignore[misc]  # weasyprint has no types
    """Takes down what is written with which fonts, instead of putting it into a file."""

    def __init__(self, loaded: dict[Any, Any]) -> None:
        super().__init__(loaded, None, None, None, None, {}, None)
        self.used: list[tuple[Any, Any]] = []

    def add_font(self, pango_font: Any) -> tuple[Any, float]:
        font, size = super().add_font(pango_font)
        if all(font is not other for _, other in self.used):
            font.widths, font.to_unicode = {}, {}
            self.used.append((pango_font, font))
        return font, size
