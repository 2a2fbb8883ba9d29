"""Nonconformities in the record: found at a signature, decided about, sent back."""

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import (
    Disposition,
    Judgement,
    Nonconformity,
    NonconformityAct,
    NonconformityStep,
    Person,
    ReturnShipment,
    Severity,
    SpotAllowance,
)
from inspect_app.storage.arrivals import lots_by_key
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.convert import device_of
from inspect_app.storage.people import people
from inspect_app.storage.signatures import counting_signature_id
from inspect_app.storage.tables import (
    DeviceRow,
    InspectionRow,
    LotRow,
    LotTallyRow,
    NonconformityActRow,
    NonconformityRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
    ShipmentRow,
    SignatureRow,
)
from inspect_app.storage.tallies import IS_CLOSED, lots_where, total

_MOST_NAMED: Final = 500  # beyond it all rows are read: a database takes only so many values in one statement


def record_found(act: Act, inspection_id: int, judgements: Iterable[Judgement]) -> None:
    """Record one nonconformity for each judgement, under the signature just given to an inspection."""
    signature_id = counting_signature_id(act.session, inspection_id)
    if signature_id is None:
        raise ValueError(f"inspection {inspection_id} is not signed")
    year = act.at.year
    last = act.session.scalar(select(func.max(NonconformityRow.sequence)).where(NonconformityRow.year == year)) or 0
    for ordinal, judgement in enumerate(judgements, start=1):
        limit = judgement.limit
        act.add(
            NonconformityRow(
                number=f"NC-{year}-{last + ordinal:04d}",
                year=year,
                sequence=last + ordinal,
                signature_id=signature_id,
                ordinal=ordinal,
                clause=limit.clause,
                title=limit.title,
                check_name=limit.check,
                quantity_name=f"{limit.polarity}_spots" if isinstance(limit, SpotAllowance) else limit.quantity_name,
                severity=limit.severity,
                step_id=judgement.step_id,
                finding=judgement.reason,
            )
        )


