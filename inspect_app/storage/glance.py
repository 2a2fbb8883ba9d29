"""What the dock sees at a glance: lots page by page, inspections under way, devices held; bounded, however large."""

import enum
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Select, UnaryExpression, func, or_, select
from sqlalchemy.orm import Session

from inspect_app.model import Device, Lot, Outcome, Person
from inspect_app.storage import tallies
from inspect_app.storage.arrivals import lots_by_key
from inspect_app.storage.convert import device_of
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.people import people
from inspect_app.storage.sample_sizes import sample_sizes
from inspect_app.storage.tables import (
    DeviceRow,
    InspectionRow,
    LotRow,
    LotTallyRow,
    ShipmentRow,
    SignatureRow,
)


class LotOrder(enum.StrEnum):
    """How lots are sorted."""

    NEWEST = "newest"
    NUMBER = "number"
    DEVICE_CLASS = "class"
    CONTRACT = "contract"


_ORDERS: Final[Mapping[LotOrder, tuple[UnaryExpression[Any], ...]]] = {
    LotOrder.NEWEST: (ShipmentRow.id.desc(), LotRow.id.asc()),
    LotOrder.NUMBER: (LotRow.number.asc(),),
    LotOrder.DEVICE_CLASS: (LotRow.device_class.asc(), LotRow.id.desc()),
    LotOrder.CONTRACT: (ShipmentRow.contract_number.asc(), LotRow.id.desc()),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSearch:
    """Which lots are looked for: `text` stands in number, class, contract or delivery note; and how they are sorted.

    `among` are keys that alone are looked at; None for all.
    """

    text: str = ""
    order: LotOrder = LotOrder.NEWEST
    among: frozenset[int] | None = None


def lot_keys(session: Session, search: LotSearch, *, start: int, count: int) -> tuple[int, ...]:
    """Return the keys of lots from a place in their order on."""
    statement = found_lots(select(LotRow.id), search).order_by(*_ORDERS[search.order])
    return tuple(session.scalars(statement.offset(start).limit(count)))


def count_lots(session: Session, search: LotSearch) -> int:
    """Return how many lots are found."""
    return session.scalar(found_lots(select(func.count(LotRow.id)), search)) or 0


def found_lots(statement: Select[int], search: LotSearch) -> Select[int]:
    """Return a statement on lots, narrowed to those that are looked for."""
    statement = statement.join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    if search.text:
        columns = (LotRow.number, LotRow.device_class, ShipmentRow.contract_number, ShipmentRow.reference)
        statement = statement.where(or_(*(column.icontains(search.text, autoescape=True) for column in columns)))
    return statement if search.among is None else statement.where(LotRow.id.in_(search.among))


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWork:
    """What waits at the bench: lots that are not concluded, and inspections that are not signed, opened last first."""

    lots: frozenset[int]
    inspections: tuple[int, ...]


def open_work(session: Session) -> OpenWork:
    """Return the lots and inspections that wait.

    A lot waits while a device of it is not inspected or an inspection of it is not signed; a sampled one until its
    verdict is given, whatever becomes of the devices outside its sample.
    """
    unsigned = tallies.lots_where(session, LotTallyRow.signed < LotTallyRow.passes)
    untouched = tallies.lots_where(session, LotTallyRow.inspected < LotTallyRow.devices)
    samples = sample_sizes(session)
    waiting = {key for key in untouched if key not in samples}
    undecided = {key for key, sample in samples.items() if not sample.is_decided}
    return OpenWork(lots=frozenset({*unsigned} | waiting | undecided), inspections=unsigned_inspections(session))


def unsigned_inspections(session: Session) -> tuple[int, ...]:
    """Return the inspections that are not signed, the one opened last first."""
    lot_ids = tallies.lots_where(session, LotTallyRow.signed < LotTallyRow.passes)
    signature = select(SignatureRow.id).where(COUNTING_SIGNATURE).exists()
    statement = select(InspectionRow.id).where(InspectionRow.lot_id.in_(lot_ids), ~signature)
    return tuple(session.scalars(statement.order_by(InspectionRow.id.desc())))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A device at an inspection, since when it stands there, and by whom."""

    inspection_id: int
    device: Device
    lot: Lot
    since: datetime
    by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Standings:
    """Devices whose inspection is under way, the one opened last first, and held ones, the one signed last first."""

    opened: tuple[Standing, ...]
    held: tuple[Standing, ...]


def at_inspection(session: Session, inspection_ids: Sequence[int], held: int) -> Standings:
    """Return some inspections with who opened them, and the newest few devices that are held with who signed them."""
    opened = session.execute(
        select(InspectionRow, InspectionRow.opened_at, InspectionRow.opened_by_id)
        .where(InspectionRow.id.in_(inspection_ids))
        .order_by(InspectionRow.id.desc())
    ).all()
    signed = session.execute(
        select(InspectionRow, SignatureRow.signed_at, SignatureRow.signed_by_id)
        .join(SignatureRow, COUNTING_SIGNATURE)
        .where(SignatureRow.outcome == Outcome.HELD)
        .order_by(SignatureRow.id.desc())
        .limit(held)
    ).all()
    found = _standings(session, [*opened, *signed])
    return Standings(opened=found[: len(opened)], held=found[len(opened) :])


def count_held(session: Session) -> int:
    """Return how many devices are held."""
    return tallies.total(session, LotTallyRow.held)


def _standings(session: Session, rows: Collection[tuple[InspectionRow, datetime, int]]) -> tuple[Standing, ...]:
    everybody = people(session)
    found = lots_by_key(session, {row.lot_id for row, _, _ in rows})
    wanted = select(DeviceRow).where(DeviceRow.id.in_({row.device_id for row, _, _ in rows}))
    devices = {row.id: row for row in session.scalars(wanted)}
    return tuple(
        Standing(
            inspection_id=row.id,
            device=device_of(devices[row.device_id], found[row.lot_id].device_class),
            lot=found[row.lot_id],
            since=since,
            by=everybody[person_id],
        )
        for row, since, person_id in rows
    )
