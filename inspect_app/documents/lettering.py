"""Words of figures as glyphs: shaped once and remembered, for the axes of different documents bear the same numbers."""

import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
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
from inspect_app.documents.typeface import FAMILY

_REMEMBERED: Final = 2048
_REGULAR: Final = "400"
_TYPEFACES: Final = (FAMILY, "DejaVu Sans")  # as in print.css: letters of many scripts stand in the second
_SHARE_BEFORE: Final[Mapping[str, float]] = {"start": 0.0, "middle": 0.5, "end": 1.0}


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
        x, y = float(element.get("x", "0")), float(element.get("y", "0"))
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
