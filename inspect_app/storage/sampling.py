"""Sampled lots in the record: draws, changes, verdicts, resubmissions, and the history behind the switching."""

import json
from collections.abc import Collection
from dataclasses import dataclass

from pydantic import TypeAdapter
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import (
    FollowUp,
    Judgement,
    Lot,
    LotVerdict,
    Outcome,
    Person,
    Resubmission,
    Ruling,
    RulingKind,
    SampleChange,
    SampleDraw,
    Severity,
    SeverityCount,
    SeverityPlan,
)
from inspect_app.storage.arrivals import lots_by_key
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.convert import assessment_from
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    InspectionRow,
    LotRow,
    LotVerdictRow,
    ResubmissionRow,
    SampleChangeRow,
    SampleDrawRow,
    ShipmentRow,
    SignatureRow,
    SwitchingRulingRow,
)

_PLANS: TypeAdapter[tuple[SeverityPlan, ...]] = TypeAdapter(tuple[SeverityPlan, ...])
_COUNTS: TypeAdapter[tuple[SeverityCount, ...]] = TypeAdapter(tuple[SeverityCount, ...])


def add_draw(
    act: Act, lot_id: int, *, contract_id: int, seed: str, lot_size: int, plans: tuple[SeverityPlan, ...], by: Person
) -> None:
    """Keep the draw of a lot."""
    act.add(
        SampleDrawRow(
            lot_id=lot_id,
            contract_id=contract_id,
            seed=seed,
            lot_size=lot_size,
            plans=canonical_json(_PLANS.dump_python(plans, mode="json")),
            drawn_at=act.at,
            drawn_by_id=by.id,
        )
    )


def draw_of(session: Session, lot_id: int) -> SampleDraw | None:
    """Return the draw of a lot with its changes, oldest first."""
    row = session.scalar(select(SampleDrawRow).where(SampleDrawRow.lot_id == lot_id))
    if row is None:
        return None
    everybody = people(session)
    changes = select(SampleChangeRow).where(SampleChangeRow.draw_id == row.id).order_by(SampleChangeRow.ordinal)
    return SampleDraw(
        id=row.id,
        lot_id=row.lot_id,
        seed=row.seed,
        lot_size=row.lot_size,
        plans=_PLANS.validate_python(json.loads(row.plans)),
        drawn_at=row.drawn_at,
        drawn_by=everybody[row.drawn_by_id],
        changes=tuple(
            SampleChange(
                device_id=change.device_id,
                replaced_device_id=change.replaced_device_id,
                reason=change.reason,
                changed_at=change.changed_at,
                changed_by=everybody[change.changed_by_id],
            )
            for change in session.scalars(changes)
        ),
    )


def add_change(
    act: Act, draw_id: int, *, device_id: int, replaced_device_id: int | None, reason: str, by: Person
) -> None:
    """Keep a change to a sample."""
    count = act.session.scalar(select(func.count()).where(SampleChangeRow.draw_id == draw_id)) or 0
    act.add(
        SampleChangeRow(
            draw_id=draw_id,
            ordinal=count + 1,
            device_id=device_id,
            replaced_device_id=replaced_device_id,
            reason=reason,
            changed_at=act.at,
            changed_by_id=by.id,
        )
    )


def first_judgements(session: Session, lot_id: int, device_ids: Collection[int]) -> dict[int, tuple[Judgement, ...]]:
    """Return, for the devices whose first inspection in a lot is decided, its judgements as they were signed."""
    statement = (
        select(InspectionRow.device_id, SignatureRow.assessment)
        .join(SignatureRow, COUNTING_SIGNATURE)
        .where(
            InspectionRow.lot_id == lot_id,
            InspectionRow.ordinal == 1,
            InspectionRow.device_id.in_(device_ids),
            SignatureRow.outcome != Outcome.HELD,
        )
    )
    return {device_id: assessment_from(text)[0] for device_id, text in session.execute(statement)}


def add_verdict(
    act: Act,
    lot_id: int,
    *,
    outcome: Outcome,
    follow_up: FollowUp,
    counts: tuple[SeverityCount, ...],
    reason: str,
    by: Person,
) -> None:
    """Keep the verdict on a lot."""
    act.add(
        LotVerdictRow(
            lot_id=lot_id,
            outcome=outcome,
            follow_up=follow_up,
            counts=canonical_json(_COUNTS.dump_python(counts, mode="json")),
            reason=reason,
            decided_at=act.at,
            decided_by_id=by.id,
        )
    )


