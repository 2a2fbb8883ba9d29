"""Results over time: of a device, of a characteristic over all devices; only those of signatures that still count."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from sqlalchemy import CompoundSelect, Select, bindparam, literal, select, union_all
from sqlalchemy.orm import Session

from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.quantity import Quantity
from inspect_app.storage.convert import condition_from
from inspect_app.storage.tables import (
    CharacteristicRow,
    DeviceVerdictRow,
    EntryInstrumentRow,
    ReopeningRow,
    ResultRow,
    SignatureRow,
)

NOT_TAKEN_BACK = ~select(ReopeningRow.id).where(ReopeningRow.signature_id == ResultRow.signature_id).exists()
"""A result counts while the signature that lists it was not taken back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """From a moment on and before another; None for open."""

    since: datetime | None = None
    until: datetime | None = None


def characteristics(session: Session, device_class: str | None = None) -> tuple[Characteristic, ...]:
    """Return what was ever measured of a class, or of all, in the order of class, check, quantity and condition."""
    columns = (CharacteristicRow.device_class, CharacteristicRow.check_name, CharacteristicRow.quantity_name)
    statement = select(CharacteristicRow).order_by(*columns, CharacteristicRow.condition, CharacteristicRow.unit)
    if device_class is not None:
        statement = statement.where(CharacteristicRow.device_class == device_class)
    return tuple(_characteristic(row) for row in session.scalars(statement))


def characteristic(session: Session, characteristic_id: int) -> Characteristic | None:
    """Return one characteristic."""
    row = session.get(CharacteristicRow, characteristic_id)
    return None if row is None else _characteristic(row)


def _characteristic(row: CharacteristicRow) -> Characteristic:
    return Characteristic(
        id=row.id,
        device_class=row.device_class,
        check=row.check_name,
        quantity_name=row.quantity_name,
        condition=condition_from(row.condition),
        unit=row.unit,
    )


def results_of_device(session: Session, device_id: int) -> tuple[ListedResult, ...]:
    """Return every result of a device, by characteristic and time."""
    order = (ResultRow.characteristic_id, ResultRow.measured_at, ResultRow.id)
    return _listed(session, _results().where(ResultRow.device_id == device_id).order_by(*order))


def results_by_instrument(
    session: Session, instrument_id: int, inspection_ids: Collection[int]
) -> tuple[ListedResult, ...]:
    """Return the results of some inspections that were measured with an instrument."""
    statement = (
        _results()
        .join(EntryInstrumentRow, EntryInstrumentRow.entry_id == ResultRow.entry_id)
        .join(SignatureRow, SignatureRow.id == ResultRow.signature_id)
        .where(EntryInstrumentRow.instrument_id == instrument_id, SignatureRow.inspection_id.in_(inspection_ids))
    )
    return tuple(sorted(_listed(session, statement), key=lambda one: (one.inspection_id, one.entry_id, one.ordinal)))


def results_of_characteristic(
    session: Session, characteristic_id: int, *, most: int, period: Period | None = None
) -> tuple[ListedResult, ...]:
    """Return the newest results of a characteristic over all devices, the newest first; at most so many."""
    statement = _results().where(ResultRow.characteristic_id == characteristic_id)
    if period is not None and period.since is not None:
        statement = statement.where(ResultRow.measured_at >= period.since)
    if period is not None and period.until is not None:
        statement = statement.where(ResultRow.measured_at < period.until)
    return _listed(session, statement.order_by(ResultRow.measured_at.desc(), ResultRow.id.desc()).limit(most))


def span_of_characteristic(session: Session, characteristic_id: int) -> tuple[datetime, datetime] | None:
    """Return when a characteristic was measured first and last; None where it never was."""
    which = ResultRow.characteristic_id == characteristic_id
    ends = [
        session.scalar(select(ResultRow.measured_at).where(which).order_by(order).limit(1))
        for order in (ResultRow.measured_at, ResultRow.measured_at.desc())
    ]
    return None if ends[0] is None or ends[1] is None else (ends[0], ends[1])


def values_spread(
    session: Session, characteristic_id: int, starts: Sequence[datetime], *, most: int
) -> tuple[tuple[int, datetime, float], ...]:
    """Return values spread evenly over time: of each span at most so many of its first, with the span's number.

    Each span goes from one start to before the next; the last has no end. However many results there are, no more than
    these are read.
    """
    given = {
        "characteristic_id": characteristic_id,
        **{f"start_{number}": start for number, start in enumerate(starts)},
    }
    found = session.execute(_spread_over(len(starts), most), given)
    return tuple((span, measured_at, value) for span, measured_at, value in found)


@cache
def _spread_over(spans: int, most: int) -> CompoundSelect[int, datetime, float]:
    """Return the statement of `values_spread`, which takes longer to be put together than to be answered."""
    parts = []
    for number in range(spans):
        statement = (
            select(literal(number).label("span"), ResultRow.measured_at, ResultRow.value)
            .where(
                ResultRow.characteristic_id == bindparam("characteristic_id"),
                ResultRow.measured_at >= bindparam(f"start_{number}"),
                NOT_TAKEN_BACK,
            )
            .order_by(ResultRow.measured_at)
            .limit(most)
        )
        if number + 1 < spans:
            statement = statement.where(ResultRow.measured_at < bindparam(f"start_{number + 1}"))
        parts.append(select(statement.subquery()))
    return union_all(*parts)


_Listed = Select[ResultRow, int, str]


def _results() -> _Listed:
    return (
        select(ResultRow, DeviceVerdictRow.inspection_id, CharacteristicRow.unit)
        .join(DeviceVerdictRow, DeviceVerdictRow.signature_id == ResultRow.signature_id)
        .join(CharacteristicRow, CharacteristicRow.id == ResultRow.characteristic_id)
        .where(NOT_TAKEN_BACK)
    )


def _listed(session: Session, statement: _Listed) -> tuple[ListedResult, ...]:
    return tuple(listed_result(row, inspection_id, unit) for row, inspection_id, unit in session.execute(statement))


def listed_result(row: ResultRow, inspection_id: int, unit: str) -> ListedResult:
    """Return a result as it is listed."""
    return ListedResult(
        characteristic_id=row.characteristic_id,
        device_id=row.device_id,
        inspection_id=inspection_id,
        entry_id=row.entry_id,
        ordinal=row.ordinal,
        measured_at=row.measured_at,
        quantity=Quantity(
            value=row.value,
            unit=unit,
            standard_uncertainty=row.standard_uncertainty,
            degrees_of_freedom=row.degrees_of_freedom,
        ),
        finding=row.finding,
    )
