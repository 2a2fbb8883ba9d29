"""A drawing with two axes: grid, ticks, units, curves and marks in the numbers' own scales."""

from collections.abc import Sequence

from inspect_app.documents.figures._drawing import TEXT_SIZE, Dash, Drawing
from inspect_app.documents.figures._scale import Scale

WIDTH, HEIGHT = 300.0, 200.0
LEFT, RIGHT, TOP, BOTTOM = 42.0, 292.0, 22.0, 164.0
_SMALL = TEXT_SIZE - 1.5


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

    def across(self, y: float, label: str, kind: str = "limit", dash: Dash = Dash.DASHED) -> None:
        """Draw a level over the whole width, with its name at the right."""
        place = self.y.at(y)
        self.drawing.line(LEFT, place, RIGHT, place, kind, width=1.1, dash=dash)
        below = place < TOP + 14
        self.drawing.text(RIGHT - 2, place + (10 if below else -3), label, anchor="end", size=_SMALL)

    def upright(self, x: float, label: str, kind: str = "limit", dash: Dash = Dash.DASHED, row: int = 0) -> None:
        """Draw a line at one x over the whole height, with its name beside its upper end."""
        place = self.x.at(x)
        self.drawing.line(place, TOP, place, BOTTOM, kind, width=1.1, dash=dash)
        to_left = place > (LEFT + RIGHT) / 2
        self.drawing.text(
            place + (-4 if to_left else 4), TOP + 9 + 12 * row, label, anchor="end" if to_left else "start", size=_SMALL
        )

    def mark(self, x: float, y: float, *, filled: bool = True, kind: str = "mark") -> None:
        """Draw a point."""
        self.drawing.circle(self.x.at(x), self.y.at(y), 3.0, kind, filled=filled, width=1.2)

    def legend(self, entries: Sequence[tuple[str, Dash]]) -> None:
        """Name the curves by their line styles, above the axes."""
        width = (RIGHT - LEFT) / max(1, min(2, len(entries)))
        for index, (name, dash) in enumerate(entries):
            x = LEFT + (index % 2) * width
            y = 6.0 + 10.0 * (index // 2)
            self.drawing.line(x, y, x + 20, y, "curve", width=1.6, dash=dash)
            self.drawing.text(x + 24, y + 3.4, name, size=_SMALL)

    def _draw_axes(self, x_label: str, y_label: str) -> None:
        draw = self.drawing
        for value, label in self.y.ticks(5):
            place = self.y.at(value)
            draw.line(LEFT, place, RIGHT, place, "grid", width=0.8)
            draw.text(LEFT - 4, place + 3.5, label, anchor="end", size=_SMALL)
        for value, label in self.x.ticks(6):
            place = self.x.at(value)
            draw.line(place, BOTTOM, place, BOTTOM + 4, "axis")
            draw.text(place, BOTTOM + 15, label, anchor="middle", size=_SMALL)
        draw.line(LEFT, TOP, LEFT, BOTTOM, "axis")
        draw.line(LEFT, BOTTOM, RIGHT, BOTTOM, "axis")
        draw.text((LEFT + RIGHT) / 2, HEIGHT - 6, x_label, anchor="middle")
        draw.text(10, (TOP + BOTTOM) / 2, y_label, anchor="middle", turned=True)


def axis_label(name: str, unit: str) -> str:
    """Return an axis title: what it is, and in what unit."""
    return name if unit == "1" else f"{name}, {unit}"
