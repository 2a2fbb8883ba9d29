"""How results of one quantity are spread over many devices: a histogram with the limits in it."""

import math
import statistics
from collections.abc import Sequence
from typing import Final

from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Instant, Plot, axis_label
from inspect_app.documents.figures._scale import scale_for
from inspect_app.quantity import format_limit, format_number

_FEWEST_BINS: Final = 5
_MOST_BINS: Final = 40
_GAP: Final = 0.6
_ROOM_FOR_NAMES: Final = 1.2


def histogram_figure(title: str, values: Sequence[float], unit: str, bounds: Sequence[float]) -> Figure:
    """Draw how many of at least one value lie in each of several equal classes; `bounds` are limits in the same unit.

    The width of a class is that of Freedman and Diaconis (1981), 2 IQR / n^(1/3), within 5 to 40 classes.
    """
    edges = _edges(values)
    counts = _counts(values, edges)
    plot = Plot(
        scale_for([edges[0], edges[-1], *bounds], start=LEFT, end=RIGHT, room=0.03),
        scale_for([0, max(counts) * _ROOM_FOR_NAMES], start=BOTTOM, end=TOP, room=0),
        x_label=axis_label("Value", unit),
        y_label="Results",
    )
    for low, high, count in zip(edges, edges[1:], counts, strict=False):
        left, right, top = plot.x.at(low), plot.x.at(high), plot.y.at(count)
        plot.drawing.rectangle(left, top, max(right - left - _GAP, _GAP), BOTTOM - top, "curve", opacity=0.55)
    plot.instants([Instant(x=bound, label=f"limit {format_limit(bound, unit)}", kind="limit") for bound in bounds])
    digits = _digits(edges)
    said = _words(values, unit, bounds, digits)
    rows = tuple(
        (format_number(low, digits), format_number(high, digits), str(count))
        for low, high, count in zip(edges, edges[1:], counts, strict=False)
    )
    return Figure(
        title=title,
        svg=plot.drawing.svg(title, said),
        text_alternative=said,
        columns=(f"From, {unit}", f"To, {unit}", "Results"),
        table=rows,
    )


def _edges(values: Sequence[float]) -> list[float]:
    low, high = min(values), max(values)
    if high - low <= abs(high) * 1e-12:
        half = abs(high) * 0.05 or 0.5
        return [low - half, high + half]
    quartiles = statistics.quantiles(values, n=4)
    width = 2 * (quartiles[2] - quartiles[0]) / len(values) ** (1 / 3)
    wanted = math.ceil((high - low) / width) if width > 0 else _FEWEST_BINS
    count = min(_MOST_BINS, max(_FEWEST_BINS, wanted))
    return [low + (high - low) * place / count for place in range(count + 1)]


def _counts(values: Sequence[float], edges: Sequence[float]) -> list[int]:
    counts = [0] * (len(edges) - 1)
    width = (edges[-1] - edges[0]) / len(counts)
    for value in values:
        counts[min(int((value - edges[0]) / width), len(counts) - 1)] += 1
    return counts


def _digits(edges: Sequence[float]) -> int:
    return max(0, 1 - math.floor(math.log10(edges[1] - edges[0])))


def _words(values: Sequence[float], unit: str, bounds: Sequence[float], digits: int) -> str:
    middle = statistics.median(values)
    low, high = min(values), max(values)
    said = f"{len(values)} results from {format_number(low, digits)} to {format_number(high, digits)}"
    said += f"{'' if unit == '1' else ' ' + unit}, median {format_number(middle, digits)}."
    for bound in bounds:
        below = sum(value < bound for value in values)
        said += f" {below} lie below the limit {format_limit(bound, unit)}, {len(values) - below} at it or above."
    return said
