"""The history of a device as shown: every result under one condition in a row, one column for each inspection."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from inspect_app.definitions import Form, Step
from inspect_app.documents import wording
from inspect_app.model import Condition, Device, Entry, Evidence, Inspection, Limit
from inspect_app.model.device_past import DeviceLink
from inspect_app.quantity import conversion_factor, decimals_for, format_number, format_quantity, with_unit
from inspect_app.web.charts import Point, instrument_changes, over_time_chart
from inspect_app.workflow import COVERAGE, Change, Changes, DeviceHistory, InspectionHistory, standing_links

Titles = Mapping[str, str]
"""Title of each step by its id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Occasion:
    """One inspection as the head of a column."""

    inspection_id: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityRow:
    """One quantity under one condition over all inspections; a cell is empty where it was not measured."""

    name: str
    under: str
    demands: tuple[str, ...]
    cells: tuple[str, ...]
    chart: Markup | None
    instrument_changes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRows:
    """The quantities of one step."""

    title: str
    rows: tuple[QuantityRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownEvidence:
    """The files of one step of one inspection."""

    inspection_id: int
    step_title: str
    files: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLink:
    """Another identity of a device, with how it is known."""

    words: str
    other: Device
    link: DeviceLink


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownChange:
    """One quantity at two inspections, printed."""

    name: str
    under: str
    before: str
    after: str
    difference: str
    doubt: str
    stands_out: bool


def occasions(told: DeviceHistory) -> tuple[Occasion, ...]:
    """Return the inspections, oldest first."""
    return tuple(Occasion(inspection_id=one.id, at=one.opened_at) for one in _oldest_first(told))


def over_time(told: DeviceHistory, forms: Mapping[int, Form]) -> tuple[StepRows, ...]:
    """Return one row for each quantity and condition, step by step, in the order in which they were first measured.

    `forms` holds the form of each inspection by its key.
    """
    oldest_first = sorted(told.inspections, key=lambda one: one.inspection.opened_at)
    found: dict[str, dict[tuple[str, str], dict[int, Point]]] = {}
    titles: dict[str, str] = {}
    for past in oldest_first:
        limits = _limits(past)
        for step in forms[past.inspection.id].steps:
            entry = past.inspection.entries.get(step.id)
            if entry is not None and entry.measured is not None:
                titles[step.id] = step.title
                for name, under, point in _points(past, step, entry, limits):
                    found.setdefault(step.id, {}).setdefault((name, under), {})[past.inspection.id] = point
    keys = [past.inspection.id for past in oldest_first]
    return tuple(
        StepRows(
            title=titles[step_id],
            rows=tuple(_row(name, under, points, keys) for (name, under), points in rows.items()),
        )
        for step_id, rows in found.items()
    )


def _limits(past: InspectionHistory) -> tuple[Limit, ...]:
    """Return the limits that an inspection was judged by."""
    limits = (judgement.limit for judgement in past.assessment.judgements)
    return tuple(limit for limit in limits if isinstance(limit, Limit))


def _points(
    past: InspectionHistory, step: Step, entry: Entry, limits: Sequence[Limit]
) -> Iterator[tuple[str, str, Point]]:
    if entry.measured is None:
        return
    instruments = tuple(f"{one.name} {one.serial}" for one in entry.instruments)
    for result in entry.measured.results:
        under = {**step.condition, **result.condition}
        meant = [limit for limit in limits if _is_meant(limit, step.check, result.quantity_name, under)]
        point = Point(
            at=past.inspection.opened_at,
            quantity=result.quantity,
            bounds=tuple(dict.fromkeys(bound for limit in meant for bound in _bounds(limit, result.quantity.unit))),
            demand=" and ".join(dict.fromkeys(wording.demand_text(limit) for limit in meant)),
            instruments=instruments,
        )
        yield result.quantity_name, wording.condition_text(result.condition), point


def _is_meant(limit: Limit, check: str, quantity_name: str, under: Condition) -> bool:
    return (limit.check, limit.quantity_name) == (check, quantity_name) and all(
        under.get(name) == value for name, value in limit.condition.items()
    )


def _bounds(limit: Limit, unit: str) -> Iterator[float]:
    factor = conversion_factor(limit.unit, unit)
    yield from (bound * factor for bound in (limit.at_least, limit.at_most) if bound is not None)


def evidence(told: DeviceHistory, titles: Titles) -> tuple[ShownEvidence, ...]:
    """Return the files of every step, newest inspection first."""
    return tuple(
        ShownEvidence(inspection_id=one.inspection.id, step_title=titles.get(step_id, step_id), files=entry.evidence)
        for one in told.inspections
        for step_id, entry in one.inspection.entries.items()
        if entry.evidence
    )


def standing(said: tuple[DeviceLink, ...], device_id: int) -> tuple[ShownLink, ...]:
    """Return the identities that count: what the device was before, and what it is since."""
    return tuple(
        ShownLink(
            words="Was before" if link.device.id == device_id else "Is since",
            other=link.predecessor if link.device.id == device_id else link.device,
            link=link,
        )
        for link in standing_links(said)
    )


def changes(found: Changes) -> list[ShownChange]:
    """Return the changes between two inspections, printed."""
    return [_change(one) for one in found.changes]


def _change(one: Change) -> ShownChange:
    unit = one.before.unit
    sign = "+" if one.difference > 0 else ""
    digits = decimals_for(one.doubt / COVERAGE, one.difference)
    return ShownChange(
        name=wording.name_in_words(one.quantity_name),
        under=wording.condition_text(one.condition),
        before=format_quantity(one.before),
        after=format_quantity(one.after),
        difference=f"{sign}{with_unit(format_number(one.difference, digits), unit)}",
        doubt=with_unit(format_number(one.doubt, digits), unit),
        stands_out=one.stands_out,
    )


def _oldest_first(told: DeviceHistory) -> tuple[Inspection, ...]:
    return tuple(sorted((one.inspection for one in told.inspections), key=lambda one: one.opened_at))


def _row(name: str, under: str, found: Mapping[int, Point], inspection_ids: Sequence[int]) -> QuantityRow:
    points = [found[key] for key in inspection_ids if key in found]
    words = wording.name_in_words(name)
    changed = [f"{wording.day(points[place].at)}" for place in instrument_changes(points)]
    return QuantityRow(
        name=words,
        under=under,
        demands=tuple(dict.fromkeys(point.demand for point in points if point.demand)),
        cells=tuple(format_quantity(found[key].quantity) if key in found else "" for key in inspection_ids),
        chart=over_time_chart(words, points) if len(points) > 1 else None,
        instrument_changes=f"other instruments since {', '.join(changed)}" if changed else "",
    )
