"""What came within a scope of the fleet: its lots, first verdicts, verdicts on lots, and the instruments used."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from inspect_app.model import AboutFleet, Outcome
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.tables import (
    EntryInstrumentRow,
    EntryRow,
    InspectionRow,
    LotRow,
    LotVerdictRow,
    ResubmissionRow,
    ShipmentRow,
    SignatureRow,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotResult:
    """The verdict on a lot; one that came again does not count for rates."""

    lot_id: int
    outcome: Outcome
    follow_up: str
    is_first: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentUse:
    """How often an instrument was used, and when first and last."""

    instrument_id: int
    entries: int
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """A contract, its supplier and a class of device that was delivered under it."""

    contract_number: str
    supplier: str
    device_class: str


def deliveries_known(session: Session) -> tuple[Delivered, ...]:
    """Return what ever came under which contract from whom: what a scope can be narrowed down to."""
    columns = (ShipmentRow.contract_number, ShipmentRow.supplier, LotRow.device_class)
    statement = select(*columns).join(LotRow, LotRow.shipment_id == ShipmentRow.id).distinct().order_by(*columns)
    return tuple(
        Delivered(contract_number=number, supplier=supplier, device_class=device_class)
        for number, supplier, device_class in session.execute(statement)
    )


def lots_in(session: Session, scope: AboutFleet) -> tuple[int, ...]:
    """Return the keys of the lots within a scope, in order of receipt."""
    statement = select(LotRow.id).join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    for column, wanted in (
        (ShipmentRow.contract_number, scope.contract_number),
        (ShipmentRow.supplier, scope.supplier),
        (LotRow.device_class, scope.device_class),
    ):
        statement = statement.where(column == wanted) if wanted else statement
    if scope.received_from is not None:
        statement = statement.where(ShipmentRow.received_at >= datetime.combine(scope.received_from, time(), UTC))
    if scope.received_until is not None:
        end = datetime.combine(scope.received_until, time(), UTC) + timedelta(days=1)
        statement = statement.where(ShipmentRow.received_at < end)
    return tuple(session.scalars(statement.order_by(ShipmentRow.received_at, LotRow.id)))


def first_verdicts(session: Session, lot_ids: Collection[int]) -> tuple[int, int]:
    """Return how many devices were decided at their first inspection in each lot, and how many of them rejected."""
    statement = (
        select(
            func.count(SignatureRow.id),
            func.sum(case((SignatureRow.outcome == Outcome.REJECTED, 1), else_=0)),
        )
        .select_from(InspectionRow)
        .join(SignatureRow, COUNTING_SIGNATURE)
        .where(
            InspectionRow.lot_id.in_(lot_ids),
            InspectionRow.ordinal == 1,
            SignatureRow.outcome.in_((Outcome.ACCEPTED, Outcome.REJECTED)),
        )
    )
    decided, rejected = session.execute(statement).one()
    return int(decided), int(rejected or 0)


def lot_results(session: Session, lot_ids: Collection[int]) -> tuple[LotResult, ...]:
    """Return the verdicts on lots."""
    statement = (
        select(LotVerdictRow, ResubmissionRow.id)
        .outerjoin(ResubmissionRow, ResubmissionRow.lot_id == LotVerdictRow.lot_id)
        .where(LotVerdictRow.lot_id.in_(lot_ids))
        .order_by(LotVerdictRow.lot_id)
    )
    return tuple(
        LotResult(lot_id=row.lot_id, outcome=row.outcome, follow_up=row.follow_up.value, is_first=again is None)
        for row, again in session.execute(statement)
    )


def instruments_used(session: Session, lot_ids: Collection[int]) -> Sequence[InstrumentUse]:
    """Return which instruments the inspections of lots used, in the order of their keys."""
    statement = (
        select(
            EntryInstrumentRow.instrument_id,
            func.count(EntryInstrumentRow.id),
            func.min(EntryRow.recorded_at),
            func.max(EntryRow.recorded_at),
        )
        .join(EntryRow, EntryRow.id == EntryInstrumentRow.entry_id)
        .join(InspectionRow, InspectionRow.id == EntryRow.inspection_id)
        .where(InspectionRow.lot_id.in_(lot_ids))
        .group_by(EntryInstrumentRow.instrument_id)
        .order_by(EntryInstrumentRow.instrument_id)
    )
    return [
        InstrumentUse(instrument_id=key, entries=count, first_at=first, last_at=last)
        for key, count, first, last in session.execute(statement)
    ]
