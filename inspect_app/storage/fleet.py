"""The fleet searched: devices by what was signed about them, page by page, counted, and distributed over a quantity.

Every statement walks one index in the order in which it lists: by serial, by value where a quantity is asked for, by
last use where an instrument is, else by the moment of signing. A page is read on from the key of its last row, so that
the thousandth costs what the first does.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, func, select, tuple_
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from inspect_app.model import Device, Lot, Outcome, Person
from inspect_app.quantity import Quantity
from inspect_app.storage.arrivals import lots_by_key
from inspect_app.storage.measured_over_time import NOT_TAKEN_BACK
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    ArrivalRow,
    CharacteristicRow,
    DeviceRow,
    DeviceVerdictRow,
    InstrumentUseRow,
    LotRow,
    ReopeningRow,
    ResultRow,
    ShipmentRow,
)

MOST_COUNTED: Final = 1000
"""Counts and distributions are of the newest so many that fit, unless all are asked for."""

_later = aliased(DeviceVerdictRow)
_STANDS: Final = (
    ~select(ReopeningRow.id).where(ReopeningRow.signature_id == DeviceVerdictRow.signature_id).exists(),
    ~select(_later.signature_id)
    .where(
        _later.device_id == DeviceVerdictRow.device_id,
        _later.lot_id == DeviceVerdictRow.lot_id,
        _later.signature_id > DeviceVerdictRow.signature_id,
    )
    .exists(),
)
FleetCursor = tuple[str | float | datetime, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSearch:
    """What is looked for; what is empty or None is not asked. `serial` may be a part.

    `used_since` and `used_until` bound the last use of `instrument_id` in an inspection; `holds_superseded` lists those
    by an instrument too that a later inspection of the device in the same lot took the place of. `value_at_least` and
    `value_at_most` bound the results of `characteristic_id`, in its unit. `is_backwards` turns the order round, which
    is: by serial, by value, by use of the instrument, or else newest first.
    """

    serial: str = ""
    device_class: str = ""
    supplier: str = ""
    contract_number: str = ""
    lot_number: str = ""
    outcome: Outcome | None = None
    signed_since: datetime | None = None
    signed_until: datetime | None = None
    inspector_id: int | None = None
    instrument_id: int | None = None
    used_since: datetime | None = None
    used_until: datetime | None = None
    characteristic_id: int | None = None
    value_at_least: float | None = None
    value_at_most: float | None = None
    holds_superseded: bool = False
    is_backwards: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetDevice:
    """A device with a verdict that stands, and where a quantity is asked for its result; no verdict: not signed yet."""

    device: Device
    lot: Lot | None
    inspection_id: int | None
    outcome: Outcome | None
    signed_at: datetime | None
    signed_by: Person | None
    quantity: Quantity | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetPage:
    """Some of those found, and the key to read on from; None at the end."""

    devices: tuple[FleetDevice, ...]
    following: FleetCursor | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Order:
    """The statement of a search without its columns, and the two columns that it is listed by."""

    statement: Select[Any]
    key: InstrumentedAttribute[Any]
    tie: InstrumentedAttribute[int]
    is_descending: bool


def fleet_page(session: Session, search: FleetSearch, *, after: FleetCursor | None, count: int) -> FleetPage:
    """Return so many devices that fit, behind a key."""
    order = _order(search)
    statement = _ordered(order)
    if after is not None:
        here, there = tuple_(order.key, order.tie), tuple_(*after)
        statement = statement.where(here < there if order.is_descending else here > there)
    rows = session.execute(statement.limit(count + 1)).all()
    last = rows[count - 1] if len(rows) > count else None
    return FleetPage(devices=_devices(session, rows[:count]), following=None if last is None else (last.key, last.tie))


def count_outcomes(session: Session, search: FleetSearch, *, most: int | None = MOST_COUNTED) -> Mapping[Outcome, int]:
    """Count the verdicts of those that fit, of the first `most` in their order; of all where it is None.

    Where a quantity is asked for without a range, the newest are counted: the lowest results are no sample of all.
    """
    order = _order(search)
    if search.characteristic_id is not None and not search.serial and not _range(search):
        statement = order.statement.order_by(ResultRow.measured_at.desc(), ResultRow.id.desc())
    else:
        statement = _ordered(order)
    statement = statement.with_only_columns(DeviceVerdictRow.outcome.label("outcome"))
    found = (statement if most is None else statement.limit(most)).subquery("counted")
    counts = select(found.c.outcome, func.count()).where(found.c.outcome.is_not(None)).group_by(found.c.outcome)
    return dict(session.execute(counts).all())


def distribution(
    session: Session, search: FleetSearch, *, most: int | None = MOST_COUNTED
) -> tuple[tuple[float, float], ...]:
    """Return value and standard uncertainty of the newest results of the characteristic, whatever the range asked."""
    statement = (
        select(ResultRow.value, ResultRow.standard_uncertainty)
        .where(ResultRow.characteristic_id == search.characteristic_id, NOT_TAKEN_BACK)
        .order_by(ResultRow.measured_at.desc(), ResultRow.id.desc())
    )
    facts = _facts(search)
    if facts:
        of_verdict = DeviceVerdictRow.signature_id == ResultRow.signature_id
        statement = statement.join(DeviceVerdictRow, of_verdict).where(*facts)
    return tuple((value, u) for value, u in session.execute(statement if most is None else statement.limit(most)))


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetChoices:
    """What can be chosen in a search."""

    device_classes: tuple[str, ...]
    suppliers: tuple[str, ...]
    contract_numbers: tuple[str, ...]


def choices(session: Session) -> FleetChoices:
    """Return every class, supplier and contract that anything was received of."""
    return FleetChoices(
        device_classes=_distinct(session, LotRow.device_class),
        suppliers=_distinct(session, ShipmentRow.supplier),
        contract_numbers=_distinct(session, ShipmentRow.contract_number),
    )


def _distinct(session: Session, column: InstrumentedAttribute[str]) -> tuple[str, ...]:
    return tuple(session.scalars(select(column).distinct().order_by(column)))


def _ordered(order: _Order) -> Select[Any]:
    columns = (order.key, order.tie)
    return order.statement.order_by(*(column.desc() if order.is_descending else column.asc() for column in columns))


def _order(search: FleetSearch) -> _Order:
    if search.serial:
        return _by_serial(search)
    if search.characteristic_id is not None:
        return _by_value(search)
    if search.instrument_id is not None:
        return _by_use(search)
    return _by_signing(search)


def _columns(key: InstrumentedAttribute[Any], tie: InstrumentedAttribute[int], *more: Any) -> Select[Any]:
    return select(DeviceRow, DeviceVerdictRow, key.label("key"), tie.label("tie"), *more)


def _by_serial(search: FleetSearch) -> _Order:
    """List devices by serial, inspected or not, each with the verdict that was signed last."""
    newest = (
        select(func.max(_later.signature_id))
        .where(
            _later.device_id == DeviceRow.id,
            ~select(ReopeningRow.id).where(ReopeningRow.signature_id == _later.signature_id).exists(),
        )
        .correlate(DeviceRow)
        .scalar_subquery()
    )
    statement = (
        _columns(DeviceRow.serial, DeviceRow.id)
        .select_from(DeviceRow)
        .outerjoin(DeviceVerdictRow, DeviceVerdictRow.signature_id == newest)
        .where(DeviceRow.serial.contains(search.serial, autoescape=True), *_facts(search))
    )
    if search.characteristic_id is not None:
        statement = statement.where(_has_value(search))
    return _Order(statement=statement, key=DeviceRow.serial, tie=DeviceRow.id, is_descending=search.is_backwards)


def _by_value(search: FleetSearch) -> _Order:
    """List results of one characteristic by their value."""
    statement = (
        _columns(ResultRow.value, ResultRow.id, ResultRow, CharacteristicRow.unit)
        .select_from(ResultRow)
        .join(CharacteristicRow, CharacteristicRow.id == ResultRow.characteristic_id)
        .join(DeviceVerdictRow, DeviceVerdictRow.signature_id == ResultRow.signature_id)
        .join(DeviceRow, DeviceRow.id == ResultRow.device_id)
        .where(ResultRow.characteristic_id == search.characteristic_id, *_range(search), *_STANDS, *_facts(search))
    )
    return _Order(statement=statement, key=ResultRow.value, tie=ResultRow.id, is_descending=search.is_backwards)


def _by_use(search: FleetSearch) -> _Order:
    """List verdicts by the last use of an instrument, the newest first."""
    standing = _STANDS[:1] if search.holds_superseded else _STANDS
    statement = (
        _columns(InstrumentUseRow.last_used_at, InstrumentUseRow.id)
        .select_from(InstrumentUseRow)
        .join(DeviceVerdictRow, DeviceVerdictRow.signature_id == InstrumentUseRow.signature_id)
        .join(DeviceRow, DeviceRow.id == DeviceVerdictRow.device_id)
        .where(*_uses(search), *standing, *_verdict_facts(search))
    )
    return _Order(
        statement=statement,
        key=InstrumentUseRow.last_used_at,
        tie=InstrumentUseRow.id,
        is_descending=not search.is_backwards,
    )


def _by_signing(search: FleetSearch) -> _Order:
    """List verdicts by the moment of signing, the newest first."""
    statement = (
        _columns(DeviceVerdictRow.signed_at, DeviceVerdictRow.signature_id)
        .select_from(DeviceVerdictRow)
        .join(DeviceRow, DeviceRow.id == DeviceVerdictRow.device_id)
        .where(*_STANDS, *_verdict_facts(search))
    )
    return _Order(
        statement=statement,
        key=DeviceVerdictRow.signed_at,
        tie=DeviceVerdictRow.signature_id,
        is_descending=not search.is_backwards,
    )


def _facts(search: FleetSearch) -> list[ColumnElement[bool]]:
    """Return what is asked of a verdict and of the instruments behind it."""
    found = _verdict_facts(search)
    if search.instrument_id is not None:
        found.append(
            select(InstrumentUseRow.id)
            .where(InstrumentUseRow.signature_id == DeviceVerdictRow.signature_id, *_uses(search))
            .exists()
        )
    return found


def _uses(search: FleetSearch) -> list[ColumnElement[bool]]:
    found = [InstrumentUseRow.instrument_id == search.instrument_id]
    if search.used_since is not None:
        found.append(InstrumentUseRow.last_used_at >= search.used_since)
    if search.used_until is not None:
        found.append(InstrumentUseRow.last_used_at < search.used_until)
    return found


def _verdict_facts(search: FleetSearch) -> list[ColumnElement[bool]]:
    row = DeviceVerdictRow
    equal = (
        (row.device_class, search.device_class),
        (row.supplier, search.supplier),
        (row.contract_number, search.contract_number),
        (row.outcome, search.outcome),
        (row.signed_by_id, search.inspector_id),
    )
    found = [column == value for column, value in equal if value not in ("", None)]
    if search.signed_since is not None:
        found.append(row.signed_at >= search.signed_since)
    if search.signed_until is not None:
        found.append(row.signed_at < search.signed_until)
    if search.lot_number:
        lot = select(LotRow.id).where(LotRow.number == search.lot_number).scalar_subquery()
        found.append(row.lot_id == lot)
    return found


def _range(search: FleetSearch) -> list[ColumnElement[bool]]:
    found: list[ColumnElement[bool]] = []
    if search.value_at_least is not None:
        found.append(ResultRow.value >= search.value_at_least)
    if search.value_at_most is not None:
        found.append(ResultRow.value <= search.value_at_most)
    return found


def _has_value(search: FleetSearch) -> ColumnElement[bool]:
    which = (
        ResultRow.signature_id == DeviceVerdictRow.signature_id,
        ResultRow.characteristic_id == search.characteristic_id,
    )
    return select(ResultRow.id).where(*which, *_range(search)).exists()


def _devices(session: Session, rows: Any) -> tuple[FleetDevice, ...]:
    everybody = people(session)
    lots = lots_by_key(session, {row.DeviceVerdictRow.lot_id for row in rows if row.DeviceVerdictRow is not None})
    unsigned = _classes_of(session, [row.DeviceRow.id for row in rows if row.DeviceVerdictRow is None])
    return tuple(_device(row, everybody, lots, unsigned) for row in rows)


def _device(
    row: Any, everybody: Mapping[int, Person], lots: Mapping[int, Lot], unsigned: Mapping[int, str]
) -> FleetDevice:
    device, verdict, values = row.DeviceRow, row.DeviceVerdictRow, row._mapping  # noqa: SLF001 (public name)
    result = values.get("ResultRow")
    device_class = unsigned.get(device.id, "") if verdict is None else verdict.device_class
    return FleetDevice(
        device=Device(id=device.id, maker=device.maker, serial=device.serial, device_class=device_class),
        lot=None if verdict is None else lots[verdict.lot_id],
        inspection_id=None if verdict is None else verdict.inspection_id,
        outcome=None if verdict is None else verdict.outcome,
        signed_at=None if verdict is None else verdict.signed_at,
        signed_by=None if verdict is None else everybody[verdict.signed_by_id],
        quantity=None
        if result is None
        else Quantity(
            value=result.value,
            unit=values["unit"],
            standard_uncertainty=result.standard_uncertainty,
            degrees_of_freedom=result.degrees_of_freedom,
        ),
    )


def _classes_of(session: Session, device_ids: list[int]) -> Mapping[int, str]:
    """Return the class that devices without a verdict came as last."""
    if not device_ids:
        return {}
    statement = (
        select(ArrivalRow.device_id, LotRow.device_class)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .where(ArrivalRow.device_id.in_(device_ids))
        .order_by(ArrivalRow.id)
    )
    return dict(session.execute(statement).all())
