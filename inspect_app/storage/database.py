"""Connections to the record: SQLite in the instance folder, or PostgreSQL by its URL."""

import contextlib
import re
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, OperationalError
from sqlalchemy.orm import Session, sessionmaker
from sqlalchemy.pool import Pool

from inspect_app.errors import Damaged, InspectError, NotAllowed, UnusableInput

_WAIT_FOR_LOCK_S: Final = 30
_CACHE: Final = "cache_size=-32768"  # KiB; the usual 2 MiB hold no index of a fleet
_WRITER_LOCK: Final = 0x1A57EC7  # any constant that no other program on the server uses
_FOLLOWS: Final = re.compile(r'^down_revision: .*"(\w+)"$', re.MULTILINE)
MIGRATIONS: Final = Path(__file__).parent / "migrations"


@dataclass(frozen=True, slots=True, kw_only=True)
class Database:
    """The engine of a record, and the two ways of talking to it."""

    engine: Engine
    reader: sessionmaker[Session]
    writer: sessionmaker[Session]

    @property
    def is_sqlite(self) -> bool:
        """Say whether the record is one SQLite file."""
        return self.engine.dialect.name == "sqlite"

    @contextlib.contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one moment of the record."""
        with plain_errors(self.engine), self.reader.begin() as session:
            yield session

    @contextlib.contextmanager
    def writing(self) -> Iterator[Session]:
        """Give the one session that may write; others wait until it ends."""
        with plain_errors(self.engine), self.writer.begin() as session:
            if not self.is_sqlite:
                session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _WRITER_LOCK})
            yield session


def connect(url: str, *, poolclass: type[Pool] | None = None) -> Database:
    """Make the engine for a URL such as ``sqlite:///record.db`` or ``postgresql+psycopg://…``.

    Raises
    ------
    UnusableInput
        The URL cannot be read, or names a database that is neither SQLite nor PostgreSQL.
    """
    try:
        parsed = make_url(url)
        if parsed.drivername in ("postgres", "postgresql"):
            parsed = parsed.set(drivername="postgresql+psycopg")
        name = parsed.get_backend_name()
        if name == "sqlite":
            engine = create_engine(parsed, connect_args={"timeout": _WAIT_FOR_LOCK_S}, poolclass=poolclass)
        elif name == "postgresql":
            engine = create_engine(parsed, pool_pre_ping=True)
        else:
            raise UnusableInput("database URL", f"{name} is not supported", "Use SQLite or PostgreSQL.")
    except (ArgumentError, NoSuchModuleError) as error:
        raise UnusableInput(
            "database URL", "it cannot be read", "Write it like postgresql://user@host/database."
        ) from error
    if name == "sqlite":
        _prepare_sqlite(engine)
        reader = engine.execution_options()
    else:
        reader = engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    writer = engine.execution_options(writes=True)
    return Database(
        engine=engine,
        reader=sessionmaker(reader, expire_on_commit=False),
        writer=sessionmaker(writer, expire_on_commit=False),
    )


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _set_up(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver's own BEGIN comes too late and is never IMMEDIATE; `_begin` below does it.
        connection.isolation_level = None
        for pragma in (
            "journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL", "recursive_triggers=ON", _CACHE,
        ):  # fmt: skip
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A transaction that reads first and writes later fails at once when another wrote in between, without
        # waiting: writers take the lock at the start.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def plain_errors(engine: Engine) -> Iterator[None]:
    """Turn the errors of a database into words: busy, damaged, or not to be used."""
    where = f"record {engine.url.database or ''}".strip()
    try:
        yield
    except OperationalError as error:
        reason = str(error.orig).splitlines()[0]
        if "locked" in reason:
            raise InspectError(where, "it is busy with another writer", "Nothing was lost. Try again.") from error
        if "no such table" in reason or "malformed" in reason:
            raise Damaged(where, reason, "Restore the last backup.") from error
        raise InspectError(where, f"it cannot be used: {reason}", "See that it runs and has room.") from error
    except DatabaseError as error:
        if type(error) is DatabaseError:
            reason = str(error.orig).splitlines()[0]
            raise Damaged(where, reason, "Restore the last backup.") from error
        raise


@cache
def newest_schema() -> str:
    """Return the name of the newest migration: the one that no other follows."""
    texts = {path.stem: path.read_text("utf-8") for path in (MIGRATIONS / "versions").glob("[0-9]*.py")}
    followed = {found.group(1) for text in texts.values() if (found := _FOLLOWS.search(text))}
    (newest,) = texts.keys() - followed
    return newest


def schema_of(database: Database) -> str | None:
    """Return the name of the migration that the record stands at; None when it is empty."""
    with plain_errors(database.engine), database.engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def alembic_config(connection: Connection) -> Any:
    """Return Alembic's configuration for an open connection."""
    from alembic.config import Config  # noqa: PLC0415 (half a second to import, and needed once in a record's life)

    config = Config(stdout=sys.stdout)  # its default is the stream that stood there when it was imported
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def prove_schema(database: Database) -> None:
    """See that the record stands at the schema that this program writes.

    Raises
    ------
    NotAllowed
        It is older or newer.
    """
    found, wanted = schema_of(database), newest_schema()
    if found == wanted:
        return
    where = f"record {database.engine.url.database}"
    if found is not None and not (MIGRATIONS / "versions" / f"{found}.py").exists() and found > wanted:
        raise NotAllowed(where, f"it was written by a newer program (schema {found})", "Install that version.")
    raise NotAllowed(
        where,
        f"its schema is {found or 'missing'}, not {wanted}",
        "Make a backup, then run: inspect-app database upgrade",
    )
