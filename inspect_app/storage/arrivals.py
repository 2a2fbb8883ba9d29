"""Shipments, lots and devices in the record, and how far each lot has come."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from inspect_app.model import Device, Document, Lot, Outcome, Person, Shipment
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import device_of, document_of, lot_of, shipment_of
from inspect_app.storage.counting import COUNTING_SIGNATURE, NEWEST_DOCUMENT, NEWEST_INSPECTION
from inspect_app.storage.people import people
from inspect_app.storage.sample_sizes import SampleSize, sample_sizes
from inspect_app.storage.standing import ends
from inspect_app.storage.tables import (
    ArrivalRow,
    DeviceRow,
    DocumentRow,
    InspectionRow,
    LotRow,
    LotTallyRow,
    ShipmentRow,
    SignatureRow,
)
from inspect_app.storage.tallies import AWAITED, lots_where, total


@dataclass(frozen=True, slots=True, kw_only=True)
class LotCounts:
    """A lot, and how many of its devices stand where; `sample` is that of a sampled lot, once it is drawn."""

    lot: Lot
    total: int
    accepted: int
    rejected: int
    held: int
    inspected: int
    sample: SampleSize | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """One device in one lot, with its newest inspection there, the outcome signed and the document issued."""

    lot: Lot
    device: Device
    note: str
    is_on_list: bool
    inspection_id: int | None
    outcome: Outcome | None
    document: Document | None


def add_shipment(
    act: Act,
    *,
    contract_number: str,
    reference: str,
    supplier: str,
    received_by: Person,
    received_at: datetime | None = None,
) -> Shipment:
    """Add a shipment, received now unless it is said when."""
    row = act.add(
        ShipmentRow(
            contract_number=contract_number,
            reference=reference,
            supplier=supplier,
            received_at=received_at or act.at,
            received_by_id=received_by.id,
        )
    )
    return shipment_of(row, received_by)


def add_lot(act: Act, shipment: Shipment, *, number: str, device_class: str) -> Lot:
    """Add a lot to a shipment."""
    row = act.add(LotRow(number=number, device_class=device_class, shipment_id=shipment.id))
    return lot_of(row, shipment)


def count_lots(session: Session, contract_number: str) -> int:
    """Return how many lots came under a contract so far."""
    statement = (
        select(func.count(LotRow.id))
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .where(ShipmentRow.contract_number == contract_number)
    )
    return session.scalar(statement) or 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NewArrival:
    """A device to be added to a lot."""

    serial: str
    note: str
    is_on_list: bool


def add_arrivals(act: Act, lot: Lot, arrivals: Sequence[NewArrival]) -> None:
    """Add devices to a lot, in the order given; a device seen before keeps its key."""
    maker = lot.shipment.supplier
    known = devices_by_serial(act.session, maker, [arrival.serial for arrival in arrivals])
    fresh = [DeviceRow(maker=maker, serial=one.serial) for one in arrivals if one.serial not in known]
    act.add_all(fresh)
    keys = known | {row.serial: row.id for row in fresh}
    act.add_all(
        [
            ArrivalRow(
                lot_id=lot.id,
                device_id=keys[arrival.serial],
                position=position,
                note=arrival.note,
                is_on_list=arrival.is_on_list,
            )
            for position, arrival in enumerate(arrivals, start=1)
        ]
    )


def devices_by_serial(session: Session, maker: str, serials: Collection[str]) -> dict[str, int]:
    """Return the keys of those serials of a maker that are known."""
    found: dict[str, int] = {}
    for some in _in_batches(serials):
        statement = select(DeviceRow.serial, DeviceRow.id).where(DeviceRow.maker == maker, DeviceRow.serial.in_(some))
        found |= dict(session.execute(statement).all())
    return found


def _in_batches(values: Collection[str], size: int = 500) -> Iterable[list[str]]:
    ordered = list(values)
    return (ordered[start : start + size] for start in range(0, len(ordered), size))


def find_shipment(session: Session, contract_number: str, reference: str) -> Shipment | None:
    """Return the shipment of a contract with a reference."""
    row = session.scalar(
        select(ShipmentRow).where(ShipmentRow.contract_number == contract_number, ShipmentRow.reference == reference)
    )
    return None if row is None else shipment_of(row, people(session)[row.received_by_id])


def lots_of_shipment(session: Session, shipment_id: int) -> tuple[Lot, ...]:
    """Return the lots of a shipment."""
    everybody = people(session)
    statement = (
        select(LotRow, ShipmentRow)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .where(LotRow.shipment_id == shipment_id)
        .order_by(LotRow.id)
    )
    return tuple(
        lot_of(row, shipment_of(shipment, everybody[shipment.received_by_id]))
        for row, shipment in session.execute(statement)
    )


def lot_counts(session: Session, lot_ids: Collection[int] | None = None) -> tuple[LotCounts, ...]:
    """Return how many devices of some lots, or of every lot, stand where, newest first."""
    statement = select(LotTallyRow)
    if lot_ids is not None:
        statement = statement.where(LotTallyRow.lot_id.in_(lot_ids))
    tallies = {row.lot_id: row for row in session.scalars(statement)}
    samples = sample_sizes(session, lot_ids)
    return tuple(
        LotCounts(
            lot=lot,
            total=tally.devices,
            accepted=tally.accepted,
            rejected=tally.rejected,
            held=tally.held,
            inspected=tally.inspected,
            sample=samples.get(lot.id),
        )
        for lot in _lots(session, lot_ids)
        if (tally := tallies.get(lot.id)) is not None
    )


def _lots(session: Session, lot_ids: Collection[int] | None) -> tuple[Lot, ...]:
    statement = select(LotRow, ShipmentRow).join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    statement = statement.order_by(ShipmentRow.id.desc(), LotRow.id)
    return _lots_of(session, statement if lot_ids is None else statement.where(LotRow.id.in_(lot_ids)))


def lots_by_key(session: Session, lot_ids: Collection[int]) -> dict[int, Lot]:
    """Return lots by their keys."""
    statement = select(LotRow, ShipmentRow).join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    return {lot.id: lot for lot in _lots_of(session, statement.where(LotRow.id.in_(lot_ids)))}


def lot_by_number(session: Session, number: str) -> Lot | None:
    """Return the lot with a number."""
    statement = select(LotRow, ShipmentRow).join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    return next(iter(_lots_of(session, statement.where(LotRow.number == number))), None)


def _lots_of(session: Session, statement: Select[LotRow, ShipmentRow]) -> tuple[Lot, ...]:
    everybody = people(session)
    shipments: dict[int, Shipment] = {}
    found = []
    for row, shipment in session.execute(statement):
        if shipment.id not in shipments:
            shipments[shipment.id] = shipment_of(shipment, everybody[shipment.received_by_id])
        found.append(lot_of(row, shipments[shipment.id]))
    return tuple(found)


def count_arrived(session: Session, lot_id: int) -> int:
    """Return how many devices a lot has."""
    return session.scalar(select(func.count(ArrivalRow.id)).where(ArrivalRow.lot_id == lot_id)) or 0


def has_begun(session: Session, lot_id: int) -> bool:
    """Say whether an inspection of a device of the lot was ever opened."""
    return session.scalar(select(InspectionRow.id).where(InspectionRow.lot_id == lot_id).limit(1)) is not None


def arrived_in_lot(session: Session, lot_id: int, *, start: int = 0, count: int | None = None) -> tuple[Arrived, ...]:
    """Return the devices of a lot in the order in which they were received; from a place on, and so many, if asked."""
    statement = _arrivals().where(ArrivalRow.lot_id == lot_id).order_by(ArrivalRow.position)
    return _arrived(session, statement.offset(start).limit(count))


def arrivals_of_device(session: Session, device_id: int) -> tuple[Arrived, ...]:
    """Return every arrival of a device, newest first."""
    return _arrived(session, _arrivals().where(ArrivalRow.device_id == device_id).order_by(ArrivalRow.id.desc()))


def last_arrivals(session: Session, device_ids: Collection[int], lot: str | None = None) -> tuple[Arrived, ...]:
    """Return the newest arrival of each of some devices, in the lot of a number where one is given."""
    newest = select(func.max(ArrivalRow.id)).where(ArrivalRow.device_id.in_(device_ids)).group_by(ArrivalRow.device_id)
    if lot is not None:
        newest = newest.join(LotRow, LotRow.id == ArrivalRow.lot_id).where(LotRow.number == lot)
    return _arrived(session, _arrivals().where(ArrivalRow.id.in_(newest)))


def arrivals_by_key(session: Session, keys: Collection[int]) -> tuple[Arrived, ...]:
    """Return arrivals by their keys, in the order in which they came."""
    return _arrived(session, _arrivals().where(ArrivalRow.id.in_(keys)).order_by(ArrivalRow.id))


def arrivals_of_serials(session: Session, maker: str, serials: Collection[str]) -> dict[str, list[Arrived]]:
    """Return the earlier arrivals of serials of one maker, newest first."""
    found: dict[str, list[Arrived]] = {}
    for some in _in_batches(serials):
        statement = _arrivals().where(DeviceRow.maker == maker, DeviceRow.serial.in_(some))
        for arrived in _arrived(session, statement.order_by(ArrivalRow.id.desc())):
            found.setdefault(arrived.device.serial, []).append(arrived)
    return found


def open_arrivals(session: Session, serial: str | None = None) -> tuple[Arrived, ...]:
    """Return the devices whose newest inspection is not signed, the one opened last first."""
    statement = _arrivals().where(InspectionRow.id.is_not(None), SignatureRow.id.is_(None))
    if serial is not None:
        statement = statement.where(DeviceRow.serial == serial)
    return _arrived(session, statement.order_by(InspectionRow.id.desc()))


def signed_without_document(session: Session, lot_id: int | None = None) -> tuple[Arrived, ...]:
    """Return the devices of one lot, or of all, that were accepted or rejected and have no document yet."""
    return _arrived(session, _without_document(lots_where(session, AWAITED > 0) if lot_id is None else [lot_id]))


def some_without_document(session: Session, *, start: int, count: int) -> tuple[Arrived, ...]:
    """Return so many of these devices of all lots from a place on; only the lots that they stand in are looked into."""
    statement = select(LotTallyRow.lot_id, AWAITED).where(AWAITED > 0).order_by(LotTallyRow.lot_id)
    lot_ids, before, skipped = [], 0, 0
    for lot_id, awaited in session.execute(statement):
        if before + awaited <= start:
            skipped += awaited
        elif before < start + count:
            lot_ids.append(lot_id)
        before += awaited
    return _arrived(session, _without_document(lot_ids).offset(start - skipped).limit(count))


def count_without_document(session: Session) -> int:
    """Return how many devices were accepted or rejected and have no document yet."""
    return total(session, AWAITED)


def _without_document(lot_ids: Collection[int]) -> "_Arrivals":
    return (
        _arrivals()
        .where(ArrivalRow.lot_id.in_(lot_ids), SignatureRow.outcome != Outcome.HELD, DocumentRow.id.is_(None))
        .order_by(ArrivalRow.lot_id, ArrivalRow.position)
    )


_Arrivals = Select[ArrivalRow, DeviceRow, LotRow, ShipmentRow, InspectionRow, SignatureRow, DocumentRow]


def _arrivals() -> _Arrivals:
    return (
        select(ArrivalRow, DeviceRow, LotRow, ShipmentRow, InspectionRow, SignatureRow, DocumentRow)
        .select_from(ArrivalRow)
        .join(DeviceRow, DeviceRow.id == ArrivalRow.device_id)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .outerjoin(InspectionRow, NEWEST_INSPECTION)
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .outerjoin(DocumentRow, NEWEST_DOCUMENT)
    )


def _arrived(session: Session, statement: _Arrivals) -> tuple[Arrived, ...]:
    everybody, ended = people(session), ends(session)
    found = []
    for arrival, device, lot, shipment, inspection, signature, document in session.execute(statement):
        found.append(
            Arrived(
                lot=lot_of(lot, shipment_of(shipment, everybody[shipment.received_by_id])),
                device=device_of(device, lot.device_class),
                note=arrival.note,
                is_on_list=arrival.is_on_list,
                inspection_id=None if inspection is None else inspection.id,
                outcome=None if signature is None else signature.outcome,
                document=None
                if document is None
                else document_of(document, everybody[document.issued_by_id], ended.get(document.id)),
            )
        )
    return tuple(found)


def find_devices(session: Session, part: str, count: int) -> tuple[Device, ...]:
    """Return devices whose serial holds a text, the shortest serial first, each with the class it last came as."""
    pattern = "%" + part.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
    any_arrival = aliased(ArrivalRow)
    newest = (
        select(func.max(any_arrival.id))
        .where(any_arrival.device_id == DeviceRow.id)
        .correlate(DeviceRow)
        .scalar_subquery()
    )
    statement = (
        select(DeviceRow, LotRow.device_class)
        .select_from(DeviceRow)
        .join(ArrivalRow, ArrivalRow.id == newest)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .where(DeviceRow.serial.like(pattern, escape="\\"))
        .order_by(func.length(DeviceRow.serial), DeviceRow.serial)
        .limit(count)
    )
    return tuple(device_of(row, device_class) for row, device_class in session.execute(statement))