def verdict_on(session: Session, lot_id: int) -> LotVerdict | None:
    """Return the verdict on a lot."""
    row = session.scalar(select(LotVerdictRow).where(LotVerdictRow.lot_id == lot_id))
    return None if row is None else _verdict(row, people(session)[row.decided_by_id])


def _verdict(row: LotVerdictRow, decided_by: Person) -> LotVerdict:
    return LotVerdict(
        outcome=row.outcome,
        follow_up=row.follow_up,
        counts=_COUNTS.validate_python(json.loads(row.counts)),
        reason=row.reason,
        decided_at=row.decided_at,
        decided_by=decided_by,
    )


def add_resubmission(act: Act, lot_id: int, *, earlier_lot_id: int, reason: str, by: Person) -> None:
    """Keep that a lot is an earlier one come again."""
    act.add(
        ResubmissionRow(
            lot_id=lot_id, earlier_lot_id=earlier_lot_id, reason=reason, declared_at=act.at, declared_by_id=by.id
        )
    )


def resubmission_of(session: Session, lot_id: int) -> Resubmission | None:
    """Return what a lot is a resubmission of."""
    return _resubmission(session, session.scalar(select(ResubmissionRow).where(ResubmissionRow.lot_id == lot_id)))


def resubmitted_as(session: Session, lot_id: int) -> Resubmission | None:
    """Return the later lot that a lot came again as."""
    found = session.scalar(select(ResubmissionRow).where(ResubmissionRow.earlier_lot_id == lot_id))
    return _resubmission(session, found)


def _resubmission(session: Session, row: ResubmissionRow | None) -> Resubmission | None:
    if row is None:
        return None
    lots = lots_by_key(session, (row.lot_id, row.earlier_lot_id))
    return Resubmission(
        lot=lots[row.lot_id],
        earlier=lots[row.earlier_lot_id],
        reason=row.reason,
        declared_at=row.declared_at,
        declared_by=people(session)[row.declared_by_id],
    )


def add_ruling(
    act: Act, *, supplier: str, device_class: str, severity: Severity, kind: RulingKind, reason: str, by: Person
) -> None:
    """Keep a ruling on the switching of a supplier."""
    act.add(
        SwitchingRulingRow(
            supplier=supplier,
            device_class=device_class,
            severity=severity,
            kind=kind,
            reason=reason,
            ruled_at=act.at,
            ruled_by_id=by.id,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DecidedLot:
    """A lot on first submission with its plans and its verdict."""

    lot: Lot
    plans: tuple[SeverityPlan, ...]
    verdict: LotVerdict


def history(session: Session, supplier: str, device_class: str) -> tuple[DecidedLot | tuple[Severity, Ruling], ...]:
    """Return lots decided on first submission, and rulings, of a supplier and class, in the order of the record."""
    everybody = people(session)
    lots = (
        select(LotVerdictRow, SampleDrawRow.plans)
        .join(SampleDrawRow, SampleDrawRow.lot_id == LotVerdictRow.lot_id)
        .join(LotRow, LotRow.id == LotVerdictRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .where(
            ShipmentRow.supplier == supplier,
            LotRow.device_class == device_class,
            ~select(ResubmissionRow.id).where(ResubmissionRow.lot_id == LotRow.id).exists(),
        )
    )
    rows = session.execute(lots).all()
    by_key = lots_by_key(session, [row.lot_id for row, _ in rows])
    events: list[tuple[int, DecidedLot | tuple[Severity, Ruling]]] = [
        (
            row.event_id,
            DecidedLot(
                lot=by_key[row.lot_id],
                plans=_PLANS.validate_python(json.loads(plans)),
                verdict=_verdict(row, everybody[row.decided_by_id]),
            ),
        )
        for row, plans in rows
    ]
    rulings = select(SwitchingRulingRow).where(
        SwitchingRulingRow.supplier == supplier, SwitchingRulingRow.device_class == device_class
    )
    events += [
        (row.event_id, (row.severity, Ruling(kind=row.kind, by=everybody[row.ruled_by_id].name, reason=row.reason)))
        for row in session.scalars(rulings)
    ]
    return tuple(event for _, event in sorted(events, key=lambda pair: pair[0]))
