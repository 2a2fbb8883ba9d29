"""Issued documents, kept files and past events in the record."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Select, func, or_, select, union
from sqlalchemy.orm import Session

from inspect_app.model import Device, Document, DocumentEnd, DocumentKind, Event, Evidence, Lot, Person
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import device_of, document_of, event_of, evidence_of, lot_of, shipment_of
from inspect_app.storage.evidence import KeptFile
from inspect_app.storage.people import people
from inspect_app.storage.standing import ends
from inspect_app.storage.tables import (
    ArrivalRow,
    DeviceRow,
    DocumentEndRow,
    DocumentRow,
    EntryEvidenceRow,
    EntryRow,
    EventRow,
    EvidenceRow,
    InspectionRow,
    LotRow,
    ReopeningRow,
    ShipmentRow,
    SignatureRow,
)

_ISSUED: Final = (DocumentRow, DeviceRow, LotRow, ShipmentRow)


def evidence(session: Session, sha256: str) -> Evidence | None:
    """Return a kept file."""
    row = session.get(EvidenceRow, sha256)
    return None if row is None else evidence_of(row)


def all_evidence(session: Session) -> Iterator[tuple[str, int, str]]:
    """Yield digest, size in bytes and name of every kept file."""
    statement = select(EvidenceRow.sha256, EvidenceRow.size_bytes, EvidenceRow.name).order_by(EvidenceRow.sha256)
    yield from session.execute(statement.execution_options(yield_per=1000))


def add_evidence(act: Act, file: KeptFile, *, name: str, kept_by: Person) -> Evidence:
    """Name a kept file in the record; the same bytes are named once."""
    row = act.session.get(EvidenceRow, file.sha256)
    if row is None:
        row = act.add(
            EvidenceRow(
                sha256=file.sha256,
                name=name,
                media_type=file.media_type,
                size_bytes=file.size_bytes,
                kept_at=act.at,
                kept_by_id=kept_by.id,
            )
        )
    return evidence_of(row)


def next_sequence(session: Session, kind: DocumentKind, year: int) -> int:
    """Return the next number of a kind of document in a year; numbers run without gaps."""
    statement = select(func.max(DocumentRow.sequence)).where(DocumentRow.kind == kind, DocumentRow.year == year)
    return (session.scalar(statement) or 0) + 1


def add_document(
    act: Act,
    *,
    number: str,
    kind: DocumentKind,
    sequence: int,
    inspection_id: int,
    signature_id: int,
    sha256: str,
    issued_by: Person,
) -> Document:
    """Name an issued document in the record."""
    row = DocumentRow(
        number=number,
        kind=kind,
        year=act.at.year,
        sequence=sequence,
        inspection_id=inspection_id,
        signature_id=signature_id,
        sha256=sha256,
        issued_at=act.at,
        issued_by_id=issued_by.id,
    )
    return document_of(act.add(row), issued_by)


def document(session: Session, number: str) -> Document | None:
    """Return the document with a number."""
    row = session.scalar(select(DocumentRow).where(DocumentRow.number == number))
    return None if row is None else document_of(row, people(session)[row.issued_by_id], ends(session).get(row.id))


def document_of_bytes(session: Session, sha256: str) -> Document | None:
    """Return the document whose file has a digest."""
    row = session.scalar(select(DocumentRow).where(DocumentRow.sha256 == sha256))
    return None if row is None else document_of(row, people(session)[row.issued_by_id], ends(session).get(row.id))


def newest_on_signature(session: Session, signature_id: int) -> Document | None:
    """Return the newest document that rests on a signature."""
    statement = select(DocumentRow).where(DocumentRow.signature_id == signature_id).order_by(DocumentRow.id.desc())
    row = session.scalars(statement.limit(1)).first()
    return None if row is None else document_of(row, people(session)[row.issued_by_id], ends(session).get(row.id))


def documents_of_inspections(session: Session, inspection_ids: Collection[int]) -> Mapping[int, list[Document]]:
    """Return the documents of inspections, newest first."""
    everybody, ended = people(session), ends(session)
    statement = select(DocumentRow).where(DocumentRow.inspection_id.in_(inspection_ids)).order_by(DocumentRow.id.desc())
    found: dict[int, list[Document]] = {}
    for row in session.scalars(statement):
        issued = document_of(row, everybody[row.issued_by_id], ended.get(row.id))
        found.setdefault(row.inspection_id, []).append(issued)
    return found


def all_documents(session: Session) -> tuple[tuple[Document, Device, Lot], ...]:
    """Return every document with its device and lot, newest first."""
    return _with_device_and_lot(session, _issued(select(*_ISSUED), ""))


def some_documents(session: Session, text: str, *, start: int, count: int) -> tuple[tuple[Document, Device, Lot], ...]:
    """Return documents with `text` in number, serial or lot, newest first, from a place in that order on."""
    return _with_device_and_lot(session, _issued(select(*_ISSUED), text).offset(start).limit(count))


def count_documents(session: Session, text: str) -> int:
    """Return how many documents have `text` in number, serial or lot."""
    if not text:
        return session.scalar(select(func.count(DocumentRow.id))) or 0
    found = _issued(select(DocumentRow.id), text).order_by(None).subquery()
    return session.scalar(select(func.count()).select_from(found)) or 0


def found_keys(text: str) -> Select[*tuple[Any, ...]]:
    """Return the statement that finds the keys of the documents with `text` in number, serial or lot."""
    return _issued(select(DocumentRow.id), text).order_by(None)


def documents_by_key(session: Session, keys: Collection[int]) -> tuple[tuple[int, Document, Device, Lot], ...]:
    """Return documents with their keys, devices and lots, newest first."""
    rows = session.execute(_issued(select(DocumentRow.id, *_ISSUED), "").where(DocumentRow.id.in_(keys))).all()
    everybody, ended = people(session), ends(session)
    return tuple((key, *_valued(row, everybody, ended)) for key, *row in rows)


def _issued(statement: Select[*tuple[Any, ...]], text: str) -> Select[*tuple[Any, ...]]:
    statement = (
        statement.join(InspectionRow, InspectionRow.id == DocumentRow.inspection_id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .order_by(DocumentRow.id.desc())
    )
    if not text:
        return statement
    columns = (DocumentRow.number, DeviceRow.serial, LotRow.number)
    return statement.where(or_(*(column.icontains(text, autoescape=True) for column in columns)))


def _with_device_and_lot(
    session: Session, statement: Select[*tuple[Any, ...]]
) -> tuple[tuple[Document, Device, Lot], ...]:
    everybody, ended = people(session), ends(session)
    return tuple(_valued(row, everybody, ended) for row in session.execute(statement))


def _valued(
    rows: Sequence[Any], everybody: Mapping[int, Person], ended: Mapping[int, DocumentEnd]
) -> tuple[Document, Device, Lot]:
    row, device, lot, shipment = rows
    return (
        document_of(row, everybody[row.issued_by_id], ended.get(row.id)),
        device_of(device, lot.device_class),
        lot_of(lot, shipment_of(shipment, everybody[shipment.received_by_id])),
    )


def events(session: Session, before: int | None, count: int) -> tuple[Event, ...]:
    """Return past events, newest first."""
    statement = select(EventRow).order_by(EventRow.id.desc()).limit(count)
    if before is not None:
        statement = statement.where(EventRow.id < before)
    return tuple(event_of(row) for row in session.scalars(statement))


def events_of_device(session: Session, device_id: int) -> tuple[Event, ...]:
    """Return every event that wrote something about a device, newest first."""
    mine = select(InspectionRow.id).where(InspectionRow.device_id == device_id)
    entries = select(EntryRow.id).where(EntryRow.inspection_id.in_(mine))
    files = select(EntryEvidenceRow.sha256).where(EntryEvidenceRow.entry_id.in_(entries))
    signatures = select(SignatureRow.id).where(SignatureRow.inspection_id.in_(mine))
    documents = select(DocumentRow.id).where(DocumentRow.inspection_id.in_(mine))
    wrote = union(
        select(DeviceRow.event_id).where(DeviceRow.id == device_id),
        select(ArrivalRow.event_id).where(ArrivalRow.device_id == device_id),
        select(InspectionRow.event_id).where(InspectionRow.device_id == device_id),
        select(EntryRow.event_id).where(EntryRow.inspection_id.in_(mine)),
        select(EvidenceRow.event_id).where(EvidenceRow.sha256.in_(files)),
        select(SignatureRow.event_id).where(SignatureRow.inspection_id.in_(mine)),
        select(ReopeningRow.event_id).where(ReopeningRow.signature_id.in_(signatures)),
        select(DocumentRow.event_id).where(DocumentRow.inspection_id.in_(mine)),
        select(DocumentEndRow.event_id).where(DocumentEndRow.document_id.in_(documents)),
    ).subquery()
    statement = select(EventRow).where(EventRow.id.in_(select(wrote.c.event_id))).order_by(EventRow.id.desc())
    return tuple(event_of(row) for row in session.scalars(statement))
