"""Reader studies in the record, and which of them counts at the bench."""

import json
from collections import defaultdict
from hashlib import sha256

from pydantic import TypeAdapter
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Person, ReaderDoubt, ReaderErrors, ReaderStudy, StudyAdoption, StudyKind
from inspect_app.storage import instruments
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.people import people
from inspect_app.storage.tables import ReaderStudyRow, StudyAdoptionRow

_GIVEN: TypeAdapter[ReaderDoubt | ReaderErrors] = TypeAdapter(ReaderDoubt | ReaderErrors)


def studies(session: Session, number: str | None = None) -> tuple[ReaderStudy, ...]:
    """Return the study of a number, or all, the newest first, each with the acts about it."""
    statement = select(ReaderStudyRow).order_by(ReaderStudyRow.id.desc())
    if number is not None:
        statement = statement.where(ReaderStudyRow.number == number)
    rows = session.scalars(statement).all()
    everybody = people(session)
    adoptions: dict[int, list[StudyAdoption]] = defaultdict(list)
    acts = select(StudyAdoptionRow).where(StudyAdoptionRow.study_id.in_([row.id for row in rows]))
    numbers = {row.id: row.number for row in rows}
    for act in session.scalars(acts.order_by(StudyAdoptionRow.id)):
        adoptions[act.study_id].append(_adoption(act, numbers[act.study_id], everybody))
    return tuple(_study(session, row, everybody[row.kept_by_id], adoptions[row.id]) for row in rows)


def _study(session: Session, row: ReaderStudyRow, kept_by: Person, adoptions: list[StudyAdoption]) -> ReaderStudy:
    return ReaderStudy(
        number=row.number,
        kind=row.kind,
        title=row.title,
        layout=row.layout,
        table_name=row.table_name,
        table=row.table_text,
        instrument=None if row.instrument_id is None else instruments.instrument(session, row.instrument_id),
        remark=row.remark,
        kept_at=row.kept_at,
        kept_by=kept_by,
        adoptions=tuple(adoptions),
    )


def _adoption(row: StudyAdoptionRow, number: str, everybody: dict[int, Person]) -> StudyAdoption:
    given = None if row.doubt is None else _GIVEN.validate_python(json.loads(row.doubt))
    return StudyAdoption(
        study_number=number,
        doubt=given if isinstance(given, ReaderDoubt) else None,
        errors=given if isinstance(given, ReaderErrors) else None,
        reason=row.reason,
        decided_at=row.decided_at,
        decided_by=everybody[row.decided_by_id],
    )


def number_with_table(session: Session, table: str) -> str | None:
    """Return the number of the study with this very table."""
    return session.scalar(select(ReaderStudyRow.number).where(ReaderStudyRow.table_sha256 == _digest(table)))


def add_study(
    act: Act,
    *,
    kind: StudyKind,
    title: str,
    layout: str,
    table_name: str,
    table: str,
    instrument_id: int | None,
    remark: str,
    by: Person,
) -> str:
    """Keep a study and return the number that it gets, counted within its year."""
    year = act.at.year
    counted = select(func.count()).where(ReaderStudyRow.number.like(f"RS-{year}-%"))
    number = f"RS-{year}-{(act.session.scalar(counted) or 0) + 1:03d}"
    act.add(
        ReaderStudyRow(
            number=number,
            kind=kind,
            title=title,
            layout=layout,
            table_name=table_name,
            table_text=table,
            table_sha256=_digest(table),
            instrument_id=instrument_id,
            remark=remark,
            kept_at=act.at,
            kept_by_id=by.id,
        )
    )
    return number


def add_adoption(act: Act, number: str, *, given: ReaderDoubt | ReaderErrors | None, reason: str, by: Person) -> None:
    """Append that a study counts from now on, with what it gives, or that it does no longer."""
    study_id = act.session.scalars(select(ReaderStudyRow.id).where(ReaderStudyRow.number == number)).one()
    kept = None if given is None else canonical_json(_GIVEN.dump_python(given, mode="json"))
    act.add(StudyAdoptionRow(study_id=study_id, doubt=kept, reason=reason, decided_at=act.at, decided_by_id=by.id))


def counting_adoption(session: Session, kind: StudyKind = StudyKind.ELEMENTS) -> StudyAdoption | None:
    """Return the newest act about a study of a kind where it lets one count, or None."""
    statement = (
        select(StudyAdoptionRow, ReaderStudyRow.number)
        .join(ReaderStudyRow, ReaderStudyRow.id == StudyAdoptionRow.study_id)
        .where(ReaderStudyRow.kind == kind)
    )
    found = session.execute(statement.order_by(StudyAdoptionRow.id.desc()).limit(1)).first()
    if found is None or found[0].doubt is None:
        return None
    return _adoption(found[0], found[1], people(session))


def _digest(table: str) -> str:
    return sha256(table.encode()).hexdigest()
