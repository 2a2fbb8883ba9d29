"""References in the record: what is watched, what was read, the limits set and the signals cleared."""

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import (
    Clearance,
    Condition,
    Measured,
    Person,
    Reference,
    ReferenceLimits,
    ReferenceReading,
    WatchedReference,
)
from inspect_app.quantity import Quantity
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.convert import condition_from, measured_text
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    ReferenceClearanceRow,
    ReferenceFileRow,
    ReferenceLimitsRow,
    ReferenceReadingRow,
    ReferenceRow,
)


def add_reference(
    act: Act,
    *,
    name: str,
    check: str,
    quantity_name: str,
    unit: str,
    condition: Condition,
    options: Mapping[str, str],
) -> Reference:
    """Keep what is to be watched."""
    row = ReferenceRow(
        name=name,
        check_name=check,
        quantity_name=quantity_name,
        unit=unit,
        condition=canonical_json(dict(condition)),
        options=canonical_json(dict(options)),
    )
    return _reference_of(act.add(row))


def reference_named(session: Session, name: str) -> Reference | None:
    """Return the reference with a name."""
    row = session.scalar(select(ReferenceRow).where(ReferenceRow.name == name))
    return None if row is None else _reference_of(row)


def watched(session: Session, reference_id: int | None = None) -> tuple[WatchedReference, ...]:
    """Return all references in order of name, or one, with what was read and decided; measurements are left out."""
    statement = select(ReferenceRow).order_by(ReferenceRow.name)
    if reference_id is not None:
        statement = statement.where(ReferenceRow.id == reference_id)
    references = [_reference_of(row) for row in session.scalars(statement)]
    if not references:
        return ()
    everybody = people(session)
    readings = _readings(session, reference_id, {one.id: one.unit for one in references}, everybody)
    limits = _limits(session, reference_id, everybody)
    clearances = _clearances(session, reference_id, everybody)
    return tuple(
        WatchedReference(
            reference=one,
            readings=tuple(readings[one.id]),
            limits=tuple(limits[one.id]),
            clearances=tuple(clearances[one.id]),
        )
        for one in references
    )


def add_reading(
    act: Act,
    reference_id: int,
    quantity: Quantity,
    by: Person,
    *,
    remark: str,
    measured: Measured | None = None,
    files: Sequence[tuple[str, str]] = (),
    at: datetime | None = None,
) -> int:
    """Append a reading, of now unless it is said when, and return its number."""
    number = last_number(act.session, reference_id) + 1
    row = act.add(
        ReferenceReadingRow(
            reference_id=reference_id,
            number=number,
            value=quantity.value,
            standard_uncertainty=quantity.standard_uncertainty,
            remark=remark,
            transcript=None if measured is None else measured_text(measured),
            read_at=at or act.at,
            read_by_id=by.id,
        )
    )
    act.add_all(
        [
            ReferenceFileRow(reading_id=row.id, position=position, sha256=sha256, name=name)
            for position, (sha256, name) in enumerate(files, start=1)
        ]
    )
    return number


def last_number(session: Session, reference_id: int) -> int:
    """Return the number of the newest reading, 0 where there is none."""
    which = ReferenceReadingRow.reference_id == reference_id
    return session.scalar(select(func.max(ReferenceReadingRow.number)).where(which)) or 0


def last_read(session: Session, reference_id: int) -> datetime | None:
    """Return when a reference was read last."""
    which = ReferenceReadingRow.reference_id == reference_id
    return session.scalar(select(func.max(ReferenceReadingRow.read_at)).where(which))


def add_limits(
    act: Act, reference_id: int, *, first: int, last: int, centre: float, sigma: float, reason: str, by: Person
) -> None:
    """Append control limits; they count for the readings to come."""
    act.add(
        ReferenceLimitsRow(
            reference_id=reference_id,
            first=first,
            last=last,
            after=last_number(act.session, reference_id),
            centre=centre,
            sigma=sigma,
            reason=reason,
            set_at=act.at,
            set_by_id=by.id,
        )
    )


def add_clearance(act: Act, reference_id: int, *, through: int, reason: str, by: Person) -> None:
    """Append that the signals up to a reading are explained."""
    act.add(
        ReferenceClearanceRow(
            reference_id=reference_id, through=through, reason=reason, cleared_at=act.at, cleared_by_id=by.id
        )
    )


def _reference_of(row: ReferenceRow) -> Reference:
    return Reference(
        id=row.id,
        name=row.name,
        check=row.check_name,
        quantity_name=row.quantity_name,
        unit=row.unit,
        condition=condition_from(row.condition),
        options=json.loads(row.options),
    )


def _readings(
    session: Session, reference_id: int | None, units: Mapping[int, str], everybody: Mapping[int, Person]
) -> Mapping[int, list[ReferenceReading]]:
    table = ReferenceReadingRow
    statement = select(
        table.id,
        table.reference_id,
        table.number,
        table.value,
        table.standard_uncertainty,
        table.remark,
        table.read_at,
        table.read_by_id,
    ).order_by(table.reference_id, table.number)
    named = (
        select(ReferenceFileRow, table.reference_id)
        .join(table, table.id == ReferenceFileRow.reading_id)
        .order_by(ReferenceFileRow.reading_id, ReferenceFileRow.position)
    )
    if reference_id is not None:
        statement = statement.where(table.reference_id == reference_id)
        named = named.where(table.reference_id == reference_id)
    files: dict[int, list[tuple[str, str]]] = defaultdict(list)
    for file, _ in session.execute(named):
        files[file.reading_id].append((file.sha256, file.name))
    found: dict[int, list[ReferenceReading]] = defaultdict(list)
    for row in session.execute(statement):
        found[row.reference_id].append(
            ReferenceReading(
                number=row.number,
                quantity=Quantity(
                    value=row.value, unit=units[row.reference_id], standard_uncertainty=row.standard_uncertainty
                ),
                read_at=row.read_at,
                read_by=everybody[row.read_by_id],
                remark=row.remark,
                files=tuple(files[row.id]),
            )
        )
    return found


def _limits(
    session: Session, reference_id: int | None, everybody: Mapping[int, Person]
) -> Mapping[int, list[ReferenceLimits]]:
    statement = select(ReferenceLimitsRow).order_by(ReferenceLimitsRow.id)
    if reference_id is not None:
        statement = statement.where(ReferenceLimitsRow.reference_id == reference_id)
    found: dict[int, list[ReferenceLimits]] = defaultdict(list)
    for row in session.scalars(statement):
        found[row.reference_id].append(
            ReferenceLimits(
                first=row.first,
                last=row.last,
                after=row.after,
                centre=row.centre,
                sigma=row.sigma,
                reason=row.reason,
                set_at=row.set_at,
                set_by=everybody[row.set_by_id],
            )
        )
    return found


def _clearances(
    session: Session, reference_id: int | None, everybody: Mapping[int, Person]
) -> Mapping[int, list[Clearance]]:
    statement = select(ReferenceClearanceRow).order_by(ReferenceClearanceRow.through)
    if reference_id is not None:
        statement = statement.where(ReferenceClearanceRow.reference_id == reference_id)
    found: dict[int, list[Clearance]] = defaultdict(list)
    for row in session.scalars(statement):
        found[row.reference_id].append(
            Clearance(
                through=row.through,
                reason=row.reason,
                cleared_at=row.cleared_at,
                cleared_by=everybody[row.cleared_by_id],
            )
        )
    return found
