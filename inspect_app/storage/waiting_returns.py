"""Devices that wait to be sent back to their suppliers, counted."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from inspect_app.model import Disposition, NonconformityStep
from inspect_app.storage.tables import (
    DeviceRow,
    InspectionRow,
    NonconformityActRow,
    NonconformityRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
    SignatureRow,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingReturn:
    """How many devices wait to be sent back to a supplier, and since when the first of them."""

    supplier: str
    devices: int
    since: datetime


def waiting_returns(session: Session, dispositions: Collection[Disposition]) -> tuple[WaitingReturn, ...]:
    """Count the devices whose newest decision is one of these and that were not sent back since, by supplier."""
    newer = aliased(NonconformityActRow)
    is_newest = ~(
        select(newer.id)
        .where(
            newer.nonconformity_id == NonconformityActRow.nonconformity_id,
            newer.ordinal > NonconformityActRow.ordinal,
            newer.step.in_((NonconformityStep.DISPOSED, NonconformityStep.CLOSED)),
        )
        .exists()
    )
    is_sent = (
        select(ReturnedDeviceRow.id)
        .join(ReturnShipmentRow, ReturnShipmentRow.id == ReturnedDeviceRow.return_shipment_id)
        .where(ReturnedDeviceRow.device_id == DeviceRow.id, ReturnShipmentRow.sent_at >= NonconformityActRow.decided_at)
        .exists()
    )
    statement = (
        select(DeviceRow.maker, func.count(DeviceRow.id.distinct()), func.min(NonconformityActRow.decided_at))
        .select_from(NonconformityActRow)
        .join(NonconformityRow, NonconformityRow.id == NonconformityActRow.nonconformity_id)
        .join(SignatureRow, SignatureRow.id == NonconformityRow.signature_id)
        .join(InspectionRow, InspectionRow.id == SignatureRow.inspection_id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .where(NonconformityActRow.disposition.in_(dispositions), is_newest, ~is_sent)
        .group_by(DeviceRow.maker)
        .order_by(DeviceRow.maker)
    )
    return tuple(
        WaitingReturn(supplier=supplier, devices=devices, since=since)
        for supplier, devices, since in session.execute(statement)
    )
