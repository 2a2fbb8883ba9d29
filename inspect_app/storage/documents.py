"""Issued documents, kept files and past events in the record."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, func, or_, select, union
from sqlalchemy.orm import Session

from inspect_app.model import (
    About,
    AboutFleet,
    AboutInspection,
    AboutLot,
    AboutReport,
    AboutReturn,
    Device,
    Document,
    DocumentEnd,
    DocumentKind,
    Event,
    Evidence,
    Lot,
    Person,
)
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import (
    device_of,
    document_of,
    event_of,
    evidence_of,
    lot_of,
    scope_text,
    shipment_of,
)
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
    ReportRow,
    ShipmentRow,
    SignatureRow,
)

Issued = tuple[Document, Device | None, Lot | None]
"""A document with the device and the lot that it is about; a report is about no one device."""
_ISSUED: Final = (DocumentRow, ReportRow, DeviceRow, LotRow, ShipmentRow)


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
    act: Act, *, number: str, kind: DocumentKind, sequence: int, about: About, sha256: str, issued_by: Person
) -> Document:
    """Name an issued document in the record."""
    rests_on = about if isinstance(about, AboutInspection) else None
    row = act.add(
        DocumentRow(
            number=number,
            kind=kind,
            year=act.at.year,
            sequence=sequence,
            inspection_id=None if rests_on is None else rests_on.inspection_id,
            signature_id=None if rests_on is None else rests_on.signature_id,
            sha256=sha256,
            issued_at=act.at,
            issued_by_id=issued_by.id,
        )
    )
    report = None if isinstance(about, AboutInspection) else act.add(_report(row.id, about))
    return document_of(row, issued_by, report=report)


def _report(document_id: int, about: AboutReport) -> ReportRow:
    return ReportRow(
        document_id=document_id,
        lot_id=about.lot_id if isinstance(about, AboutLot) else None,
        return_shipment_id=about.return_shipment_id if isinstance(about, AboutReturn) else None,
        scope=scope_text(about) if isinstance(about, AboutFleet) else None,
    )


def document(session: Session, number: str) -> Document | None:
    """Return the document with a number."""
    return next(iter(_documents(session, DocumentRow.number == number)), None)


def document_of_bytes(session: Session, sha256: str) -> Document | None:
    """Return the document whose file has a digest."""
    return next(iter(_documents(session, DocumentRow.sha256 == sha256)), None)


def documents_about(session: Session, about: About) -> tuple[Document, ...]:
    """Return the documents about a thing, newest first; on an inspection, those that rest on the signature."""
    return _documents(session, _is_about(about))


def _is_about(about: About) -> ColumnElement[bool]:
    match about:
        case AboutInspection():
            return DocumentRow.signature_id == about.signature_id
        case AboutLot():
            return ReportRow.lot_id == about.lot_id
        case AboutReturn():
            return ReportRow.return_shipment_id == about.return_shipment_id
        case AboutFleet():
            return ReportRow.scope == scope_text(about)


def _documents(session: Session, which: ColumnElement[bool]) -> tuple[Document, ...]:
    everybody, ended = people(session), ends(session)
    statement = (
        select(DocumentRow, ReportRow)
        .outerjoin(ReportRow, ReportRow.document_id == DocumentRow.id)
        .where(which)
        .order_by(DocumentRow.id.desc())
    )
    return tuple(
        document_of(row, everybody[row.issued_by_id], ended.get(row.id), report)
        for row, report in session.execute(statement)
    )


def documents_of_inspections(session: Session, inspection_ids: Collection[int]) -> Mapping[int, list[Document]]:
    """Return the documents of inspections, newest first."""
    found: dict[int, list[Document]] = {}
    for one in _documents(session, DocumentRow.inspection_id.in_(inspection_ids)):
        if isinstance(one.about, AboutInspection):
            found.setdefault(one.about.inspection_id, []).append(one)
    return found


def some_documents(session: Session, text: str, *, start: int = 0, count: int | None = None) -> tuple[Issued, ...]:
    """Return documents with `text` in number, serial or lot, newest first, with the device and lot they are about."""
    return _with_matter(session, _issued(select(*_ISSUED), text).offset(start).limit(count))


def documents_of_lots(session: Session, lot_ids: Collection[int]) -> tuple[Issued, ...]:
    """Return the documents about lots and their devices, in order of issue."""
    statement = _issued(select(*_ISSUED), "").where(LotRow.id.in_(lot_ids))
    return _with_matter(session, statement.order_by(None).order_by(DocumentRow.id))


def count_documents(session: Session, text: str) -> int:
    """Return how many documents have `text` in number, serial or lot."""
    if not text:
        return session.scalar(select(func.count(DocumentRow.id))) or 0
    found = _issued(select(DocumentRow.id), text).order_by(None).subquery()
    return session.scalar(select(func.count()).select_from(found)) or 0


def found_keys(text: str) -> Select[*tuple[Any, ...]]:
    """Return the statement that finds the keys of the documents with `text` in number, serial or lot."""
    return _issued(select(DocumentRow.id), text).order_by(None)


def documents_by_key(
    session: Session, keys: Collection[int]
) -> tuple[tuple[int, Document, Device | None, Lot | None], ...]:
    """Return documents with their keys, devices and lots, newest first."""
    rows = session.execute(_issued(select(DocumentRow.id, *_ISSUED), "").where(DocumentRow.id.in_(keys))).all()
    everybody, ended = people(session), ends(session)
    return tuple((key, *_valued(row, everybody, ended)) for key, *row in rows)


def _issued(statement: Select[*tuple[Any, ...]], text: str) -> Select[*tuple[Any, ...]]:
    statement = (
        statement.select_from(DocumentRow)
        .outerjoin(ReportRow, ReportRow.document_id == DocumentRow.id)
        .outerjoin(InspectionRow, InspectionRow.id == DocumentRow.inspection_id)
        .outerjoin(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .outerjoin(LotRow, LotRow.id == func.coalesce(InspectionRow.lot_id, ReportRow.lot_id))
        .outerjoin(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .order_by(DocumentRow.id.desc())
    )
    if not text:
        return statement
    columns = (DocumentRow.number, DeviceRow.serial, LotRow.number)
    return statement.where(or_(*(column.icontains(text, autoescape=True) for column in columns)))


def _with_matter(session: Session, statement: Select[*tuple[Any, ...]]) -> tuple[Issued, ...]:
    everybody, ended = people(session), ends(session)
    return tuple(_valued(row, everybody, ended) for row in session.execute(statement))


def _valued(rows: Sequence[Any], everybody: Mapping[int, Person], ended: Mapping[int, DocumentEnd]) -> Issued:
    row, report, device, lot, shipment = rows
    return (
        document_of(row, everybody[row.issued_by_id], ended.get(row.id), report),
        None if device is None else device_of(device, lot.device_class),
        None if lot is None else lot_of(lot, shipment_of(shipment, everybody[shipment.received_by_id])),
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
