"""Which inspections stand for a device or a class when they are compared."""

from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.tables import DeviceRow, InspectionRow, LotRow, SignatureRow


def newest_of_serial(session: Session, serial: str) -> int | None:
    """Return the key of the newest inspection of a device with a serial."""
    statement = (
        select(InspectionRow.id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .where(DeviceRow.serial == serial)
        .order_by(InspectionRow.id.desc())
        .limit(1)
    )
    return session.scalar(statement)


def newest_of_class(session: Session, device_class: str, count: int) -> tuple[int, ...]:
    """Return the keys of the newest signed inspections of a class."""
    statement = (
        select(InspectionRow.id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(SignatureRow, COUNTING_SIGNATURE)
        .where(LotRow.device_class == device_class)
        .order_by(InspectionRow.id.desc())
        .limit(count)
    )
    return tuple(session.scalars(statement))


def classes(session: Session) -> tuple[str, ...]:
    """Return every device class that was ever received."""
    return tuple(session.scalars(select(LotRow.device_class).distinct().order_by(LotRow.device_class)))


def known_serials(session: Session, serials: Collection[str]) -> frozenset[str]:
    """Return those of some serials that were ever received."""
    return frozenset(session.scalars(select(DeviceRow.serial).where(DeviceRow.serial.in_(serials))))
