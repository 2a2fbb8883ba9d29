"""A drawing with two axes: grid, ticks, units, curves and marks in the numbers' own scales."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.documents.figures._drawing import TEXT_SIZE, Dash, Drawing
from inspect_app.documents.figures._scale import Scale
from inspect_app.documents.printable import shortened

WIDTH, HEIGHT = 240.0, 152.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 234.0, 22.0, 119.0
_SMALL = TEXT_SIZE - 1.5
_LETTER_WIDTH = 4.6  # of small text, on average
_NAME_AT_MOST, _X_AT_MOST, _Y_AT_MOST = 22, 36, 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Instant:
    """A named place on the x axis; `kind` is ``instant`` for what was found and ``limit`` for what is demanded."""

    x: float
    label: str
    kind: str = "instant"
    dash: Dash = Dash.DOTTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A lower limit on the x at which a curve falls through a level `y`."""

    x: float
    y: float
    label: str


class Plot:
    """Axes with what is drawn between them; `x` and `y` are the scales."""

    def __init__(self, x: Scale, y: Scale, *, x_label: str, y_label: str) -> None:
        self.x = x
        self.y = y
        self.drawing = Drawing(WIDTH, HEIGHT)
        self._draw_axes(x_label, y_label)

    def curve(self, xs: Sequence[float], ys: Sequence[float], *, dash: Dash = Dash.SOLID, width: float = 1.6) -> None:
        """Draw y over x; a number outside the scales is drawn at their edge."""
        self.drawing.curve([(self.x.at(x), self.y.at(y)) for x, y in zip(xs, ys, strict=True)], dash=dash, width=width)

    def across(self, y: float, label: str, *, dash: Dash = Dash.DASHED, to_left: bool = False) -> None:
        """Draw a level over the whole width, with its name at the right or at the left."""
        place = self.y.at(y)
        self.drawing.line(LEFT, place, RIGHT, place, "limit", width=1.1, dash=dash)
        x, anchor = (LEFT + 4, "start") if to_left else (RIGHT - 2, "end")
        self.drawing.text(x, place + (10 if place < TOP + 14 else -3), label, anchor=anchor, size=_SMALL)

    def band(self, x: float) -> None:
        """Draw a thin line over the whole height."""
        place = self.x.at(x)
        self.drawing.line(place, TOP, place, BOTTOM, "instant", dash=Dash.DOTTED)

    def instants(self, marks: Sequence[Instant]) -> None:
        """Draw lines at some x, each with its name at its upper end.

        The names stand in rows to the left of their lines, the rightmost highest; no line rises beyond its name, so
        that none crosses another's.
        """
        for row, instant in enumerate(sorted(marks, key=lambda instant: -instant.x)):
            place, top = self.x.at(instant.x), TOP + 10.5 * row
            self.drawing.line(place, top, place, BOTTOM, instant.kind, width=1.1, dash=instant.dash)
            is_short_of_room = place - 6 - _LETTER_WIDTH * len(instant.label) < LEFT
            x, anchor = (place + 4, "start") if is_short_of_room else (place - 4, "end")
            self.drawing.text(x, top + 8, shortened(instant.label, _X_AT_MOST), anchor=anchor, size=_SMALL)

    def mark(self, x: float, y: float, *, radius: float = 3.0, label: str = "") -> None:
        """Draw a point, perhaps with its name to the upper right of it, or above where there is no room."""
        across, down = self.x.at(x), self.y.at(y)
        self.drawing.circle(across, down, radius, "mark", filled=True)
        if label:
            fits = across + 6 + _LETTER_WIDTH * len(label) < RIGHT
            place, rise, anchor = (across + 6, 3, "start") if fits else (RIGHT, 9, "end")
            self.drawing.text(place, down - rise, shortened(label, _NAME_AT_MOST), anchor=anchor, size=_SMALL)

    def gates(self, marks: Sequence[Gate]) -> None:
        """Draw limits that a curve has to pass on the right of, each at its level, and name them at the upper right."""
        for gate in marks:
            x, y = self.x.at(gate.x), self.y.at(gate.y)
            self.drawing.line(x, y - 9, x, y + 9, "limit", width=2.4)
            self.drawing.line(x, y + 9, x, BOTTOM, "limit", width=0.9, dash=Dash.DOTTED)
        named = list(dict.fromkeys(gate.label for gate in sorted(marks, key=lambda gate: gate.x)))
        for row, label in enumerate(named):
            self.drawing.text(RIGHT, TOP + 7 + 10 * row, f"bar: {label}", anchor="end", size=_SMALL)

    def legend(self, entries: Sequence[tuple[str, Dash]]) -> None:
        """Name the curves by their line styles, above the axes."""
        columns = 2 if len(entries) > 1 else 1
        for index, (name, dash) in enumerate(entries):
            x = 4.0 + (index % columns) * (WIDTH - 4.0) / columns
            y = 6.0 + 10.0 * (index // columns)
            self.drawing.line(x, y, x + 16, y, "curve", width=1.6, dash=dash)
            self.drawing.text(x + 19, y + 3.4, shortened(name, _NAME_AT_MOST), size=_SMALL)

    def _draw_axes(self, x_label: str, y_label: str) -> None:
        draw = self.drawing
        for value, label in self.y.ticks(4):
            place = self.y.at(value)
            draw.line(LEFT, place, RIGHT, place, "grid", width=0.8)
            draw.text(LEFT - 4, place + 3.5, label, anchor="end", size=_SMALL)
        for value, label in self.x.ticks(5):
            place = self.x.at(value)
            draw.line(place, BOTTOM, place, BOTTOM + 4, "axis")
            draw.text(place, BOTTOM + 14, label, anchor="middle", size=_SMALL)
        draw.line(LEFT, TOP, LEFT, BOTTOM, "axis")
        draw.line(LEFT, BOTTOM, RIGHT, BOTTOM, "axis")
        draw.text((LEFT + RIGHT) / 2, HEIGHT - 3, shortened(x_label, _X_AT_MOST), anchor="middle")
        draw.text(9, (TOP + BOTTOM) / 2, shortened(y_label, _Y_AT_MOST), anchor="middle", turned=True)


def axis_label(name: str, unit: str) -> str:
    """Return an axis title: what it is, and in what unit."""
    return name if unit == "1" else f"{name}, {unit}"
