"""Devices that wait to be sent back to their suppliers: counted, and the first of each with what sends them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from inspect_app.model import Disposition, NonconformityStep
from inspect_app.storage.tables import (
    DeviceRow,
    InspectionRow,
    LotTallyRow,
    NonconformityActRow,
    NonconformityRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
    SignatureRow,
)
from inspect_app.storage.tallies import lots_where

_newer: Final = aliased(NonconformityActRow)
_Rows = Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingReturn:
    """How many devices wait to be sent back to a supplier, and since when the first of them."""

    supplier: str
    devices: int
    since: datetime


def waiting_returns(session: Session, dispositions: Collection[Disposition]) -> tuple[WaitingReturn, ...]:
    """Count the devices whose newest decision is one of these and that were not sent back since, by supplier."""
    columns = (DeviceRow.maker, func.count(DeviceRow.id.distinct()), func.min(NonconformityActRow.decided_at))
    statement = _waiting(session, select(*columns), dispositions).group_by(DeviceRow.maker).order_by(DeviceRow.maker)
    return tuple(
        WaitingReturn(supplier=supplier, devices=devices, since=since)
        for supplier, devices, since in session.execute(statement)
    )


def waiting_nonconformities(
    session: Session, dispositions: Collection[Disposition], supplier: str | None = None, most: int | None = None
) -> tuple[int, ...]:
    """Return the keys of the nonconformities that send devices back: of one supplier or all; of the first by serial."""
    waiting = _waiting(session, select(DeviceRow.id), dispositions)
    if supplier is not None:
        waiting = waiting.where(DeviceRow.maker == supplier)
    first = waiting.group_by(DeviceRow.id).order_by(DeviceRow.serial).limit(most)
    device_ids = session.scalars(first).all()
    statement = _waiting(session, select(NonconformityRow.id), dispositions)
    return tuple(session.scalars(statement.where(DeviceRow.id.in_(device_ids))))


def _waiting(session: Session, statement: _Rows, dispositions: Collection[Disposition]) -> _Rows:
    """Return a statement on what waits; only lots with open nonconformities are looked into."""
    is_newest = ~(
        select(_newer.id)
        .where(
            _newer.nonconformity_id == NonconformityActRow.nonconformity_id,
            _newer.ordinal > NonconformityActRow.ordinal,
            _newer.step.in_((NonconformityStep.DISPOSED, NonconformityStep.CLOSED)),
        )
        .exists()
    )
    is_sent = (
        select(ReturnedDeviceRow.id)
        .join(ReturnShipmentRow, ReturnShipmentRow.id == ReturnedDeviceRow.return_shipment_id)
        .where(ReturnedDeviceRow.device_id == DeviceRow.id, ReturnShipmentRow.sent_at >= NonconformityActRow.decided_at)
        .exists()
    )
    lot_ids = lots_where(session, LotTallyRow.open_nonconformities > 0)
    return (
        statement.select_from(InspectionRow)
        .join(SignatureRow, SignatureRow.inspection_id == InspectionRow.id)
        .join(NonconformityRow, NonconformityRow.signature_id == SignatureRow.id)
        .join(NonconformityActRow, NonconformityActRow.nonconformity_id == NonconformityRow.id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .where(
            InspectionRow.lot_id.in_(lot_ids), NonconformityActRow.disposition.in_(dispositions), is_newest, ~is_sent
        )
    )
