"""The audit chain: every write is an event that seals the rows it wrote and the event before it.

An event's digest is the SHA-256 of its canonical JSON, which holds the digest of the event before (64 zeros for the
first) and `content`, the digest of all rows it wrote. Changing, adding or removing a row therefore breaks its event,
and changing an event breaks every later one. Only a cut at the end leaves no trace inside: keep the digest of the last
event somewhere else, as each backup does.
"""

import contextlib
import hashlib
import heapq
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any, Final, TypeVar

from sqlalchemy import insert, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from inspect_app.storage import tallies
from inspect_app.storage.database import Database
from inspect_app.storage.tables import EventRow, Row, SealedRow

GENESIS: Final = "0" * 64
_CANONICAL: Final = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
R = TypeVar("R", bound=SealedRow)


@dataclass(slots=True, kw_only=True)
class Act:
    """A write under way: rows added through it are sealed by its event."""

    session: Session
    event_id: int
    at: datetime
    subject: str = ""
    detail: dict[str, str] = field(default_factory=dict)
    rows: list[SealedRow] = field(default_factory=list)

    def add(self, row: R) -> R:
        """Add a row and give it its key."""
        self.add_all((row,))
        return row

    def add_all(self, rows: Sequence[SealedRow]) -> None:
        """Add many rows at once."""
        for row in rows:
            row.event_id = self.event_id
        self.session.add_all(rows)
        self.session.flush()
        self.rows += rows

    def tell(self, subject: str, **detail: str) -> None:
        """Say what the event is about."""
        self.subject = subject
        self.detail = detail


@contextlib.contextmanager
def acting(database: Database, *, actor: str, action: str, at: datetime) -> Iterator[Act]:
    """Open the one write transaction of a use case; where rows were added, its event ends it."""
    with database.writing() as session:
        previous = last_event(session)
        act = Act(session=session, event_id=1 if previous is None else previous.id + 1, at=at)
        yield act
        if act.rows:
            digests = [_row_digest(type(added), plain_values(added)) for added in act.rows]
            _seal(act, actor, action, GENESIS if previous is None else previous.digest, digests)
            tallies.bring_up_to_date(session, act.event_id, {type(row) for row in act.rows})


@dataclass(slots=True, kw_only=True)
class Chain:
    """A write of very many acts in one transaction: rows given as values, sealed as if they were written one by one."""

    session: Session
    last: EventRow | None

    def append(
        self,
        *,
        actor: str,
        action: str,
        at: datetime,
        subject: str,
        detail: Mapping[str, str],
        rows: Mapping[type[SealedRow], Sequence[dict[str, Any]]],
    ) -> None:
        """Append one event with its rows, parents before children; each row has its key and every column."""
        act = Act(session=self.session, event_id=1 if self.last is None else self.last.id + 1, at=at)
        act.tell(subject, **detail)
        digests = []
        for kind, many in rows.items():
            sealed = [{**values, "event_id": act.event_id} for values in many]
            digests += [_row_digest(kind, {name: _plain(value) for name, value in row.items()}) for row in sealed]
            if sealed:
                self.session.execute(insert(Row.metadata.tables[kind.__tablename__]), sealed)
        previous_digest = GENESIS if self.last is None else self.last.digest
        self.last = _seal(act, actor, action, previous_digest, digests)
        tallies.bring_up_to_date(self.session, act.event_id, rows.keys())


@contextlib.contextmanager
def chaining(database: Database) -> Iterator[Chain]:
    """Open one write transaction for very many acts; all of them are kept, or none."""
    with database.writing() as session:
        yield Chain(session=session, last=last_event(session))


def last_event(session: Session) -> EventRow | None:
    """Return the end of the chain."""
    return session.scalar(select(EventRow).order_by(EventRow.id.desc()).limit(1))


def _seal(act: Act, actor: str, action: str, previous_digest: str, row_digests: Iterable[str]) -> EventRow:
    row = EventRow(
        id=act.event_id,
        at=act.at,
        actor=actor,
        action=action,
        subject=act.subject[:200],
        detail=canonical_json(act.detail),
        content=_content_digest(row_digests),
        previous_digest=previous_digest,
        digest="",
    )
    row.digest = event_digest(row)
    act.session.add(row)
    act.session.flush()
    return row


