"""What an audit pack takes from the record: the whole chain of events, and every row that its matter wrote."""

import hashlib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final, TypeVar

from sqlalchemy import Select, select, union
from sqlalchemy.orm import Session

from inspect_app.storage import audit
from inspect_app.storage.tables import (
    ArrivalRow,
    CalibrationRow,
    ContractRow,
    DeviceRow,
    DocumentRow,
    EntryEvidenceRow,
    EntryInstrumentRow,
    EntryRow,
    EventRow,
    EvidenceRow,
    FormRow,
    InspectionRow,
    InstrumentRow,
    LotRow,
    LotVerdictRow,
    NonconformityRow,
    ResubmissionRow,
    SampleChangeRow,
    SampleDrawRow,
    ShipmentRow,
    SignatureRow,
)

_AT_ONCE: Final = 500  # keys in one statement
_LINKS: Final = ("id", "digest", "previous_digest")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedFile:
    """A file of the evidence store that belongs into a pack."""

    sha256: str
    name: str
    media_type: str
    size_bytes: int


def inspection_ids(
    session: Session, *, contract_number: str | None = None, lot_id: int | None = None, device_id: int | None = None
) -> tuple[int, ...]:
    """Return the inspections of a contract, a lot or a device, oldest first."""
    statement = select(InspectionRow.id).order_by(InspectionRow.id)
    if device_id is not None:
        return tuple(session.scalars(statement.where(InspectionRow.device_id == device_id)))
    return tuple(session.scalars(statement.where(InspectionRow.lot_id.in_(_lots(contract_number, lot_id)))))


def lot_event_ids(
    session: Session, *, contract_number: str | None = None, lot_id: int | None = None, device_id: int | None = None
) -> frozenset[int]:
    """Return the events of draw, verdict and coming again of a lot, or of the lots of a contract.

    A device alone has none: they tell of the other devices of its lot.
    """
    if device_id is not None:
        return frozenset()
    lots = _lots(contract_number, lot_id)
    draws = select(SampleDrawRow.id).where(SampleDrawRow.lot_id.in_(lots))
    statement = union(
        select(SampleDrawRow.event_id).where(SampleDrawRow.lot_id.in_(lots)),
        select(SampleChangeRow.event_id).where(SampleChangeRow.draw_id.in_(draws)),
        select(LotVerdictRow.event_id).where(LotVerdictRow.lot_id.in_(lots)),
        select(ResubmissionRow.event_id).where(ResubmissionRow.lot_id.in_(lots)),
    )
    return frozenset(session.scalars(statement))


