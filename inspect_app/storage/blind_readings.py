"""Readings of several readers in the record."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import BlindReading, Person
from inspect_app.storage.audit import Act
from inspect_app.storage.people import people
from inspect_app.storage.tables import ReadingRow


def counting_readings(
    session: Session, inspection_id: int, step_id: str, before_revision: int | None = None
) -> tuple[BlindReading, ...]:
    """Return the newest reading of each reader in the newest round that was begun, in the order in which they read.

    With `before_revision`, the round that was the newest when that entry was recorded.
    """
    statement = (
        select(ReadingRow)
        .where(ReadingRow.inspection_id == inspection_id, ReadingRow.step_id == step_id)
        .order_by(ReadingRow.id)
    )
    if before_revision is not None:
        statement = statement.where(ReadingRow.after_revision < before_revision)
    rows = session.scalars(statement).all()
    newest = max((row.after_revision for row in rows), default=0)
    everybody = people(session)
    of_readers = {
        row.reader_id: BlindReading(
            text=row.text, reader=everybody[row.reader_id], read_at=row.read_at, after_revision=row.after_revision
        )
        for row in rows
        if row.after_revision == newest
    }
    return tuple(of_readers.values())


def add_reading(act: Act, inspection_id: int, step_id: str, *, after_revision: int, text: str, reader: Person) -> None:
    """Append what a reader read; an earlier reading of the same round stays beside it and no longer counts."""
    earlier = select(func.count()).where(
        ReadingRow.inspection_id == inspection_id,
        ReadingRow.step_id == step_id,
        ReadingRow.after_revision == after_revision,
        ReadingRow.reader_id == reader.id,
    )
    act.add(
        ReadingRow(
            inspection_id=inspection_id,
            step_id=step_id,
            after_revision=after_revision,
            reader_id=reader.id,
            ordinal=(act.session.scalar(earlier) or 0) + 1,
            text=text,
            read_at=act.at,
        )
    )
