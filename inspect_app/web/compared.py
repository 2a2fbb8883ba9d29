"""What a comparison shows: for each check a table of results, its curves overlaid, and value ± U against the limits."""

import hashlib
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from markupsafe import Markup

from inspect_app.documents import wording
from inspect_app.documents.figures import (
    Beside,
    Figure,
    OverLight,
    Part,
    combined_figures,
    over_light_figure,
    side_by_side_figure,
)
from inspect_app.errors import InspectError
from inspect_app.model import Limit
from inspect_app.quantity import Quantity, conversion_factor, format_quantity
from inspect_app.web.shown import ShownFigure, figure_as_shown
from inspect_app.workflow import ComparedResult, Comparison

_ILLUMINANCE: Final = "illuminance_lx"
_OVER_LIGHT: Final = ("bar-target", "slanted-edge", "step-wedge")
_LINE_STYLES: Final = 4
_DIGITS: Final = 16
_VIEW: Final = re.compile(r'viewBox="[-0-9. ]+"')


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One quantity under one condition, printed for each of those compared in the one unit that stands at its name."""

    name: str
    under: str
    unit: str
    demands: tuple[str, ...]
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """What one check found: its rows, its curves, and one drawing for each row."""

    check: str
    title: str
    rows: tuple[Row, ...]
    curves: tuple[Figure, ...]
    bars: tuple[Figure, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSection:
    """A section as the page holds it: its drawings are those of the sheet."""

    section: Section
    curves: tuple[ShownFigure, ...]
    bars: tuple[ShownFigure, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All drawings of a comparison as one file, in which each has its number as `id`."""

    svg: str
    digest: str


def sections(found: Comparison) -> tuple[Section, ...]:
    """Return one section for each check that has results, in the order of the form."""
    by_check: dict[str, list[ComparedResult]] = {}
    for result in found.results:
        by_check.setdefault(result.check, []).append(result)
    return tuple(
        Section(
            check=check,
            title=wording.name_in_words(check),
            rows=tuple(_row(result) for result in results),
            curves=(*_transfer(found, check), *_over_light(found, check, results)),
            bars=tuple(_bar(found, result) for result in results),
        )
        for check, results in by_check.items()
    )


def sheet(found: Sequence[Section]) -> Sheet:
    """Gather the drawings into one file: the page refers to it, so that it stays small and the file is fetched once."""
    drawn = (figure.svg for section in found for figure in (*section.curves, *section.bars))
    named = "".join(svg.replace("<svg ", f'<svg id="f{place}" ', 1) for place, svg in enumerate(drawn))
    svg = f'<svg xmlns="http://www.w3.org/2000/svg">{named}</svg>'
    return Sheet(svg=svg, digest=hashlib.sha256(svg.encode()).hexdigest()[:_DIGITS])


def shown_sections(found: Sequence[Section], address: str) -> tuple[ShownSection, ...]:
    """Return sections as the page holds them; `address` is that of the sheet of the same sections."""
    places = itertools.count()
    return tuple(
        ShownSection(
            section=section,
            curves=tuple(_referring(figure, f"{address}#f{next(places)}") for figure in section.curves),
            bars=tuple(_bar_referring(figure, f"{address}#f{next(places)}") for figure in section.bars),
        )
        for section in found
    )


def _referring(figure: Figure, address: str) -> ShownFigure:
    view = _VIEW.search(figure.svg)
    svg = Markup('<svg {} class="figure" role="img" aria-label="{}"><use href="{}"/></svg>').format(
        Markup(view[0]) if view else "",  # noqa: S704  # numbers of our own
        figure.title,
        address,
    )
    return replace(figure_as_shown(figure), svg=svg)


def _bar_referring(figure: Figure, address: str) -> ShownFigure:
    """Leave the words out: the row of the table says the same."""
    return replace(_referring(figure, address), text_alternative="")


def _row(result: ComparedResult) -> Row:
    unit = _unit(result)
    printed = ("–" if quantity is None else format_quantity(quantity) for quantity in result.quantities)
    return Row(
        name=wording.name_in_words(result.quantity_name),
        under=wording.condition_text(result.condition),
        unit="" if unit == "1" else unit,
        demands=tuple(dict.fromkeys(wording.demand_text(limit) for limit in result.limits)),
        cells=tuple(text.removesuffix(f" {unit}") for text in printed),
    )


def _unit(result: ComparedResult) -> str:
    """Return the unit that all quantities of a result are in."""
    return next(quantity.unit for quantity in result.quantities if quantity is not None)


def _bar(found: Comparison, result: ComparedResult) -> Figure:
    beside = [
        Beside(label=one.label, quantity=quantity)
        for one, quantity in zip(found.compared, result.quantities, strict=True)
    ]
    title = wording.titled(wording.name_in_words(result.quantity_name), result.condition)
    return side_by_side_figure(title, beside, _bounds(result.limits, _unit(result)))


def _bounds(limits: Sequence[Limit], unit: str) -> tuple[float, ...]:
    found: dict[float, None] = {}
    for limit in limits:
        try:
            factor = conversion_factor(limit.unit, unit)
        except InspectError:
            continue
        found |= dict.fromkeys(b * factor for b in (limit.at_least, limit.at_most) if b is not None)
    return tuple(found)


def _transfer(found: Comparison, check: str) -> tuple[Figure, ...]:
    """Return the modulation transfer of the devices, overlaid for each axis and illuminance."""
    if check != "slanted-edge":
        return ()
    parts: dict[str, list[Part]] = {}
    for one in found.compared:
        for step_id, entry in one.entries.items():
            if entry.measured is not None and entry.measured.check == check:
                condition = {**one.conditions.get(step_id, {}), "device": one.label}
                parts.setdefault(step_id, []).append(Part(measured=entry.measured, condition=condition))
    return tuple(figure for own in parts.values() if len(own) > 1 for figure in combined_figures(own))


def _over_light(found: Comparison, check: str, results: Sequence[ComparedResult]) -> Iterator[Figure]:
    """Yield resolution and dynamic range over the illuminance, where at least two illuminances were measured."""
    groups: dict[tuple[str, str], list[ComparedResult]] = {}
    for result in results if check in _OVER_LIGHT else ():
        if isinstance(result.condition.get(_ILLUMINANCE), int | float):
            rest = wording.condition_text({n: v for n, v in result.condition.items() if n != _ILLUMINANCE})
            groups.setdefault((result.quantity_name, rest), []).append(result)
    for (name, rest), alike in groups.items():
        title = f"{wording.name_in_words(name)} over illuminance{', ' + rest if rest else ''}"
        series = [s for i, one in enumerate(found.compared) if len((s := _series(one.label, alike, i)).points) > 1]
        for start in range(0, len(series), _LINE_STYLES):
            yield over_light_figure(title, series[start : start + _LINE_STYLES])


def _series(label: str, results: Sequence[ComparedResult], index: int) -> OverLight:
    points: list[tuple[float, Quantity]] = []
    for result in results:
        quantity, lx = result.quantities[index], result.condition[_ILLUMINANCE]
        if quantity is not None and isinstance(lx, int | float):
            points.append((float(lx), quantity))
    return OverLight(label=label, points=tuple(sorted(points, key=lambda point: point[0])))