def _lots(contract_number: str | None, lot_id: int | None) -> Select[int] | tuple[int | None]:
    if contract_number is None:
        return (lot_id,)
    return (
        select(LotRow.id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .where(ShipmentRow.contract_number == contract_number)
    )


def files_of(session: Session, events: Collection[int]) -> Iterator[PackedFile]:
    """Yield every file whose keeping is among some events, documents apart."""
    is_document = select(DocumentRow.id).where(DocumentRow.sha256 == EvidenceRow.sha256).exists()
    for keys in _portions(sorted(events)):
        statement = select(EvidenceRow).where(EvidenceRow.event_id.in_(keys), ~is_document).order_by(EvidenceRow.sha256)
        for row in session.scalars(statement):
            yield PackedFile(sha256=row.sha256, name=row.name, media_type=row.media_type, size_bytes=row.size_bytes)


def document_files(session: Session, inspections: Collection[int]) -> Iterator[tuple[str, str]]:
    """Yield number and digest of each document on some inspections, those that no longer stand too."""
    for keys in _portions(inspections):
        statement = (
            select(DocumentRow.number, DocumentRow.sha256)
            .where(DocumentRow.inspection_id.in_(keys))
            .order_by(DocumentRow.id)
        )
        yield from ((number, sha256) for number, sha256 in session.execute(statement))


def event_ids(session: Session, inspections: Collection[int]) -> frozenset[int]:
    """Return the events that wrote anything about some inspections, from the contract to the last decision."""
    found: set[int] = set()
    for keys in _portions(inspections):
        for statement in _event_statements(keys):
            found.update(session.scalars(statement))
    return frozenset(found)


def event_lines(session: Session, events: Collection[int]) -> Iterator[str]:
    """Yield every event of the chain as canonical JSON, oldest first.

    Of events about other matters only the digests that link the chain are told: they may speak of others' devices.
    """
    statement = select(EventRow.__table__).order_by(EventRow.__table__.c.id).execution_options(yield_per=1000)
    for row in session.execute(statement):
        values = audit.plain_values(row)
        told = values if row.id in events else {name: values[name] for name in _LINKS}
        yield audit.canonical_json(told)


def row_lines(session: Session, events: Collection[int], devices: Collection[int]) -> Iterator[str]:
    """Yield every row that some events wrote, as the text that the event sealed; table by table.

    An act may have written of other devices too, such as all of one shipment: of those only the digest is told.
    """
    for kind in audit.sealed_tables():
        table = kind.__table__
        key = "id" if kind is DeviceRow else "device_id"
        for keys in _portions(sorted(events)):
            statement = select(table).where(table.c.event_id.in_(keys)).order_by(table.c.event_id)
            for row in session.execute(statement.execution_options(yield_per=1000)):
                values = audit.plain_values(row)
                text = audit.sealed_text(kind, values)
                is_of_another = key in values and values[key] not in devices
                yield audit.canonical_json(_digest_alone(row.event_id, text)) if is_of_another else text


def device_ids(
    session: Session, *, contract_number: str | None = None, lot_id: int | None = None, device_id: int | None = None
) -> frozenset[int]:
    """Return a device, or all that came in a lot or under a contract, inspected or not."""
    if device_id is not None:
        return frozenset({device_id})
    came = select(ArrivalRow.device_id).where(ArrivalRow.lot_id.in_(_lots(contract_number, lot_id)))
    return frozenset(session.scalars(came))


def _digest_alone(event_id: int, text: str) -> dict[str, Any]:
    return {"event_id": event_id, "row_digest": hashlib.sha256(text.encode()).hexdigest()}


def _portions(keys: Iterable[T]) -> Iterator[tuple[T, ...]]:
    left = iter(keys)
    while portion := tuple(islice(left, _AT_ONCE)):
        yield portion


def _event_statements(keys: tuple[int, ...]) -> Iterable[Select[Any]]:
    inspections = select(InspectionRow).where(InspectionRow.id.in_(keys)).subquery()
    entries = select(EntryRow.id).where(EntryRow.inspection_id.in_(keys))
    signatures = select(SignatureRow.id).where(SignatureRow.inspection_id.in_(keys))
    documents = select(DocumentRow.id).where(DocumentRow.inspection_id.in_(keys))
    lots = select(inspections.c.lot_id)
    shipments = select(LotRow.shipment_id).where(LotRow.id.in_(lots))
    failed = select(NonconformityRow.id).where(NonconformityRow.signature_id.in_(signatures))
    instruments = select(EntryInstrumentRow.instrument_id).where(EntryInstrumentRow.entry_id.in_(entries))
    files = union(
        select(EntryEvidenceRow.sha256).where(EntryEvidenceRow.entry_id.in_(entries)),
        select(DocumentRow.sha256).where(DocumentRow.inspection_id.in_(keys)),
    )
    yield select(InspectionRow.event_id).where(InspectionRow.id.in_(keys))
    yield select(DeviceRow.event_id).where(DeviceRow.id.in_(select(inspections.c.device_id)))
    yield select(FormRow.event_id).where(FormRow.id.in_(select(inspections.c.form_id)))
    yield select(ContractRow.event_id).where(ContractRow.id.in_(select(inspections.c.contract_id)))
    yield select(LotRow.event_id).where(LotRow.id.in_(lots))
    yield select(ShipmentRow.event_id).where(ShipmentRow.id.in_(shipments))
    yield select(ArrivalRow.event_id).where(
        ArrivalRow.lot_id.in_(lots), ArrivalRow.device_id.in_(select(inspections.c.device_id))
    )
    yield select(InstrumentRow.event_id).where(InstrumentRow.id.in_(instruments))
    yield select(CalibrationRow.event_id).where(CalibrationRow.instrument_id.in_(instruments))
    # Whatever hangs on an inspection belongs to it, also what a later table brings.
    hanging: dict[str, Any] = {
        "inspection_id": keys,
        "entry_id": entries,
        "signature_id": signatures,
        "document_id": documents,
        "nonconformity_id": failed,
    }
    for kind in audit.sealed_tables():
        columns = kind.__table__.c
        yield from (
            select(columns.event_id).where(columns[name].in_(of)) for name, of in hanging.items() if name in columns
        )
    yield select(EvidenceRow.event_id).where(EvidenceRow.sha256.in_(files))