def canonical_json(values: Any) -> str:
    """Return JSON text that is the same for equal values: sorted keys, no spaces, no NaN."""
    return _CANONICAL.encode(values)


def event_digest(row: EventRow) -> str:
    """Return what the digest of an event must be."""
    values = {name: value for name, value in plain_values(row).items() if name != "digest"}
    return _sha256(canonical_json(values))


def problems(session: Session) -> Iterator[str]:
    """Recompute the whole chain and yield what does not agree, in words; memory stays bounded."""
    unreadable: list[str] = []
    sealed = heapq.merge(*(_digests(session, table, unreadable) for table in sealed_tables()))
    contents = groupby(sealed, key=lambda pair: pair[0])
    waiting = next(contents, None)
    expected_id, previous_digest = 1, GENESIS
    for row in _readable(session, EventRow, unreadable):
        while waiting is not None and waiting[0] < row.id:
            yield f"rows say event {waiting[0]} wrote them, but there is no such event"
            waiting = next(contents, None)
        content = _content_digest(())
        if waiting is not None and waiting[0] == row.id:
            content = _content_digest(digest for _, digest in waiting[1])
            waiting = next(contents, None)
        yield from _event_problems(row, expected_id, previous_digest, content, has_all_rows=not unreadable)
        expected_id, previous_digest = row.id + 1, row.digest
    while waiting is not None:
        yield f"rows say event {waiting[0]} wrote them, but there is no such event"
        waiting = next(contents, None)
    yield from unreadable


def _event_problems(
    row: EventRow, expected_id: int, previous_digest: str, content: str, *, has_all_rows: bool
) -> Iterator[str]:
    name = f"event {row.id} ({row.action}, {row.subject})"
    if row.id != expected_id:
        yield f"{name}: event {expected_id} is missing before it"
    if row.previous_digest != previous_digest:
        yield f"{name}: it does not follow the event before it"
    if row.digest != event_digest(row):
        yield f"{name}: it was changed"
    if has_all_rows and row.content != content:
        yield f"{name}: a row that it wrote was changed, added or removed"


def sealed_tables() -> tuple[type[SealedRow], ...]:
    """Return every kind of row that events seal, in order of table name."""
    kinds = (mapper.class_ for mapper in Row.registry.mappers if issubclass(mapper.class_, SealedRow))
    return tuple(sorted(kinds, key=lambda kind: kind.__tablename__))


def _digests(session: Session, kind: type[SealedRow], unreadable: list[str]) -> Iterator[tuple[int, str]]:
    for row in _readable(session, kind, unreadable):
        yield row.event_id, _row_digest(kind, plain_values(row))


def _readable(session: Session, kind: type[Any], unreadable: list[str]) -> Iterator[Any]:
    table = kind.__table__
    order = table.c.id if kind is EventRow else table.c.event_id
    statement = select(table).order_by(order).execution_options(yield_per=1000)
    try:
        yield from session.execute(statement)
    except (SQLAlchemyError, ValueError, LookupError, TypeError) as error:
        unreadable.append(f"table {table.name}: a row cannot be read ({str(error).splitlines()[0]})")


def plain_values(row: Any) -> Mapping[str, Any]:
    """Return the values of a row, as an object or as columns, as JSON can hold them."""
    if isinstance(row, Row):
        return {column.name: _plain(getattr(row, column.key)) for column in row.__table__.columns}
    return {name: _plain(value) for name, value in row._mapping.items()}  # noqa: SLF001 (the library's public name)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value


def sealed_text(kind: type[SealedRow], values: Mapping[str, Any]) -> str:
    """Return the text of a row, by its plain values, whose digest its event seals."""
    return canonical_json({"table": kind.__tablename__, **values})


def _row_digest(kind: type[SealedRow], values: Mapping[str, Any]) -> str:
    return _sha256(sealed_text(kind, values))


def _content_digest(row_digests: Iterable[str]) -> str:
    return _sha256("".join(sorted(row_digests)))


def _sha256(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()
