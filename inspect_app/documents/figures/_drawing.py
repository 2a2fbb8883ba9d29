"""Writes SVG: presentation attributes only, one text family, everything escaped."""

import enum
from collections.abc import Iterable, Sequence

from markupsafe import escape

from inspect_app.documents.printable import printable

TEXT_FAMILY = "Source Sans Pro, DejaVu Sans, sans-serif"
TEXT_SIZE = 11.0


class Dash(enum.StrEnum):
    """Styles of line that stay apart without colour."""

    SOLID = ""
    DASHED = "6 3"
    DOTTED = "1.5 2.5"
    DASH_DOT = "7 2.5 1.5 2.5"


DASHES = tuple(Dash)


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") or "0"


class Drawing:
    """Collects the elements of one SVG picture; lengths are user units, the origin is at the upper left."""

    def __init__(self, width: float, height: float) -> None:
        self.width = width
        self.height = height
        self._elements: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, kind: str, *, width: float = 1.0, dash: Dash = Dash.SOLID
    ) -> None:
        """Draw a straight line of one kind, such as ``axis``, ``grid`` or ``limit``."""
        places = f'x1="{_number(x1)}" y1="{_number(y1)}" x2="{_number(x2)}" y2="{_number(y2)}"'
        self._elements.append(f"<line {places} {_stroke(kind, width, dash)}/>")

    def curve(
        self, points: Iterable[tuple[float, float]], kind: str = "curve", *, width: float = 1.6, dash: Dash = Dash.SOLID
    ) -> None:
        """Draw a line through points."""
        places = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
        self._elements.append(f'<polyline points="{places}" fill="none" {_stroke(kind, width, dash)}/>')

    def area(self, points: Sequence[tuple[float, float]], kind: str, *, opacity: float = 0.12) -> None:
        """Fill the inside of a polygon faintly."""
        places = " ".join(f"{_number(x)},{_number(y)}" for x, y in points)
        self._elements.append(
            f'<polygon points="{places}" class="figure-{kind}" fill="currentColor" fill-opacity="{opacity}"/>'
        )

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        kind: str,
        *,
        filled: bool = False,
        width: float = 1.0,
        dash: Dash = Dash.SOLID,
    ) -> None:
        """Draw a circle, hollow or filled."""
        places = f'cx="{_number(x)}" cy="{_number(y)}" r="{_number(radius)}"'
        fill = 'fill="currentColor"' if filled else 'fill="none"'
        self._elements.append(f"<circle {places} {fill} {_stroke(kind, width, dash)}/>")

    def rectangle(self, x: float, y: float, width: float, height: float, kind: str, *, opacity: float = 1.0) -> None:
        """Fill a rectangle."""
        places = f'x="{_number(x)}" y="{_number(y)}" width="{_number(width)}" height="{_number(height)}"'
        faint = "" if opacity == 1.0 else f' fill-opacity="{opacity}"'
        self._elements.append(f'<rect {places} class="figure-{kind}" fill="currentColor"{faint}/>')

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "start",
        size: float = TEXT_SIZE,
        bold: bool = False,
        turned: bool = False,
        kind: str = "text",
    ) -> None:
        """Write words at a place, upright or turned to read upwards."""
        turn = f' transform="rotate(-90 {_number(x)} {_number(y)})"' if turned else ""
        weight = ' font-weight="600"' if bold else ""
        self._elements.append(
            f'<text x="{_number(x)}" y="{_number(y)}" class="figure-{kind}" fill="currentColor"'
            f' font-size="{_number(size)}" text-anchor="{anchor}"{weight}{turn}>{escape(printable(words))}</text>'
        )

    def svg(self, title: str, text_alternative: str) -> str:
        """Return the picture as one ``svg`` element, named for those who do not see it."""
        said = escape(printable(f"{title}. {text_alternative}"))
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_number(self.width)} {_number(self.height)}"'
            f' class="figure" role="img" aria-label="{said}" font-family="{TEXT_FAMILY}">'
            f"<title>{said}</title>{''.join(self._elements)}</svg>"
        )


def _stroke(kind: str, width: float, dash: Dash) -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    faint = ' stroke-opacity="0.22"' if kind == "grid" else ""
    return f'class="figure-{kind}" stroke="currentColor" stroke-width="{_number(width)}"{dashes}{faint}'
