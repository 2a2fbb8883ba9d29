"""Blemish map: the field with its zones, every spot where it lies, the largest numbered and listed beside it."""

import math
from collections.abc import Sequence

from inspect_app.documents.figures._drawing import TEXT_SIZE, Dash, Drawing
from inspect_app.documents.figures._figure import Figure, Part
from inspect_app.documents.figures._plot import HEIGHT, WIDTH
from inspect_app.documents.printable import shortened
from inspect_app.documents.wording import condition_text
from inspect_app.model import Feature, Judgement, Outline
from inspect_app.quantity import format_number

_LISTED = 10
_MAP_SIDE = 134.0
_LIST_X = 144.0
_LEAST_RADIUS = 1.6
_LEAST_REACH_PX = 10.0  # shown around a spot where no field is told
_SMALL = TEXT_SIZE - 2.0
_LETTER, _TALL = 0.5 * _SMALL, 0.75 * _SMALL  # a letter's width, and its height over the line
_CLEAR = 2.0  # between words and the circle around them
_TURNS = [math.radians(turn) for turn in (-90, 90, -50, -130, 50, 130, 0, 180)]  # where a circle's name may stand
_PIXEL_STROKES = {
    "hot": ((-3.0, -3.0, 3.0, 3.0), (-3.0, 3.0, 3.0, -3.0)),
    "dead": ((-3.5, 0.0, 3.5, 0.0), (0.0, -3.5, 0.0, 3.5)),
}
_Box = tuple[float, float, float, float]  # left, top, right, bottom
_COLUMNS = ("No.", "x, px", "y, px", "Diameter, mm", "Contrast, %", "Polarity", "Kind", "Zone")