def nonconformities(
    session: Session,
    *,
    numbers: Collection[str] | None = None,
    keys: Collection[int] | None = None,
    inspection_id: int | None = None,
    device_ids: Collection[int] | None = None,
    lot_ids: Collection[int] | None = None,
) -> tuple[Nonconformity, ...]:
    """Return nonconformities, newest first: all, or those of some numbers, keys, devices, lots or of one inspection."""
    statement = (
        select(NonconformityRow, SignatureRow, InspectionRow, DeviceRow, LotRow.device_class)
        .join(SignatureRow, SignatureRow.id == NonconformityRow.signature_id)
        .join(InspectionRow, InspectionRow.id == SignatureRow.inspection_id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .order_by(NonconformityRow.id.desc())
    )
    if numbers is not None:
        statement = statement.where(NonconformityRow.number.in_(numbers))
    if keys is not None:
        statement = statement.where(NonconformityRow.id.in_(keys))
    if inspection_id is not None:
        statement = statement.where(InspectionRow.id == inspection_id)
    if device_ids is not None:
        statement = statement.where(InspectionRow.device_id.in_(device_ids))
    if lot_ids is not None:
        statement = statement.where(InspectionRow.lot_id.in_(lot_ids))
    rows = session.execute(statement).all()
    everybody = people(session)
    lots = lots_by_key(session, {inspection.lot_id for _, _, inspection, _, _ in rows})
    acts = _acts(session, [row.id for row, *_ in rows], everybody)
    return tuple(
        Nonconformity(
            id=row.id,
            number=row.number,
            inspection_id=inspection.id,
            device=device_of(device, device_class),
            lot=lots[inspection.lot_id],
            clause=row.clause,
            title=row.title,
            check=row.check_name,
            quantity_name=row.quantity_name,
            contract_severity=row.severity,
            step_id=row.step_id,
            finding=row.finding,
            found_at=signature.signed_at,
            found_by=everybody[signature.signed_by_id],
            acts=tuple(acts.get(row.id, ())),
        )
        for row, signature, inspection, device, device_class in rows
    )


def keys_in_order(session: Session, *, start: int, count: int) -> tuple[int, ...]:
    """Return the keys of some nonconformities: the open ones first, of each the newest first."""
    opened = open_keys(session)
    closed = select(NonconformityRow.id).where(IS_CLOSED).order_by(NonconformityRow.id.desc())
    found = opened[start : start + count]
    rest = closed.offset(max(0, start - len(opened))).limit(count - len(found))
    return (*found, *session.scalars(rest))


def open_keys(session: Session) -> tuple[int, ...]:
    """Return the keys of the nonconformities that are not closed, the newest first; lots without any are not read."""
    lot_ids = lots_where(session, LotTallyRow.open_nonconformities > 0)
    statement = (
        select(NonconformityRow.id)
        .join(SignatureRow, SignatureRow.id == NonconformityRow.signature_id)
        .join(InspectionRow, InspectionRow.id == SignatureRow.inspection_id)
        .where(InspectionRow.lot_id.in_(lot_ids), ~IS_CLOSED)
        .order_by(NonconformityRow.id.desc())
    )
    return tuple(session.scalars(statement))


def count_all(session: Session) -> int:
    """Return how many nonconformities there are."""
    return total(session, LotTallyRow.nonconformities)


def count_by_kind(session: Session) -> Mapping[tuple[str, str], int]:
    """Return how many there are of each check and quantity."""
    columns = (NonconformityRow.check_name, NonconformityRow.quantity_name)
    found = session.execute(select(*columns, func.count()).group_by(*columns))
    return {(check, quantity): count for check, quantity, count in found}


def count_by_maker(session: Session) -> Mapping[str, int]:
    """Return how many there are of the devices of each maker, who supplied them."""
    number = func.sum(LotTallyRow.nonconformities)
    statement = (
        select(ShipmentRow.supplier, number)
        .select_from(LotRow)
        .join(LotTallyRow, LotTallyRow.lot_id == LotRow.id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .group_by(ShipmentRow.supplier)
        .having(number > 0)
    )
    return dict(session.execute(statement).all())


def count_by_severity(session: Session) -> Mapping[Severity, int]:
    """Return how many there are of each class, as it counts now; few were classified anew."""
    found = session.execute(select(NonconformityRow.severity, func.count()).group_by(NonconformityRow.severity))
    counts = Counter(dict(found.all()))
    classified = (
        select(NonconformityRow.id, NonconformityRow.severity, NonconformityActRow.severity)
        .join(NonconformityActRow, NonconformityActRow.nonconformity_id == NonconformityRow.id)
        .where(NonconformityActRow.severity.is_not(None))
        .order_by(NonconformityActRow.id)
    )
    newest = {key: (before, now) for key, before, now in session.execute(classified) if now is not None}
    for before, now in newest.values():
        counts[before] -= 1
        counts[now] += 1
    return {severity: count for severity, count in counts.items() if count}


def _acts(
    session: Session, keys: Collection[int], everybody: Mapping[int, Person]
) -> Mapping[int, list[NonconformityAct]]:
    statement = select(NonconformityActRow).order_by(NonconformityActRow.id)
    if len(keys) <= _MOST_NAMED:
        statement = statement.where(NonconformityActRow.nonconformity_id.in_(keys))
    found: dict[int, list[NonconformityAct]] = defaultdict(list)
    for row in session.scalars(statement):
        found[row.nonconformity_id].append(
            NonconformityAct(
                step=row.step,
                reason=row.reason,
                at=row.decided_at,
                by=everybody[row.decided_by_id],
                severity=row.severity,
                disposition=row.disposition,
                valid_until=row.valid_until,
                repeats=tuple(json.loads(row.repeats)),
            )
        )
    return found


def add_act(
    act: Act,
    nonconformity_id: int,
    step: NonconformityStep,
    *,
    reason: str,
    by: Person,
    severity: Severity | None = None,
    disposition: Disposition | None = None,
    valid_until: date | None = None,
    repeats: Collection[str] = (),
) -> None:
    """Keep a decision about a nonconformity."""
    which = NonconformityActRow.nonconformity_id == nonconformity_id
    count = act.session.scalar(select(func.count()).where(which)) or 0
    act.add(
        NonconformityActRow(
            nonconformity_id=nonconformity_id,
            ordinal=count + 1,
            step=step,
            severity=severity,
            disposition=disposition,
            valid_until=valid_until,
            repeats=canonical_json(list(repeats)),
            reason=reason,
            decided_at=act.at,
            decided_by_id=by.id,
        )
    )


def add_return(
    act: Act,
    *,
    supplier: str,
    reference: str,
    remark: str,
    device_ids: Collection[int],
    by: Person,
    at: datetime | None = None,
) -> None:
    """Keep that devices were sent back, now unless it is said when."""
    row = act.add(
        ReturnShipmentRow(supplier=supplier, reference=reference, remark=remark, sent_at=at or act.at, sent_by_id=by.id)
    )
    act.add_all([ReturnedDeviceRow(return_shipment_id=row.id, device_id=device_id) for device_id in device_ids])


def returns_of_device(session: Session, device_id: int) -> tuple[ReturnShipment, ...]:
    """Return the shipments that took a device back, newest first, each with this device alone."""
    everybody = people(session)
    statement = (
        select(ReturnShipmentRow, DeviceRow.serial)
        .join(ReturnedDeviceRow, ReturnedDeviceRow.return_shipment_id == ReturnShipmentRow.id)
        .join(DeviceRow, DeviceRow.id == ReturnedDeviceRow.device_id)
        .where(ReturnedDeviceRow.device_id == device_id)
        .order_by(ReturnShipmentRow.id.desc())
    )
    return tuple(
        ReturnShipment(
            id=row.id,
            reference=row.reference,
            supplier=row.supplier,
            remark=row.remark,
            sent_at=row.sent_at,
            sent_by=everybody[row.sent_by_id],
            devices=((device_id, serial),),
        )
        for row, serial in session.execute(statement)
    )


def returns(
    session: Session, *, newest: int | None = None, keys: Collection[int] | None = None
) -> tuple[ReturnShipment, ...]:
    """Return all return shipments, so many of them or those of some keys, newest first."""
    everybody = people(session)
    wanted = select(ReturnShipmentRow).order_by(ReturnShipmentRow.id.desc()).limit(newest)
    rows = session.scalars(wanted if keys is None else wanted.where(ReturnShipmentRow.id.in_(keys))).all()
    statement = select(ReturnedDeviceRow.return_shipment_id, DeviceRow.id, DeviceRow.serial).join(
        DeviceRow, DeviceRow.id == ReturnedDeviceRow.device_id
    )
    if rows:
        statement = statement.where(ReturnedDeviceRow.return_shipment_id.between(rows[-1].id, rows[0].id))
    devices: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for shipment_id, device_id, serial in session.execute(statement.order_by(ReturnedDeviceRow.id)):
        devices[shipment_id].append((device_id, serial))
    return tuple(
        ReturnShipment(
            id=row.id,
            reference=row.reference,
            supplier=row.supplier,
            remark=row.remark,
            sent_at=row.sent_at,
            sent_by=everybody[row.sent_by_id],
            devices=tuple(devices[row.id]),
        )
        for row in rows
    )


def count_returns(session: Session) -> int:
    """Return how many return shipments there were."""
    return session.scalar(select(func.count(ReturnShipmentRow.id))) or 0


def is_return(session: Session, supplier: str, reference: str) -> bool:
    """Say whether a return shipment to a supplier has a reference."""
    which = (ReturnShipmentRow.supplier == supplier, ReturnShipmentRow.reference == reference)
    return session.scalar(select(ReturnShipmentRow.id).where(*which)) is not None


def last_sent_back(session: Session, device_id: int) -> datetime | None:
    """Return when a device was last sent back; None where it never was."""
    return session.scalar(
        select(ReturnShipmentRow.sent_at)
        .join(ReturnedDeviceRow, ReturnedDeviceRow.return_shipment_id == ReturnShipmentRow.id)
        .where(ReturnedDeviceRow.device_id == device_id)
        .order_by(ReturnShipmentRow.sent_at.desc())
        .limit(1)
    )
