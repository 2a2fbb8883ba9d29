"""No row of any table can be changed, removed or replaced, whoever connects."""

import sqlite3
from contextlib import closing

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DatabaseError

from inspect_app.storage.tables import REPLACED, Row
from tests.truth.sampled_lots import issue_reports, live_through_sampling
from tests.truth.workplaces import Bench, live_through_everything

TABLES = sorted(Row.metadata.tables.keys() - REPLACED)


def test_no_row_of_any_table_can_be_changed_or_removed(either_bench: Bench) -> None:
    """The scenario fills every table; the statement itself would be lawful SQL."""
    live_through_everything(either_bench)
    live_through_sampling(either_bench)
    issue_reports(either_bench)
    database = either_bench.place.database

    for name in TABLES:
        table = Row.metadata.tables[name]
        column = list(table.columns)[-1]
        with database.reading() as session:
            assert session.scalar(select(func.count()).select_from(table)), f"{name} is empty"
        for statement in (table.update().values({column: column}), table.delete()):
            with pytest.raises(DatabaseError, match="append-only"), database.engine.begin() as connection:
                connection.execute(statement)


def test_postgresql_refuses_to_empty_a_table(either_bench: Bench) -> None:
    database = either_bench.place.database
    if database.is_sqlite:
        pytest.skip("SQLite knows no TRUNCATE")

    for name in TABLES:
        with pytest.raises(DatabaseError, match="append-only"), database.engine.begin() as connection:
            connection.execute(text(f"TRUNCATE {name} CASCADE"))


def test_a_stranger_cannot_replace_a_row(bench: Bench) -> None:
    """INSERT OR REPLACE deletes without firing DELETE triggers unless recursive_triggers is on (SQLite manual)."""
    path = bench.place.settings.record_path

    with closing(sqlite3.connect(path)) as stranger, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        stranger.execute("INSERT OR REPLACE INTO person (id, login, event_id) VALUES (1, 'mallory', 1)")
