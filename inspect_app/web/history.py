"""The history of a device as shown: every result under one condition in a row, one column for each inspection."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from inspect_app.documents import wording
from inspect_app.model import Entry, Evidence, Inspection
from inspect_app.quantity import Quantity, format_quantity
from inspect_app.web.charts import over_time_chart
from inspect_app.workflow import DeviceHistory

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
    cells: tuple[str, ...]
    chart: Markup | None


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


def occasions(told: DeviceHistory) -> tuple[Occasion, ...]:
    """Return the inspections, oldest first."""
    return tuple(Occasion(inspection_id=one.id, at=one.opened_at) for one in _oldest_first(told))


def over_time(told: DeviceHistory, titles: Titles) -> tuple[StepRows, ...]:
    """Return one row for each quantity and condition, step by step, in the order in which they were first measured."""
    inspections = _oldest_first(told)
    found: dict[str, dict[tuple[str, str], dict[int, Quantity]]] = {}
    for inspection in inspections:
        for step_id, entry in inspection.entries.items():
            for name, under, quantity in _results(entry):
                found.setdefault(step_id, {}).setdefault((name, under), {})[inspection.id] = quantity
    return tuple(
        StepRows(
            title=titles.get(step_id, step_id),
            rows=tuple(_row(name, under, values, inspections) for (name, under), values in rows.items()),
        )
        for step_id, rows in found.items()
    )


def evidence(told: DeviceHistory, titles: Titles) -> tuple[ShownEvidence, ...]:
    """Return the files of every step, newest inspection first."""
    return tuple(
        ShownEvidence(inspection_id=one.inspection.id, step_title=titles.get(step_id, step_id), files=entry.evidence)
        for one in told.inspections
        for step_id, entry in one.inspection.entries.items()
        if entry.evidence
    )


def _oldest_first(told: DeviceHistory) -> tuple[Inspection, ...]:
    return tuple(sorted((one.inspection for one in told.inspections), key=lambda one: one.opened_at))


def _results(entry: Entry) -> Sequence[tuple[str, str, Quantity]]:
    if entry.measured is None:
        return ()
    return tuple(
        (result.quantity_name, wording.condition_text(result.condition), result.quantity)
        for result in entry.measured.results
    )


def _row(name: str, under: str, found: dict[int, Quantity], inspections: Sequence[Inspection]) -> QuantityRow:
    measured = [(one.opened_at, found[one.id]) for one in inspections if one.id in found]
    words = wording.name_in_words(name)
    return QuantityRow(
        name=words,
        under=under,
        cells=tuple(format_quantity(found[one.id]) if one.id in found else "" for one in inspections),
        chart=over_time_chart(words, measured) if len(measured) > 1 else None,
    )
