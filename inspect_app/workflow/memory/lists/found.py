"""Lists of what was found: inspections, results, documents, nonconformities, what was sent back."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from inspect_app.documents.tabular import Cell, Table
from inspect_app.model import Entry, Inspection, Nonconformity, Result, ReturnShipment
from inspect_app.storage import Session, listing
from inspect_app.storage.listing import ListedInspection, Span
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.memory.lists._parts import condition_text, joined
from inspect_app.workflow.papers.issued import IssuedDocument
from inspect_app.workflow.workplace import Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedDocument:
    """An issued document with its key in the list."""

    id: int
    issued: IssuedDocument


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedResult:
    """One result of the newest entry of a step, with the inspection that it belongs to."""

    inspection: Inspection
    entry: Entry
    result: Result


def _documents(_workplace: Workplace, session: Session, span: Span, where: Where) -> Iterator[ListedDocument]:
    for key, document, device, lot in listing.issued(session, span, text=where.get("find", "")):
        yield ListedDocument(id=key, issued=IssuedDocument(document=document, device=device, lot=lot))


def _results(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[ListedResult]:
    for inspection in listing.inspections_of(session, span):
        for entry in inspection.entries.values():
            for result in () if entry.measured is None else entry.measured.results:
                yield ListedResult(inspection=inspection, entry=entry, result=result)


def _disposition(one: Nonconformity) -> Cell:
    return None if one.disposed is None or one.disposed.disposition is None else one.disposed.disposition.value


def _state(one: Nonconformity) -> str:
    if one.is_closed:
        return "closed"
    return "open" if one.disposed is None else "disposed"


INSPECTIONS: Final[Listing[ListedInspection]] = Listing(
    table=Table(
        name="inspections",
        columns={
            "inspection": lambda one: one.id,
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "device_class": lambda one: one.device.device_class,
            "lot": lambda one: one.lot.number,
            "contract": lambda one: one.lot.shipment.contract_number,
            "opened_at": lambda one: one.opened_at,
            "opened_by": lambda one: one.opened_by.name,
            "signed_at": lambda one: None if one.signature is None else one.signature.signed_at,
            "signed_by": lambda one: None if one.signature is None else one.signature.signed_by.name,
            "outcome": lambda one: None if one.signature is None else one.signature.outcome.value,
        },
    ),
    key_of=lambda one: one.id,
    rows=lambda _workplace, session, span, _where: listing.opened(session, span),
)
RESULTS: Final[Listing[ListedResult]] = Listing(
    table=Table(
        name="results",
        columns={
            "inspection": lambda one: one.inspection.id,
            "serial": lambda one: one.inspection.device.serial,
            "maker": lambda one: one.inspection.device.maker,
            "device_class": lambda one: one.inspection.device.device_class,
            "lot": lambda one: one.inspection.lot.number,
            "contract": lambda one: one.inspection.lot.shipment.contract_number,
            "step": lambda one: one.entry.step_id,
            "check": lambda one: None if one.entry.measured is None else one.entry.measured.check,
            "quantity": lambda one: one.result.quantity_name,
            "condition": lambda one: condition_text(one.result.condition),
            "value": lambda one: one.result.quantity.value,
            "standard_uncertainty": lambda one: one.result.quantity.standard_uncertainty,
            "unit": lambda one: one.result.quantity.unit,
            "degrees_of_freedom": lambda one: one.result.quantity.degrees_of_freedom,
            "is_corrected": lambda one: one.entry.counting_correction is not None,
            "instruments": lambda one: joined(f"{each.kind} {each.serial}" for each in one.entry.instruments),
            "recorded_at": lambda one: one.entry.recorded_at,
            "recorded_by": lambda one: one.entry.recorded_by.name,
            "outcome": lambda one: None if one.inspection.signature is None else one.inspection.signature.outcome.value,
        },
    ),
    rows=_results,
)
DOCUMENTS: Final[Listing[ListedDocument]] = Listing(
    table=Table(
        name="documents",
        columns={
            "number": lambda one: one.issued.document.number,
            "kind": lambda one: one.issued.document.kind.value,
            "serial": lambda one: None if one.issued.device is None else one.issued.device.serial,
            "maker": lambda one: None if one.issued.device is None else one.issued.device.maker,
            "lot": lambda one: None if one.issued.lot is None else one.issued.lot.number,
            "issued_at": lambda one: one.issued.document.issued_at,
            "issued_by": lambda one: one.issued.document.issued_by.name,
            "sha256": lambda one: one.issued.document.sha256,
            "ended": lambda one: None if one.issued.document.end is None else one.issued.document.end.manner.value,
            "ended_at": lambda one: None if one.issued.document.end is None else one.issued.document.end.ended_at,
            "successor": lambda one: None if one.issued.document.end is None else one.issued.document.end.successor,
        },
    ),
    key_of=lambda one: one.id,
    rows=_documents,
    filters=("find",),
)
NONCONFORMITIES: Final[Listing[Nonconformity]] = Listing(
    table=Table(
        name="nonconformities",
        columns={
            "number": lambda one: one.number,
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "lot": lambda one: one.lot.number,
            "clause": lambda one: one.clause,
            "demand": lambda one: one.title,
            "check": lambda one: one.check,
            "quantity": lambda one: one.quantity_name,
            "class": lambda one: one.severity.value,
            "finding": lambda one: one.finding,
            "found_at": lambda one: one.found_at,
            "found_by": lambda one: one.found_by.name,
            "disposition": _disposition,
            "state": _state,
        },
    ),
    key_of=lambda one: one.id,
    rows=lambda _workplace, session, span, _where: listing.found(session, span),
)
RETURNS: Final[Listing[ReturnShipment]] = Listing(
    table=Table(
        name="returns",
        columns={
            "reference": lambda one: one.reference,
            "supplier": lambda one: one.supplier,
            "sent_at": lambda one: one.sent_at,
            "sent_by": lambda one: one.sent_by.name,
            "devices": lambda one: joined(serial for _, serial in one.devices),
            "remark": lambda one: one.remark,
        },
    ),
    key_of=lambda one: one.id,
    rows=lambda _workplace, session, span, _where: listing.returns(session, span),
)
