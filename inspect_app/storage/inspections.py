"""Inspections in the record: opened, answered step by step, signed, taken up again."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import (
    Device,
    Inspection,
    Person,
)
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import (
    device_of,
    lot_of,
    shipment_of,
    signature_of,
)
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.entries import newest_entries
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    ArrivalRow,
    ContractRow,
    DeviceRow,
    FormRow,
    InspectionRow,
    LotRow,
    ShipmentRow,
    SignatureRow,
)


def device_in_lot(session: Session, lot_id: int, device_id: int) -> Device | None:
    """Return a device as it arrived in a lot, or None where it did not."""
    statement = (
        select(DeviceRow, LotRow.device_class)
        .select_from(DeviceRow)
        .join(ArrivalRow, ArrivalRow.device_id == DeviceRow.id)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .where(ArrivalRow.lot_id == lot_id, ArrivalRow.device_id == device_id)
    )
    found = session.execute(statement).first()
    return None if found is None else device_of(found[0], found[1])


def newest_id(session: Session, lot_id: int, device_id: int) -> int | None:
    """Return the key of the newest inspection of a device in a lot."""
    statement = (
        select(InspectionRow.id)
        .where(InspectionRow.lot_id == lot_id, InspectionRow.device_id == device_id)
        .order_by(InspectionRow.ordinal.desc())
        .limit(1)
    )
    return session.scalar(statement)


def add(act: Act, *, lot_id: int, device_id: int, form_id: int, contract_id: int, opened_by: Person) -> int:
    """Open an inspection and return its key."""
    which = (InspectionRow.lot_id == lot_id, InspectionRow.device_id == device_id)
    ordinal = (act.session.scalar(select(func.count()).where(*which)) or 0) + 1
    row = InspectionRow(
        lot_id=lot_id,
        device_id=device_id,
        ordinal=ordinal,
        form_id=form_id,
        contract_id=contract_id,
        opened_at=act.at,
        opened_by_id=opened_by.id,
    )
    return act.add(row).id


def inspections(session: Session, inspection_ids: Collection[int]) -> tuple[Inspection, ...]:
    """Return inspections with the newest entry of each step, newest inspection first."""
    statement = (
        select(InspectionRow, DeviceRow, LotRow, ShipmentRow, ArrivalRow.note, SignatureRow)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .join(ArrivalRow, (ArrivalRow.lot_id == LotRow.id) & (ArrivalRow.device_id == DeviceRow.id))
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .where(InspectionRow.id.in_(inspection_ids))
        .order_by(InspectionRow.id.desc())
    )
    rows = session.execute(statement).all()
    everybody = people(session)
    entries = newest_entries(session, inspection_ids, everybody)
    pins = _pins(session, [row for row, *_ in rows])
    return tuple(
        Inspection(
            id=row.id,
            device=device_of(device, lot.device_class),
            lot=lot_of(lot, shipment_of(shipment, everybody[shipment.received_by_id])),
            form_revision=pins.forms[row.form_id][0],
            form_digest=pins.forms[row.form_id][1],
            contract_revision=pins.contracts[row.contract_id][0],
            contract_digest=pins.contracts[row.contract_id][1],
            opened_at=row.opened_at,
            opened_by=everybody[row.opened_by_id],
            entries=entries[row.id],
            signature=None if signature is None else signature_of(signature, everybody[signature.signed_by_id]),
            arrival_note=note,
        )
        for row, device, lot, shipment, note, signature in rows
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pins:
    forms: Mapping[int, tuple[str, str]]
    contracts: Mapping[int, tuple[str, str]]


def _pins(session: Session, rows: Sequence[InspectionRow]) -> _Pins:
    forms = select(FormRow.id, FormRow.revision, FormRow.digest).where(FormRow.id.in_({row.form_id for row in rows}))
    contracts = select(ContractRow.id, ContractRow.revision, ContractRow.digest).where(
        ContractRow.id.in_({row.contract_id for row in rows})
    )
    return _Pins(
        forms={key: (revision, digest) for key, revision, digest in session.execute(forms)},
        contracts={key: (revision, digest) for key, revision, digest in session.execute(contracts)},
    )


def inspections_of_device(session: Session, device_id: int) -> tuple[Inspection, ...]:
    """Return every inspection of a device, newest first."""
    return inspections(
        session, session.scalars(select(InspectionRow.id).where(InspectionRow.device_id == device_id)).all()
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """When an inspection was opened, and by whom."""

    at: datetime
    by: Person


def openings(session: Session, inspection_ids: Collection[int]) -> dict[int, Opening]:
    """Return when and by whom inspections were opened."""
    everybody = people(session)
    statement = select(InspectionRow.id, InspectionRow.opened_at, InspectionRow.opened_by_id)
    rows = session.execute(statement.where(InspectionRow.id.in_(inspection_ids)))
    return {key: Opening(at=at, by=everybody[person_id]) for key, at, person_id in rows}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What recording a step must know of its inspection."""

    serial: str
    form_digest: str
    is_signed: bool


def place(session: Session, inspection_id: int) -> Place | None:
    """Return serial, form and state of an inspection without its entries."""
    statement = (
        select(DeviceRow.serial, FormRow.digest, SignatureRow.id)
        .select_from(InspectionRow)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(FormRow, FormRow.id == InspectionRow.form_id)
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .where(InspectionRow.id == inspection_id)
    )
    found = session.execute(statement).first()
    if found is None:
        return None
    serial, form_digest, signature_id = found
    return Place(serial=serial, form_digest=form_digest, is_signed=signature_id is not None)
