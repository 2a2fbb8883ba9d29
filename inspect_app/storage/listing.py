"""What the record lists, key after key: whole lists and pages of them go the same way, a batch in memory at a time."""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, TypeVar

from sqlalchemy import Select, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from inspect_app.model import (
    Device,
    Document,
    Event,
    Evidence,
    Inspection,
    Lot,
    Nonconformity,
    Outcome,
    Person,
    ReturnShipment,
    Shipment,
    Signature,
)
from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.storage import arrivals, documents, glance, nonconformities
from inspect_app.storage.arrivals import Arrived, LotCounts
from inspect_app.storage.convert import device_of, event_of, evidence_of, lot_of, shipment_of, signature_of
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.inspections import inspections
from inspect_app.storage.measured_over_time import NOT_TAKEN_BACK, characteristics, listed_result
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    ArrivalRow,
    DeviceRow,
    DeviceVerdictRow,
    DocumentRow,
    EventRow,
    EvidenceRow,
    InspectionRow,
    LotRow,
    NonconformityRow,
    ResultRow,
    ReturnShipmentRow,
    ShipmentRow,
    SignatureRow,
)

_BATCH: Final = 200
_SMALL_BATCH: Final = 20  # of what holds measurements with their curves
Key = int | str
V = TypeVar("V")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Which part of a list: the keys behind one, so many at most; everything where neither is said."""

    after: Key | None = None
    count: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedShipment:
    """A shipment with its lots and how many devices came."""

    shipment: Shipment
    lots: tuple[Lot, ...]
    devices: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedInspection:
    """An inspection without its entries."""

    id: int
    device: Device
    lot: Lot
    opened_at: datetime
    opened_by: Person
    signature: Signature | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedResult:
    """One result of a signed inspection with its device, its lot and what became of it."""

    id: int
    device: Device
    lot: Lot
    characteristic: Characteristic
    result: ListedResult
    outcome: Outcome
    signed_at: datetime


def _in_batches(
    session: Session, column: InstrumentedAttribute[Any], statement: Select[Any], span: Span, size: int = _BATCH
) -> Iterator[list[Any]]:
    """Yield the keys that a statement finds, in their order."""
    if span.after is not None:
        statement = statement.where(column > span.after)
    statement = statement.order_by(column).limit(span.count)
    yield from map(list, session.scalars(statement.execution_options(yield_per=size)).partitions(size))


def _ordered(keys: Iterable[int], found: Iterable[V], key_of: Callable[[V], int]) -> Iterator[V]:
    by_key = {key_of(one): one for one in found}
    return (by_key[key] for key in keys if key in by_key)


def shipments(session: Session, span: Span) -> Iterator[ListedShipment]:
    """Yield shipments in the order in which they came."""
    everybody = people(session)
    for keys in _in_batches(session, ShipmentRow.id, select(ShipmentRow.id), span):
        lots, devices = _lots_of_shipments(session, keys)
        for row in session.scalars(select(ShipmentRow).where(ShipmentRow.id.in_(keys)).order_by(ShipmentRow.id)):
            shipment = shipment_of(row, everybody[row.received_by_id])
            yield ListedShipment(
                shipment=shipment,
                lots=tuple(lot_of(lot, shipment) for lot in lots[row.id]),
                devices=devices.get(row.id, 0),
            )


def _lots_of_shipments(session: Session, keys: Collection[int]) -> tuple[dict[int, list[LotRow]], dict[int, int]]:
    lots: dict[int, list[LotRow]] = defaultdict(list)
    for row in session.scalars(select(LotRow).where(LotRow.shipment_id.in_(keys)).order_by(LotRow.id)):
        lots[row.shipment_id].append(row)
    counted = (
        select(LotRow.shipment_id, func.count(ArrivalRow.id))
        .join(ArrivalRow, ArrivalRow.lot_id == LotRow.id)
        .where(LotRow.shipment_id.in_(keys))
        .group_by(LotRow.shipment_id)
    )
    return lots, dict(session.execute(counted).all())


def lots(session: Session, span: Span, *, text: str = "", is_open: bool = False) -> Iterator[LotCounts]:
    """Yield lots in the order in which they came; those that are found by a text, or not concluded yet."""
    search = glance.LotSearch(text=text)
    if is_open:
        search = replace(search, among=glance.open_work(session).lots)
    for keys in _in_batches(session, LotRow.id, glance.found_lots(select(LotRow.id), search), span):
        yield from _ordered(keys, arrivals.lot_counts(session, keys), lambda one: one.lot.id)


def devices(session: Session, span: Span, *, serial: str = "", lot: str = "") -> Iterator[Arrived]:
    """Yield devices in the order in which they came first, each as it came last; or as it came in the lot of a number.

    With `serial` those with this text in their serial.
    """
    statement = select(DeviceRow.id)
    if serial:
        statement = statement.where(DeviceRow.serial.icontains(serial, autoescape=True))
    if lot:
        arrived = select(ArrivalRow.device_id).join(LotRow, LotRow.id == ArrivalRow.lot_id).where(LotRow.number == lot)
        statement = statement.where(DeviceRow.id.in_(arrived))
    for keys in _in_batches(session, DeviceRow.id, statement, span):
        yield from _ordered(keys, arrivals.last_arrivals(session, keys, lot or None), lambda one: one.device.id)


def returns(session: Session, span: Span) -> Iterator[ReturnShipment]:
    """Yield return shipments in the order in which they were recorded."""
    for keys in _in_batches(session, ReturnShipmentRow.id, select(ReturnShipmentRow.id), span):
        yield from _ordered(keys, nonconformities.returns(session, keys=keys), lambda one: one.id)


def received(session: Session, span: Span, *, contract: str = "") -> Iterator[tuple[int, Arrived]]:
    """Yield every arrival with its key, in the order in which they came; under one contract where it is named."""
    statement = select(ArrivalRow.id)
    if contract:
        shipments_of = select(ShipmentRow.id).where(ShipmentRow.contract_number == contract)
        lots_of = select(LotRow.id).where(LotRow.shipment_id.in_(shipments_of))
        statement = statement.where(ArrivalRow.lot_id.in_(lots_of))
    for keys in _in_batches(session, ArrivalRow.id, statement, span):
        yield from zip(keys, arrivals.arrivals_by_key(session, keys), strict=True)


def inspections_of(session: Session, span: Span) -> Iterator[Inspection]:
    """Yield inspections with the newest entry of each step, in the order in which they were opened."""
    for keys in _in_batches(session, InspectionRow.id, select(InspectionRow.id), span, _SMALL_BATCH):
        yield from _ordered(keys, inspections(session, keys), lambda one: one.id)


def signed_results(session: Session, span: Span, *, serial: str = "", lot: str = "") -> Iterator[SignedResult]:
    """Yield every result of signatures that count, in the order of signing; of a serial, or of a lot by its number."""
    statement = select(ResultRow.id).where(NOT_TAKEN_BACK)
    if serial:
        statement = statement.where(ResultRow.device_id.in_(select(DeviceRow.id).where(DeviceRow.serial == serial)))
    if lot:
        of_lot = select(DeviceVerdictRow.signature_id).join(LotRow, LotRow.id == DeviceVerdictRow.lot_id)
        statement = statement.where(ResultRow.signature_id.in_(of_lot.where(LotRow.number == lot)))
    for keys in _in_batches(session, ResultRow.id, statement, span):
        yield from _signed_results(session, keys)


def _signed_results(session: Session, keys: Collection[int]) -> Iterator[SignedResult]:
    named = {one.id: one for one in characteristics(session)}
    statement = (
        select(ResultRow, DeviceVerdictRow, DeviceRow)
        .join(DeviceVerdictRow, DeviceVerdictRow.signature_id == ResultRow.signature_id)
        .join(DeviceRow, DeviceRow.id == ResultRow.device_id)
        .where(ResultRow.id.in_(keys))
        .order_by(ResultRow.id)
    )
    rows = session.execute(statement).all()
    lots_of = arrivals.lots_by_key(session, {verdict.lot_id for _, verdict, _ in rows})
    for row, verdict, device in rows:
        characteristic = named[row.characteristic_id]
        yield SignedResult(
            id=row.id,
            device=device_of(device, verdict.device_class),
            lot=lots_of[verdict.lot_id],
            characteristic=characteristic,
            result=listed_result(row, verdict.inspection_id, characteristic.unit),
            outcome=verdict.outcome,
            signed_at=verdict.signed_at,
        )


def opened(session: Session, span: Span) -> Iterator[ListedInspection]:
    """Yield inspections without their entries, in the order in which they were opened."""
    everybody = people(session)
    for keys in _in_batches(session, InspectionRow.id, select(InspectionRow.id), span):
        statement = (
            select(InspectionRow, DeviceRow, SignatureRow)
            .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
            .outerjoin(SignatureRow, COUNTING_SIGNATURE)
            .where(InspectionRow.id.in_(keys))
            .order_by(InspectionRow.id)
        )
        rows = session.execute(statement).all()
        found = arrivals.lots_by_key(session, {row.lot_id for row, _, _ in rows})
        for row, device, signature in rows:
            yield ListedInspection(
                id=row.id,
                device=device_of(device, found[row.lot_id].device_class),
                lot=found[row.lot_id],
                opened_at=row.opened_at,
                opened_by=everybody[row.opened_by_id],
                signature=None if signature is None else signature_of(signature, everybody[signature.signed_by_id]),
            )


def issued(
    session: Session, span: Span, *, text: str = ""
) -> Iterator[tuple[int, Document, Device | None, Lot | None]]:
    """Yield documents with key, device and lot in the order of issue; those with a text in number, serial or lot."""
    for keys in _in_batches(session, DocumentRow.id, documents.found_keys(text), span):
        yield from _ordered(keys, documents.documents_by_key(session, keys), lambda one: one[0])


def found(session: Session, span: Span) -> Iterator[Nonconformity]:
    """Yield nonconformities in the order in which they were found."""
    for keys in _in_batches(session, NonconformityRow.id, select(NonconformityRow.id), span):
        yield from _ordered(keys, nonconformities.nonconformities(session, keys=keys), lambda one: one.id)


def kept_files(session: Session, span: Span, *, sha256: str | None = None) -> Iterator[tuple[Evidence, Person]]:
    """Yield kept files with who kept them, in the order of their digests; or the one with a digest."""
    everybody = people(session)
    statement = select(EvidenceRow.sha256)
    if sha256 is not None:
        statement = statement.where(EvidenceRow.sha256 == sha256)
    for keys in _in_batches(session, EvidenceRow.sha256, statement, span):
        rows = select(EvidenceRow).where(EvidenceRow.sha256.in_(keys)).order_by(EvidenceRow.sha256)
        for row in session.scalars(rows):
            yield evidence_of(row), everybody[row.kept_by_id]


def events(session: Session, span: Span) -> Iterator[Event]:
    """Yield the links of the audit chain, oldest first."""
    for keys in _in_batches(session, EventRow.id, select(EventRow.id), span):
        for row in session.scalars(select(EventRow).where(EventRow.id.in_(keys)).order_by(EventRow.id)):
            yield event_of(row)
