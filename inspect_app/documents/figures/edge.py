"""Slanted edges: modulation over spatial frequency with limit marks, and the edge spread beneath it."""

import itertools
from collections.abc import Sequence

from inspect_app.documents.figures._drawing import DASHES
from inspect_app.documents.figures._figure import Figure, Part, demands
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Gate, Plot, axis_label
from inspect_app.documents.figures._scale import Scale
from inspect_app.documents.figures._series import Series, in_fours, labels, series_of, with_condition
from inspect_app.documents.figures.curves import curve_figure
from inspect_app.model import Judgement, Limit, Result
from inspect_app.quantity import format_limit, format_number, format_quantity

_LEVELS = {"mtf50": 0.5, "mtf10": 0.1}
_NYQUIST_CY_PX = 0.5
_TABLE_STEP = 0.05


def draw(parts: Sequence[Part], judgements: Sequence[Judgement]) -> tuple[Figure, ...]:
    """Return the modulation transfer of up to four conditions in each figure."""
    return tuple(_transfer_figure(group, judgements) for group in in_fours(series_of(parts, "mtf")))


def details(part: Part) -> tuple[Figure, ...]:
    """Return the edge spread of each edge."""
    return tuple(curve_figure(part, trace) for trace in part.traces if trace.name == "esf" and len(trace.x) > 1)


def _transfer_figure(group: Sequence[Series], judgements: Sequence[Judgement]) -> Figure:
    conditions = [series.condition for series in group]
    unit = group[0].traces[0].x_unit
    plot = Plot(
        Scale(low=0.0, high=_reach(group, unit), start=LEFT, end=RIGHT),
        Scale(low=0.0, high=1.1, start=BOTTOM, end=TOP),
        x_label=axis_label("Spatial frequency", unit),
        y_label="Modulation",
    )
    for series, dash in zip(group, DASHES, strict=False):
        for trace in series.traces:
            inside = [(x, y) for x, y in zip(trace.x, trace.y, strict=True) if plot.x.holds(x)]
            plot.curve([x for x, _ in inside], [y for _, y in inside], dash=dash)
    _mark_limits(plot, group, judgements, unit)
    _mark_results(plot, group, unit)
    names = labels(conditions)
    if len(group) > 1:
        plot.legend(tuple(zip(names, DASHES, strict=False)))
    title = with_condition("Modulation transfer", conditions)
    words = _in_words(group, names)
    columns, table = _table(group, names, unit)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def _reach(group: Sequence[Series], unit: str) -> float:
    """Return how far the axis reaches: to the Nyquist frequency, or all the way of a curve that is high there."""
    reach = max(max(trace.x) for series in group for trace in series.traces)
    found = [result.quantity.value for series in group for result in _results(series, "mtf50")]
    return min(reach, _NYQUIST_CY_PX) if unit == "cy/px" and max(found, default=0.0) < _NYQUIST_CY_PX else reach


def _results(series: Series, name: str) -> list[Result]:
    """Return the results of a name that were found under the condition of the series."""
    return [
        result
        for result in series.part.measured.results
        if result.quantity_name == name
        and all(series.condition.get(key, value) == value for key, value in result.condition.items() if key != "roi")
    ]


def _mark_results(plot: Plot, group: Sequence[Series], unit: str) -> None:
    for series in group:
        for result in _results(series, "mtf50"):
            if result.quantity.unit == unit:
                plot.mark(result.quantity.value, _LEVELS["mtf50"])


def _mark_limits(plot: Plot, group: Sequence[Series], judgements: Sequence[Judgement], unit: str) -> None:
    gates: dict[tuple[float, str], Gate] = {}
    for series in group:
        for judgement in demands(series.part, judgements):
            limit = judgement.limit
            level = _LEVELS.get(limit.quantity_name[:5]) if isinstance(limit, Limit) else None
            if not isinstance(limit, Limit) or limit.at_least is None or level is None:
                continue
            place = _in_unit(limit, series, unit)
            label = f"≥ {format_limit(limit.at_least, '1' if limit.unit == unit else limit.unit)}"
            if place is not None and plot.x.holds(place):
                gates.setdefault((level, label), Gate(x=place, y=level, label=label))
    plot.gates(tuple(gates.values()))


def _in_unit(limit: Limit, series: Series, unit: str) -> float | None:
    """Return a lower limit in the unit of the curve, by the ratio in which the series' own results stand in both."""
    if limit.unit == unit:
        return limit.at_least
    here = _results(series, limit.quantity_name[:5])
    there = _results(series, limit.quantity_name)
    if limit.at_least is None or not here or not there or not there[0].quantity.value:
        return None
    if here[0].quantity.unit != unit or there[0].quantity.unit != limit.unit:
        return None
    return limit.at_least * here[0].quantity.value / there[0].quantity.value


def _in_words(group: Sequence[Series], names: Sequence[str]) -> str:
    told: list[str] = []
    for series, name in zip(group, names, strict=True):
        found = [f"MTF50 {format_quantity(result.quantity)}" for result in _results(series, "mtf50")[:1]]
        found += [f"MTF10 {format_quantity(result.quantity)}" for result in _results(series, "mtf10")[:1]]
        if found:
            told.append(f"{name}: {', '.join(found)}" if name else ", ".join(found))
    return f"{'; '.join(told)}." if told else "Modulation falls with spatial frequency."


def _table(
    group: Sequence[Series], names: Sequence[str], unit: str
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the first trace of each series at round frequencies, by linear interpolation between its points."""
    traces = [series.traces[0] for series in group]
    reach = max(max(trace.x) for trace in traces)
    step = _TABLE_STEP if unit == "cy/px" else reach / 10
    frequencies = [index * step for index in range(int(min(reach, 10 * step) / step + 1e-9) + 1)]
    columns = (axis_label("Spatial frequency", unit), *(name or "Modulation" for name in names))
    rows = tuple((format_number(f, 2), *(_at(trace.x, trace.y, f) for trace in traces)) for f in frequencies)
    return columns, rows


def _at(xs: Sequence[float], ys: Sequence[float], x: float) -> str:
    for (x1, y1), (x2, y2) in itertools.pairwise(zip(xs, ys, strict=True)):
        if x1 <= x <= x2 and x2 > x1:
            return format_number(y1 + (y2 - y1) * (x - x1) / (x2 - x1), 3)
    return "–"
