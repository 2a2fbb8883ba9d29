"""Links between devices in the record: which serial was another one before."""

from datetime import datetime

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session

from inspect_app.model import Device, Person
from inspect_app.model.device_past import DeviceLink, LinkKind
from inspect_app.storage.audit import Act
from inspect_app.storage.people import people
from inspect_app.storage.tables import ArrivalRow, DeviceLinkRow, DeviceRow, LotRow


def links_of_device(session: Session, device_id: int) -> tuple[DeviceLink, ...]:
    """Return all that was ever said of a device and others, oldest first."""
    either = or_(DeviceLinkRow.device_id == device_id, DeviceLinkRow.predecessor_id == device_id)
    return _links(session, select(DeviceLinkRow).where(either))


def links(session: Session) -> tuple[DeviceLink, ...]:
    """Return all that was ever said of devices and others, oldest first."""
    return _links(session, select(DeviceLinkRow))


def _links(session: Session, statement: Select[DeviceLinkRow]) -> tuple[DeviceLink, ...]:
    rows = session.scalars(statement.order_by(DeviceLinkRow.id)).all()
    everybody = people(session)
    devices = _devices(session, {key for row in rows for key in (row.device_id, row.predecessor_id)})
    return tuple(
        DeviceLink(
            device=devices[row.device_id],
            predecessor=devices[row.predecessor_id],
            kind=row.kind,
            reason=row.reason,
            linked_at=row.linked_at,
            linked_by=everybody[row.linked_by_id],
        )
        for row in rows
    )


def add_link(
    act: Act,
    *,
    device_id: int,
    predecessor_id: int,
    kind: LinkKind,
    reason: str,
    linked_by: Person,
    at: datetime | None = None,
) -> None:
    """Append what an approver says of two devices, now unless it is said when."""
    pair = (DeviceLinkRow.device_id == device_id, DeviceLinkRow.predecessor_id == predecessor_id)
    count = act.session.scalar(select(func.count()).where(*pair)) or 0
    act.add(
        DeviceLinkRow(
            device_id=device_id,
            predecessor_id=predecessor_id,
            ordinal=count + 1,
            kind=kind,
            reason=reason,
            linked_at=at or act.at,
            linked_by_id=linked_by.id,
        )
    )


def _devices(session: Session, device_ids: set[int]) -> dict[int, Device]:
    """Return devices by key, each with the class that it last came as."""
    statement = (
        select(DeviceRow, LotRow.device_class)
        .join(ArrivalRow, ArrivalRow.device_id == DeviceRow.id)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .where(DeviceRow.id.in_(device_ids))
        .order_by(ArrivalRow.id)
    )
    return {
        row.id: Device(id=row.id, maker=row.maker, serial=row.serial, device_class=device_class)
        for row, device_class in session.execute(statement)
    }
