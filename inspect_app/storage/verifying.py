"""Prove a record against its own digests, its keys and its triggers."""

from collections.abc import Iterator, Mapping

from sqlalchemy import func, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from inspect_app.storage import audit, results, tallies
from inspect_app.storage.database import Database
from inspect_app.storage.structure import structure_problems
from inspect_app.storage.tables import DocumentRow, EventRow, EvidenceRow, InspectionRow

_NAMED_PROBLEMS = 20


def record_problems(database: Database) -> Iterator[str]:
    """Yield what is wrong with the rows of a record, in words: file, structure, audit chain, what is derived."""
    with database.reading() as session:
        if database.is_sqlite:
            yield from _file_problems(session)
        yield from structure_problems(session.connection())
        yield from audit.problems(session)
        yield from results.problems(session)
        yield from tallies.problems(session)


def _file_problems(session: Session) -> Iterator[str]:
    try:
        found = session.scalars(text(f"PRAGMA integrity_check({_NAMED_PROBLEMS})")).all()
        for line in found:
            if line != "ok":
                yield f"the database file is damaged: {line}"
        for table, key, referred, *_ in session.execute(text("PRAGMA foreign_key_check")):
            yield f"row {key} of {table} names a row of {referred} that does not exist"
    except DatabaseError as error:
        yield f"the database file is damaged: {error.orig}"


def counts(session: Session) -> Mapping[str, int]:
    """Return how much the record holds, by what it is called."""
    return {
        "events": session.scalar(select(func.count(EventRow.id))) or 0,
        "inspections": session.scalar(select(func.count(InspectionRow.id))) or 0,
        "files": session.scalar(select(func.count(EvidenceRow.sha256))) or 0,
        "documents": session.scalar(select(func.count(DocumentRow.id))) or 0,
    }


def head(session: Session) -> str:
    """Return the digest of the last event: the seal of the whole record."""
    last = audit.last_event(session)
    return audit.GENESIS if last is None else last.digest
