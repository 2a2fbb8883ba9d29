"""Copies of a whole record: one moment of it as a SQLite file, whatever database it lives in, and back."""

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, func, select, text

from inspect_app.errors import NotAllowed
from inspect_app.storage.database import Database, connect, schema_of
from inspect_app.storage.tables import EventRow, Row
from inspect_app.storage.upgrading import upgrade

_BATCH_ROWS: Final = 1000


def snapshot(database: Database, target: Path) -> None:
    """Write one moment of a record into a new SQLite file."""
    if database.is_sqlite:
        with contextlib.closing(sqlite3.connect(target)) as copy, _raw(database) as source:
            source.backup(copy)
        return
    with opened(f"sqlite:///{target}") as copy_of_record:
        copy_rows(database, copy_of_record)


@contextlib.contextmanager
def _raw(database: Database) -> Iterator[sqlite3.Connection]:
    pooled = database.engine.raw_connection()
    try:
        connection = pooled.driver_connection
        if not isinstance(connection, sqlite3.Connection):
            raise TypeError("only SQLite is copied as a file")
        yield connection
    finally:
        pooled.close()


@contextlib.contextmanager
def opened(url: str) -> Iterator[Database]:
    """Give a record by its URL and let go of it at the end."""
    database = connect(url)
    try:
        yield database
    finally:
        database.engine.dispose()


def copy_rows(source: Database, target: Database) -> None:
    """Copy every row of a record into an empty one; keys, digests and the audit chain stay what they are.

    Raises
    ------
    NotAllowed
        The target holds a record already.
    """
    if schema_of(target) is None:
        upgrade(target)
    with source.reading() as reader, target.writing() as writer:
        if writer.scalar(select(func.count(EventRow.id))):
            raise NotAllowed(
                f"record {target.engine.url.database}", "it is not empty", "Name an empty database to restore into."
            )
        for table in Row.metadata.sorted_tables:
            rows = reader.execute(select(table).execution_options(yield_per=_BATCH_ROWS))
            for some in rows.mappings().partitions(_BATCH_ROWS):
                writer.execute(table.insert(), [dict(row) for row in some])
        advance_sequences(writer.connection())


def advance_sequences(connection: Connection) -> None:
    """Let PostgreSQL count on from the highest key, after rows came with keys of their own."""
    if connection.dialect.name != "postgresql":
        return
    for table in Row.metadata.sorted_tables:
        key = table.c.get("id")
        if key is None or key.autoincrement is False:
            continue
        highest = connection.scalar(select(func.max(key)))
        if highest is not None:
            connection.execute(
                text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :highest)"),
                {"name": table.name, "highest": highest},
            )
