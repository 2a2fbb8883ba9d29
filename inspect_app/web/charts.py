"""A result over time as one small drawing: a point for each inspection, with its doubt."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from markupsafe import Markup, escape

from inspect_app.documents import wording
from inspect_app.quantity import Quantity, expanded_uncertainty, format_quantity

_WIDTH, _HEIGHT, _EDGE = 200.0, 44.0, 8.0
_FLAT: Final = 1e-12


def over_time_chart(name: str, measured: Sequence[tuple[datetime, Quantity]]) -> Markup:
    """Draw value ± U over the dates of at least two inspections, in the unit of the first."""
    unit = measured[0][1].unit
    quantities = [quantity.to(unit) for _, quantity in measured]
    doubts = [expanded_uncertainty(quantity) for quantity in quantities]
    low = min(q.value - doubt for q, doubt in zip(quantities, doubts, strict=True))
    high = max(q.value + doubt for q, doubt in zip(quantities, doubts, strict=True))
    begin, end = measured[0][0], measured[-1][0]
    seconds = (end - begin).total_seconds() or 1.0
    xs = [_place((moment - begin).total_seconds(), 0.0, seconds, _EDGE, _WIDTH - _EDGE) for moment, _ in measured]
    marks = [
        _mark(x, *(_place(level, low, high, _HEIGHT - _EDGE, _EDGE) for level in (q.value - u, q.value, q.value + u)))
        for x, q, u in zip(xs, quantities, doubts, strict=True)
    ]
    points = " ".join(
        f"{x:.1f},{_place(q.value, low, high, _HEIGHT - _EDGE, _EDGE):.1f}" for x, q in zip(xs, quantities, strict=True)
    )
    told = "; ".join(
        f"{wording.day(moment)}: {format_quantity(q)}" for (moment, _), q in zip(measured, quantities, strict=True)
    )
    said = escape(f"{name}: {told}")
    return Markup(  # noqa: S704  # numbers of our own and escaped words
        f'<svg class="over-time" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" role="img" aria-label="{said}">'
        f'<polyline points="{points}" fill="none" stroke="currentColor" stroke-width="1" stroke-dasharray="3 2"/>'
        f"{''.join(marks)}</svg>"
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
