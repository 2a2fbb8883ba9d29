"""Triggers that forbid UPDATE and DELETE on every table of the record, whoever connects."""

from collections.abc import Iterable, Iterator
from typing import Final

from sqlalchemy import Connection, text

REFUSAL: Final = "the record is append-only"

# INSERT OR REPLACE deletes without firing a DELETE trigger (unless recursive_triggers is on, which a stranger's
# connection may leave off), so replacing a key is refused as well.
_SQLITE: Final = (
    "CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} BEGIN SELECT RAISE(ABORT, '{refusal}'); END",
    "CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} BEGIN SELECT RAISE(ABORT, '{refusal}'); END",
    (
        "CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
        "WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) BEGIN SELECT RAISE(ABORT, '{refusal}'); END"
    ),
)
_POSTGRESQL: Final = (
    "CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()",
    "CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
)
_POSTGRESQL_FUNCTION: Final = (
    "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION '{refusal}'; END $$"
)
_FIND: Final = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'",
}


def create(connection: Connection, keys: Iterable[tuple[str, str]]) -> None:
    """Create the triggers of tables, each given with the name of its primary key."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(_POSTGRESQL_FUNCTION.format(refusal=REFUSAL)))
    for table, key in keys:
        for statement in _statements(connection.dialect.name):
            connection.execute(text(statement.format(table=table, key=key, refusal=REFUSAL)))


def missing(connection: Connection, tables: Iterable[str]) -> Iterator[str]:
    """Yield the name of each trigger that should stand and does not."""
    found = set(connection.execute(text(_FIND[connection.dialect.name])).scalars())
    for table in tables:
        for statement in _statements(connection.dialect.name):
            name = statement.split()[2].format(table=table)
            if name not in found:
                yield name


def changed(connection: Connection) -> Iterator[str]:
    """Yield, in words, what on PostgreSQL no longer refuses though its trigger stands."""
    source = connection.scalar(text("SELECT prosrc FROM pg_proc WHERE proname = 'refuse_change'"))
    if source is None or source.strip() != _POSTGRESQL_FUNCTION.format(refusal=REFUSAL).split("$$")[1].strip():
        yield "the function refuse_change, which keeps the tables append-only, was changed"
    others = text(
        "SELECT tgname FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid "
        "WHERE NOT tgisinternal AND proname <> 'refuse_change'"
    )
    for name in connection.execute(others).scalars():
        yield f"the trigger {name} is none of this program's"


def _statements(dialect_name: str) -> tuple[str, ...]:
    return _POSTGRESQL if dialect_name == "postgresql" else _SQLITE
