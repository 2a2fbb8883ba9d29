"""How many devices of each lot stand where: counted whenever an act changes it, so that no page counts the fleet.

What is open, held, awaited or to be sent back is looked for in the lots alone whose tally says that there is some.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, SQLColumnExpression, case, delete, func, insert, select, union
from sqlalchemy.orm import Session

from inspect_app.model import NonconformityStep, Outcome
from inspect_app.storage.counting import COUNTING_SIGNATURE, NEWEST_INSPECTION
from inspect_app.storage.tables import (
    ArrivalRow,
    DocumentRow,
    InspectionRow,
    LotRow,
    LotTallyRow,
    NonconformityActRow,
    NonconformityRow,
    ReopeningRow,
    SealedRow,
    SignatureRow,
)

AWAITED: Final = LotTallyRow.accepted + LotTallyRow.rejected - LotTallyRow.documented
"""How many devices of a lot wait for their document."""

IS_CLOSED: Final = (
    select(NonconformityActRow.id)
    .where(
        NonconformityActRow.nonconformity_id == NonconformityRow.id,
        NonconformityActRow.step == NonconformityStep.CLOSED,
    )
    .exists()
)
"""A nonconformity that was closed."""

_COUNTED: Final = frozenset(
    {ArrivalRow, InspectionRow, SignatureRow, ReopeningRow, DocumentRow, NonconformityRow, NonconformityActRow}
)
_NUMBERS: Final = tuple(one.name for one in LotTallyRow.__table__.columns if one.name != "lot_id")
_AT_ONCE: Final = 100
_NAMED_PROBLEMS: Final = 20
_REMEDY: Final = "inspect-app database recount"
_DECIDED: Final = (Outcome.ACCEPTED, Outcome.REJECTED)
Numbers = dict[str, int]


def bring_up_to_date(session: Session, event_id: int, kinds: Collection[type[SealedRow]]) -> None:
    """Tally every lot that an event changed, given the kinds of rows that it wrote."""
    if not _COUNTED.isdisjoint(kinds):
        write(session, session.scalars(_touched_by(event_id)).all())


def write(session: Session, lot_ids: Sequence[int]) -> None:
    """Put the tallies of lots as they stand in the place of those that there were."""
    for some in _in_batches(lot_ids):
        session.execute(delete(LotTallyRow).where(LotTallyRow.lot_id.in_(some)))
        counted = _counted(session, some)
        if counted:
            session.execute(insert(LotTallyRow), [{"lot_id": key, **numbers} for key, numbers in counted.items()])


def write_all(session: Session) -> int:
    """Tally every lot anew, whatever stood there, and return how many there are."""
    session.execute(delete(LotTallyRow))
    lot_ids = session.scalars(select(LotRow.id).order_by(LotRow.id)).all()
    write(session, lot_ids)
    return len(lot_ids)


def fill(session: Session) -> None:
    """Tally the lots that have no tally yet: those of a record from before this table."""
    write(session, session.scalars(select(LotRow.id).where(LotRow.id.not_in(select(LotTallyRow.lot_id)))).all())


def lots_where(session: Session, some: ColumnElement[Any]) -> tuple[int, ...]:
    """Return the keys of lots whose tally meets a condition, in their order."""
    return tuple(session.scalars(select(LotTallyRow.lot_id).where(some).order_by(LotTallyRow.lot_id)))


def total(session: Session, number: SQLColumnExpression[int]) -> int:
    """Return the sum of one number over all lots."""
    return session.scalar(select(func.sum(number))) or 0


def problems(session: Session) -> Iterator[str]:
    """Count every lot again and yield where its tally differs, in words."""
    named = 0
    for some in _in_batches(session.scalars(select(LotRow.id).order_by(LotRow.id)).all()):
        wanted, found = _counted(session, some), _kept(session, some)
        for lot_id in some:
            if wanted.get(lot_id) != found.get(lot_id) and named < _NAMED_PROBLEMS:
                named += 1
                yield f"the tally of lot {lot_id} is not what its rows give; if it alone is wrong: {_REMEDY}"
    yield from _strays(session)


def _strays(session: Session) -> Iterator[str]:
    known = select(LotRow.id)
    for lot_id in session.scalars(select(LotTallyRow.lot_id).where(LotTallyRow.lot_id.not_in(known)).distinct()):
        yield f"a tally is kept for lot {lot_id}, which does not exist; if it alone is wrong: {_REMEDY}"


def _in_batches(values: Sequence[int]) -> Iterator[Sequence[int]]:
    return (values[start : start + _AT_ONCE] for start in range(0, len(values), _AT_ONCE))


def _touched_by(event_id: int) -> Any:
    """Return the statement that finds the lots of what an event wrote."""
    inspected = select(InspectionRow.lot_id)
    signed = inspected.join(SignatureRow, SignatureRow.inspection_id == InspectionRow.id)
    failed = signed.join(NonconformityRow, NonconformityRow.signature_id == SignatureRow.id)
    return union(
        select(ArrivalRow.lot_id).where(ArrivalRow.event_id == event_id),
        inspected.where(InspectionRow.event_id == event_id),
        signed.where(SignatureRow.event_id == event_id),
        signed.join(ReopeningRow, ReopeningRow.signature_id == SignatureRow.id).where(
            ReopeningRow.event_id == event_id
        ),
        signed.join(DocumentRow, DocumentRow.signature_id == SignatureRow.id).where(DocumentRow.event_id == event_id),
        failed.where(NonconformityRow.event_id == event_id),
        failed.join(NonconformityActRow, NonconformityActRow.nonconformity_id == NonconformityRow.id).where(
            NonconformityActRow.event_id == event_id
        ),
    ).order_by("lot_id")


def _kept(session: Session, lot_ids: Sequence[int]) -> Mapping[int, Numbers]:
    rows = session.execute(select(LotTallyRow.__table__).where(LotTallyRow.lot_id.in_(lot_ids))).mappings()
    return {row["lot_id"]: {name: row[name] for name in _NUMBERS} for row in rows}


def _counted(session: Session, lot_ids: Sequence[int]) -> Mapping[int, Numbers]:
    """Count lots anew; one that no device came in has no tally."""
    found: dict[int, Numbers] = {}
    for statement in (_devices(lot_ids), _passes(lot_ids), _nonconformities(lot_ids)):
        for row in session.execute(statement).mappings():
            counted = found.setdefault(row["lot_id"], dict.fromkeys(_NUMBERS, 0))
            counted |= {name: int(number or 0) for name, number in row.items() if name != "lot_id"}
    return found


def _devices(lot_ids: Sequence[int]) -> Any:
    outcome = SignatureRow.outcome
    is_issued = select(DocumentRow.id).where(DocumentRow.signature_id == SignatureRow.id).exists()
    return (
        select(
            ArrivalRow.lot_id,
            func.count(ArrivalRow.id).label("devices"),
            func.count(InspectionRow.id).label("inspected"),
            _number_of(outcome == Outcome.ACCEPTED).label("accepted"),
            _number_of(outcome == Outcome.REJECTED).label("rejected"),
            _number_of(outcome == Outcome.HELD).label("held"),
            _number_of(outcome.in_(_DECIDED) & is_issued).label("documented"),
        )
        .select_from(ArrivalRow)
        .outerjoin(InspectionRow, NEWEST_INSPECTION)
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .where(ArrivalRow.lot_id.in_(lot_ids))
        .group_by(ArrivalRow.lot_id)
    )


def _passes(lot_ids: Sequence[int]) -> Any:
    is_first = InspectionRow.ordinal == 1
    return (
        select(
            InspectionRow.lot_id,
            func.count(InspectionRow.id).label("passes"),
            func.count(SignatureRow.id).label("signed"),
            _number_of(is_first & SignatureRow.outcome.in_(_DECIDED)).label("first_decided"),
            _number_of(is_first & (SignatureRow.outcome == Outcome.REJECTED)).label("first_rejected"),
        )
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .where(InspectionRow.lot_id.in_(lot_ids))
        .group_by(InspectionRow.lot_id)
    )


def _nonconformities(lot_ids: Sequence[int]) -> Any:
    return (
        select(
            InspectionRow.lot_id,
            func.count(NonconformityRow.id).label("nonconformities"),
            _number_of(~IS_CLOSED).label("open_nonconformities"),
        )
        .select_from(InspectionRow)
        .join(SignatureRow, SignatureRow.inspection_id == InspectionRow.id)
        .join(NonconformityRow, NonconformityRow.signature_id == SignatureRow.id)
        .where(InspectionRow.lot_id.in_(lot_ids))
        .group_by(InspectionRow.lot_id)
    )


def _number_of(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return func.sum(case((condition, 1), else_=0))
