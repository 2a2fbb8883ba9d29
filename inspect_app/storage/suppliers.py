"""What the record holds of each supplier and device class: lots, devices and first verdicts, counted."""

from dataclasses import dataclass

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from inspect_app.model import Outcome
from inspect_app.storage.tables import LotRow, LotTallyRow, LotVerdictRow, ResubmissionRow, ShipmentRow


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierCounts:
    """Counts of one supplier and device class; devices by the verdict of their first inspection in each lot."""

    supplier: str
    device_class: str
    lots: int
    lots_decided: int
    lots_rejected: int
    devices: int
    devices_decided: int
    devices_rejected: int


def supplier_counts(session: Session) -> tuple[SupplierCounts, ...]:
    """Return the counts of every supplier and class, by name; verdicts on lots that came again do not count."""
    verdicts = _lot_verdicts(session)
    statement = (
        select(
            ShipmentRow.supplier,
            LotRow.device_class,
            func.count(LotRow.id),
            func.sum(LotTallyRow.devices),
            func.sum(LotTallyRow.first_decided),
            func.sum(LotTallyRow.first_rejected),
        )
        .select_from(LotRow)
        .join(LotTallyRow, LotTallyRow.lot_id == LotRow.id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .group_by(ShipmentRow.supplier, LotRow.device_class)
        .order_by(ShipmentRow.supplier, LotRow.device_class)
    )
    return tuple(
        SupplierCounts(
            supplier=supplier,
            device_class=device_class,
            lots=lots,
            lots_decided=verdicts.get((supplier, device_class), (0, 0))[0],
            lots_rejected=verdicts.get((supplier, device_class), (0, 0))[1],
            devices=devices,
            devices_decided=devices_decided,
            devices_rejected=devices_rejected,
        )
        for supplier, device_class, lots, devices, devices_decided, devices_rejected in session.execute(statement)
    )


def _lot_verdicts(session: Session) -> dict[tuple[str, str], tuple[int, int]]:
    statement = (
        select(
            ShipmentRow.supplier,
            LotRow.device_class,
            func.count(LotVerdictRow.id),
            func.sum(case((LotVerdictRow.outcome == Outcome.REJECTED, 1), else_=0)),
        )
        .select_from(LotVerdictRow)
        .join(LotRow, LotRow.id == LotVerdictRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .where(~select(ResubmissionRow.id).where(ResubmissionRow.lot_id == LotRow.id).exists())
        .group_by(ShipmentRow.supplier, LotRow.device_class)
    )
    return {
        (supplier, device_class): (decided, int(rejected or 0))
        for supplier, device_class, decided, rejected in session.execute(statement)
    }
