"""Entries in the record: the answers to each step, revision by revision, with what was measured."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Entry, EntryState, Evidence, Measured, Person
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.convert import answers_text, entry_evidence_of, entry_of, measured_text
from inspect_app.storage.corrections import corrections_of_entries
from inspect_app.storage.instruments import instruments_of_entries
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    EntryEvidenceRow,
    EntryInstrumentRow,
    EntryRow,
    EvidenceRow,
    InspectionRow,
    MeasurementRow,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """An entry to be appended."""

    step_id: str
    revision: int
    state: EntryState
    answers: Mapping[str, tuple[str, ...]]
    conditions: Mapping[str, str]
    instrument_ids: tuple[int, ...]
    evidence: tuple[Evidence, ...]
    problem: str | None
    reason: str | None
    measured: Measured | None
    program_version: str


def newest_entries(
    session: Session, inspection_ids: Collection[int], everybody: Mapping[int, Person]
) -> Mapping[int, dict[str, Entry]]:
    """Return the newest entry of each step of inspections, by inspection and step."""
    newest = (
        select(EntryRow.inspection_id, EntryRow.step_id, func.max(EntryRow.revision).label("revision"))
        .where(EntryRow.inspection_id.in_(inspection_ids))
        .group_by(EntryRow.inspection_id, EntryRow.step_id)
        .subquery()
    )
    statement = (
        select(EntryRow)
        .join(
            newest,
            (newest.c.inspection_id == EntryRow.inspection_id)
            & (newest.c.step_id == EntryRow.step_id)
            & (newest.c.revision == EntryRow.revision),
        )
        .order_by(EntryRow.id)
    )
    rows = session.scalars(statement).all()
    found: dict[int, dict[str, Entry]] = defaultdict(dict)
    for row, entry in zip(rows, _entries(session, rows, everybody), strict=True):
        found[row.inspection_id][row.step_id] = entry
    return found


def entries_of_step(session: Session, inspection_id: int, step_id: str) -> tuple[Entry, ...]:
    """Return every revision of a step's entry, oldest first."""
    statement = (
        select(EntryRow)
        .where(EntryRow.inspection_id == inspection_id, EntryRow.step_id == step_id)
        .order_by(EntryRow.revision)
    )
    return _entries(session, session.scalars(statement).all(), people(session))


def last_of_lot(session: Session, lot_id: int, step_id: str, but: int) -> Entry | None:
    """Return the entry that was recorded last for a step of any inspection of a lot but one."""
    statement = (
        select(EntryRow)
        .join(InspectionRow, InspectionRow.id == EntryRow.inspection_id)
        .where(
            InspectionRow.lot_id == lot_id,
            InspectionRow.id != but,
            EntryRow.step_id == step_id,
            EntryRow.state == EntryState.RECORDED,
        )
        .order_by(EntryRow.id.desc())
        .limit(1)
    )
    return next(iter(_entries(session, session.scalars(statement).all(), people(session))), None)


def newest_entry(session: Session, inspection_id: int, step_id: str) -> Entry | None:
    """Return the newest entry of one step."""
    statement = (
        select(EntryRow)
        .where(EntryRow.inspection_id == inspection_id, EntryRow.step_id == step_id)
        .order_by(EntryRow.revision.desc())
        .limit(1)
    )
    return next(iter(_entries(session, session.scalars(statement).all(), people(session))), None)


def _entries(session: Session, rows: Sequence[EntryRow], everybody: Mapping[int, Person]) -> tuple[Entry, ...]:
    keys = [row.id for row in rows]
    instruments = instruments_of_entries(session, keys)
    evidence = _evidence_of_entries(session, keys)
    measurements = select(MeasurementRow.entry_id, MeasurementRow.transcript).where(MeasurementRow.entry_id.in_(keys))
    transcripts = dict(session.execute(measurements).all())
    corrected = corrections_of_entries(session, keys, everybody)
    return tuple(
        entry_of(
            row,
            everybody[row.recorded_by_id],
            instruments.get(row.id, ()),
            evidence.get(row.id, ()),
            transcripts.get(row.id),
            corrected.get(row.id, ()),
        )
        for row in rows
    )


def _evidence_of_entries(session: Session, entry_ids: Collection[int]) -> Mapping[int, list[Evidence]]:
    statement = (
        select(EntryEvidenceRow, EvidenceRow)
        .join(EvidenceRow, EvidenceRow.sha256 == EntryEvidenceRow.sha256)
        .where(EntryEvidenceRow.entry_id.in_(entry_ids))
        .order_by(EntryEvidenceRow.entry_id, EntryEvidenceRow.position)
    )
    found: dict[int, list[Evidence]] = defaultdict(list)
    for row, file in session.execute(statement):
        found[row.entry_id].append(entry_evidence_of(row, file))
    return found


def add_entry(act: Act, inspection_id: int, new: NewEntry, recorded_by: Person) -> Entry:
    """Append an entry with its instruments, files and measurement."""
    row = act.add(
        EntryRow(
            inspection_id=inspection_id,
            step_id=new.step_id,
            revision=new.revision,
            state=new.state,
            answers=answers_text(new.answers),
            conditions=canonical_json(dict(new.conditions)),
            problem=new.problem,
            reason=new.reason,
            recorded_at=act.at,
            recorded_by_id=recorded_by.id,
        )
    )
    for position, instrument_id in enumerate(new.instrument_ids, start=1):
        act.add(EntryInstrumentRow(entry_id=row.id, position=position, instrument_id=instrument_id))
    for position, file in enumerate(new.evidence, start=1):
        act.add(
            EntryEvidenceRow(entry_id=row.id, position=position, sha256=file.sha256, name=file.name, role=file.role)
        )
    if new.measured is not None:
        act.add(
            MeasurementRow(entry_id=row.id, program_version=new.program_version, transcript=measured_text(new.measured))
        )
    (entry,) = _entries(act.session, (row,), {recorded_by.id: recorded_by})
    return entry


def program_version_of(session: Session, entry_id: int) -> str | None:
    """Return the version of the program that measured an entry."""
    return session.scalar(select(MeasurementRow.program_version).where(MeasurementRow.entry_id == entry_id))


def recorded_revision(session: Session, inspection_id: int, step_id: str) -> int:
    """Return the newest revision of a step's entry that was recorded; 0 where none was."""
    statement = select(func.max(EntryRow.revision)).where(
        EntryRow.inspection_id == inspection_id,
        EntryRow.step_id == step_id,
        EntryRow.state == EntryState.RECORDED,
    )
    return session.scalar(statement) or 0
