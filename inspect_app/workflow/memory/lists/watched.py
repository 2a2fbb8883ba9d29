"""Lists of the references that are read again and again: what is watched, and every reading."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from inspect_app.documents.tabular import Table
from inspect_app.errors import UnusableInput
from inspect_app.model import Reference, ReferenceReading
from inspect_app.storage import Session, references
from inspect_app.storage.listing import Span
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.memory.lists._parts import condition_text, joined, part_of
from inspect_app.workflow.workplace import Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedReading:
    """A reading with the reference that it is of."""

    reference: Reference
    reading: ReferenceReading


def _references(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[Reference]:
    return part_of((one.reference for one in references.watched(session)), span, lambda one: one.id)


def _readings(_workplace: Workplace, session: Session, _span: Span, where: Where) -> Iterator[ListedReading]:
    origin = where.get("origin", "")
    if origin not in ("", "typed"):
        raise UnusableInput("origin", f"'{origin[:40]}' is none of a reading", "Use typed, or leave it out.")
    for one in sorted(references.watched(session), key=lambda one: one.reference.id):
        for reading in one.readings:
            if not (origin and reading.files):
                yield ListedReading(reference=one.reference, reading=reading)


REFERENCES: Final[Listing[Reference]] = Listing(
    table=Table(
        name="references",
        columns={
            "name": lambda one: one.name,
            "check": lambda one: one.check,
            "quantity": lambda one: one.quantity_name,
            "unit": lambda one: one.unit,
            "condition": lambda one: condition_text(one.condition),
            "options": lambda one: condition_text(one.options),
        },
    ),
    key_of=lambda one: one.id,
    rows=_references,
)
REFERENCE_READINGS: Final[Listing[ListedReading]] = Listing(
    table=Table(
        name="reference-readings",
        columns={
            "reference": lambda one: one.reference.name,
            "value": lambda one: one.reading.quantity.value,
            "standard_uncertainty": lambda one: one.reading.quantity.standard_uncertainty,
            "unit": lambda one: one.reading.quantity.unit,
            "read_at": lambda one: one.reading.read_at,
            "read_by": lambda one: one.reading.read_by.name,
            "remark": lambda one: one.reading.remark,
            "captures": lambda one: joined(sha256 for sha256, _ in one.reading.files),
        },
    ),
    rows=_readings,
    filters=("origin",),
)