def draw(parts: Sequence[Part], _judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return one map for each measurement that tells a field or spots."""
    return tuple(_figure(part) for part in parts if part.measured.features or part.measured.outlines)


class _Map:
    """Places of the picture on the drawing: the field, or all that was found, fills the square."""

    def __init__(self, features: Sequence[Feature], outlines: Sequence[Outline]) -> None:
        boxes = [_box(outline) for outline in outlines] + [_surround(f) for f in features]
        self.left = min(box[0] for box in boxes)
        self.top = min(box[1] for box in boxes)
        span = max(max(box[2] for box in boxes) - self.left, max(box[3] for box in boxes) - self.top, 1.0)
        self.scale = _MAP_SIDE / span

    def at(self, x: float, y: float) -> tuple[float, float]:
        return 3 + (x - self.left) * self.scale, 9 + (y - self.top) * self.scale

    def radius(self, feature: Feature) -> float:
        return max(feature.diameter_px / 2 * self.scale, _LEAST_RADIUS)

    def box(self, feature: Feature) -> _Box:
        (x, y), radius = self.at(feature.x, feature.y), self.radius(feature)
        return x - radius, y - radius, x + radius, y + radius


def _box(outline: Outline) -> _Box:
    if outline.shape == "circle":
        half_width, half_height = outline.width_px / 2, outline.height_px / 2
        return outline.x - half_width, outline.y - half_height, outline.x + half_width, outline.y + half_height
    return outline.x, outline.y, outline.x + outline.width_px, outline.y + outline.height_px


def _surround(feature: Feature) -> _Box:
    reach = max(feature.diameter_px, _LEAST_REACH_PX)
    return feature.x - reach, feature.y - reach, feature.x + reach, feature.y + reach


def _figure(part: Part) -> Figure:
    features = sorted(part.measured.features, key=lambda feature: -feature.diameter_px)
    outlines = part.measured.outlines
    drawing = Drawing(WIDTH, HEIGHT)
    places = _Map(features, outlines)
    spots = [places.box(feature) for feature in features]
    numbers = [_box_of_number(box) for box in spots[:_LISTED]]
    pixels = [places.at(outline.x, outline.y) for outline in outlines if outline.label.endswith("pixel")]
    taken = [*spots, *numbers, *((x - 4, y - 4, x + 4, y + 4) for x, y in pixels)]
    for outline in sorted(outlines, key=lambda outline: -outline.width_px):
        taken += _draw_outline(drawing, places, outline, taken)
    for feature in features:
        _draw_spot(drawing, places, feature)
    for number, (left, _, _, bottom) in enumerate(numbers, start=1):
        drawing.text(left, bottom, str(number), size=_SMALL, bold=True)
    _draw_list(drawing, features)
    under = condition_text(part.condition)
    title = f"Blemish map, {under}" if under else "Blemish map"
    words = _in_words(features)
    return Figure(
        title=title,
        svg=drawing.svg(title, words),
        text_alternative=words,
        columns=_COLUMNS,
        table=tuple(_row(number, feature) for number, feature in enumerate(features, start=1)),
    )


def _draw_outline(drawing: Drawing, places: _Map, outline: Outline, taken: Sequence[_Box]) -> list[_Box]:
    """Draw an outline and return where its name stands, if it has one: where nothing does that is `taken`."""
    is_field = outline.label.startswith("field")
    width, dash = (1.4, Dash.SOLID) if is_field else (0.9, Dash.DASHED)
    x, y = places.at(outline.x, outline.y)
    if outline.label.endswith("pixel"):
        _draw_pixel(drawing, x, y, outline.label.partition(" ")[0])
        return []
    if outline.shape == "circle":
        radius = outline.width_px / 2 * places.scale
        drawing.circle(x, y, radius, "axis", width=width, dash=dash)
        if is_field:
            return []
        label = shortened(outline.label, 16)
        box = _box_within(x, y, radius, _LETTER * len(label), taken)
        drawing.text((box[0] + box[2]) / 2, box[3], label, anchor="middle", size=_SMALL)
        return [box]
    right, bottom = places.at(outline.x + outline.width_px, outline.y + outline.height_px)
    corners = [(x, y), (right, y), (right, bottom), (x, bottom), (x, y)]
    drawing.curve(corners, "axis", width=width, dash=dash)
    return []


def _box_of_number(spot: _Box) -> _Box:
    left, bottom = spot[2] + 2.5, (spot[1] + spot[3]) / 2 - 2
    return left, bottom - _TALL, left + 2 * _LETTER, bottom


def _box_within(x: float, y: float, radius: float, width: float, taken: Sequence[_Box]) -> _Box:
    """Return a box for words along a circle: the first inside of it that meets nothing, or the uppermost."""
    boxes = []
    for turn in _TURNS:
        # As far out as its farthest corner allows.
        room = (abs(math.cos(turn)) * width + abs(math.sin(turn)) * _TALL) / 2
        beyond = (radius - _CLEAR) ** 2 - (width**2 + _TALL**2) / 4
        out = max(math.sqrt(max(room**2 + beyond, 0.0)) - room, 0.0)
        across, down = x + out * math.cos(turn), y + out * math.sin(turn)
        boxes.append((across - width / 2, down - _TALL / 2, across + width / 2, down + _TALL / 2))
    return next((box for box in boxes if not any(_meet(box, other) for other in taken)), boxes[0])


def _meet(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _draw_spot(drawing: Drawing, places: _Map, feature: Feature) -> None:
    """Draw dark spots filled, bright ones hollow, hot pixels as a diagonal cross and dead ones as an upright one."""
    x, y = places.at(feature.x, feature.y)
    if feature.kind in _PIXEL_STROKES:
        _draw_pixel(drawing, x, y, feature.kind)
        return
    drawing.circle(x, y, places.radius(feature), "mark", filled=feature.polarity == "dark", width=1.2)


def _draw_pixel(drawing: Drawing, x: float, y: float, kind: str) -> None:
    for x1, y1, x2, y2 in _PIXEL_STROKES[kind]:
        drawing.line(x + x1, y + y1, x + x2, y + y2, "mark", width=1.2)


def _draw_list(drawing: Drawing, features: Sequence[Feature]) -> None:
    if not features:
        drawing.text(_LIST_X, 16, "no spots", size=_SMALL)
        return
    drawing.text(_LIST_X, 14, "No. zone size", size=_SMALL, bold=True)
    for number, feature in enumerate(features[:_LISTED], start=1):
        y = 14 + 11.5 * number
        drawing.text(_LIST_X + 12, y, str(number), anchor="end", size=_SMALL)
        drawing.text(_LIST_X + 24, y, "–" if feature.zone is None else str(feature.zone), anchor="middle", size=_SMALL)
        drawing.text(_LIST_X + 34, y, f"{_size(feature)} {_kind(feature)}", size=_SMALL)
    left = len(features) - _LISTED
    if left > 0:
        drawing.text(_LIST_X, HEIGHT - 3, f"and {left} smaller ones", size=_SMALL)


def _size(feature: Feature) -> str:
    if feature.diameter_mm is None:
        return f"{format_number(feature.diameter_px, 1)} px"
    return f"{format_number(feature.diameter_mm, 3)} mm"


def _kind(feature: Feature) -> str:
    """Return what a feature is in a word that fits the list: of spots their polarity, of peppering that it is small."""
    kind = _counts_as(feature)
    return {"spot": feature.polarity, "peppering": "small"}.get(kind, kind)


def _counts_as(feature: Feature) -> str:
    return "peppering" if feature.is_peppering else feature.kind


def _row(number: int, feature: Feature) -> tuple[str, ...]:
    return (
        str(number),
        format_number(feature.x, 1),
        format_number(feature.y, 1),
        "–" if feature.diameter_mm is None else format_number(feature.diameter_mm, 3),
        format_number(100 * feature.contrast, 0),
        feature.polarity,
        _counts_as(feature),
        "–" if feature.zone is None else str(feature.zone),
    )


def _in_words(features: Sequence[Feature]) -> str:
    if not features:
        return "No spots were found."
    counts: dict[str, int] = {}
    for feature in features:
        kind = _counts_as(feature)
        name = {"spot": f"{feature.polarity} spots", "peppering": kind}.get(kind, f"{kind} pixels")
        counts[name] = counts.get(name, 0) + 1
    said = ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))
    return f"{said[:1].upper()}{said[1:]}; the largest is {_size(features[0])}."
