"""A result over time as one drawing: a point for each inspection with its doubt, limits as they stood, instruments."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from markupsafe import Markup, escape

from inspect_app.documents import wording
from inspect_app.quantity import Quantity, expanded_uncertainty, format_quantity

_WIDTH, _HEIGHT, _EDGE = 260.0, 64.0, 8.0
_FLAT: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A result at one inspection, the limits that applied then in its unit, and what it was measured with."""

    at: datetime
    quantity: Quantity
    bounds: tuple[float, ...] = ()
    demand: str = ""
    instruments: tuple[str, ...] = ()


def over_time_chart(name: str, points: Sequence[Point]) -> Markup:
    """Draw value ± U over the dates of at least two inspections, in the unit of the first.

    Limits are drawn for as long as they applied; a dotted line across says that other instruments were used from then.
    """
    unit = points[0].quantity.unit
    quantities = [point.quantity.to(unit) for point in points]
    doubts = [expanded_uncertainty(quantity) for quantity in quantities]
    ends = [q.value + sign * doubt for q, doubt in zip(quantities, doubts, strict=True) for sign in (-1, 1)]
    levels = [*ends, *(bound for point in points for bound in point.bounds)]
    low, high = min(levels), max(levels)
    begin = points[0].at
    seconds = (points[-1].at - begin).total_seconds() or 1.0
    xs = [_place((point.at - begin).total_seconds(), 0.0, seconds, _EDGE, _WIDTH - _EDGE) for point in points]

    def height(level: float) -> float:
        return _place(level, low, high, _HEIGHT - _EDGE, _EDGE)

    marks = [
        _mark(x, *(height(level) for level in (q.value - u, q.value, q.value + u)))
        for x, q, u in zip(xs, quantities, doubts, strict=True)
    ]
    line = " ".join(f"{x:.1f},{height(q.value):.1f}" for x, q in zip(xs, quantities, strict=True))
    said = escape(f"{name}: {_words(points, quantities)}")
    return Markup(  # noqa: S704  # numbers of our own and escaped words
        f'<svg class="over-time" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" aria-label="{said}">'
        f"{_limits(points, xs, height)}{_changes(points, xs)}"
        f'<polyline points="{line}" fill="none" stroke="currentColor" stroke-width="1" stroke-dasharray="3 2"/>'
        f"{''.join(marks)}</svg>"
    )


def instrument_changes(points: Sequence[Point]) -> list[int]:
    """Return the places of the points that were measured with other instruments than the one before."""
    return [
        place
        for place, (before, after) in enumerate(itertools.pairwise(points), start=1)
        if before.instruments != after.instruments
    ]


def _words(points: Sequence[Point], quantities: Sequence[Quantity]) -> str:
    changed = set(instrument_changes(points))
    told = []
    for place, (point, quantity) in enumerate(zip(points, quantities, strict=True)):
        limit = f" (limit {point.demand})" if point.demand else ""
        other = f", now with {' and '.join(point.instruments) or 'no instrument'}" if place in changed else ""
        told.append(f"{wording.day(point.at)}: {format_quantity(quantity)}{limit}{other}")
    return "; ".join(told)


def _limits(points: Sequence[Point], xs: Sequence[float], height: Callable[[float], float]) -> str:
    """Draw each limit from halfway before its inspection to halfway behind it."""
    middles = [(left + right) / 2 for left, right in itertools.pairwise(xs)]
    starts, stops = [0.0, *middles], [*middles, _WIDTH]
    return "".join(
        f'<line x1="{start:.1f}" y1="{height(bound):.1f}" x2="{stop:.1f}" y2="{height(bound):.1f}" '
        'class="figure-limit" stroke="currentColor" stroke-width="1.6"/>'
        for point, start, stop in zip(points, starts, stops, strict=True)
        for bound in point.bounds
    )


def _changes(points: Sequence[Point], xs: Sequence[float]) -> str:
    return "".join(
        f'<line x1="{x:.1f}" y1="0" x2="{x:.1f}" y2="{_HEIGHT:g}" stroke="currentColor" stroke-width="1" '
        'stroke-dasharray="1 3"/>'
        for x in ((xs[place - 1] + xs[place]) / 2 for place in instrument_changes(points))
    )


def _place(value: float, low: float, high: float, start: float, end: float) -> float:
    if high - low <= _FLAT:
        return (start + end) / 2
    return start + (value - low) / (high - low) * (end - start)


def _mark(x: float, lower: float, middle: float, upper: float) -> str:
    return (
        f'<line x1="{x:.1f}" y1="{lower:.1f}" x2="{x:.1f}" y2="{upper:.1f}" stroke="currentColor" stroke-width="1.5"/>'
        f'<circle cx="{x:.1f}" cy="{middle:.1f}" r="3.2" fill="currentColor"/>'
    )
