"""The schema: from nothing to the newest migration, the same as the tables say, with every trigger."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import text

from inspect_app import storage
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.storage import Database, triggers
from inspect_app.storage.database import MIGRATIONS, alembic_config
from inspect_app.storage.snapshot import opened
from inspect_app.storage.tables import REPLACED, Row


@pytest.fixture
def record(record_url: str) -> Iterator[Database]:
    with opened(record_url) as database:
        storage.upgrade(database)
        yield database


def test_the_newest_migration_gives_the_tables_as_they_are_declared(record: Database) -> None:
    """The truth is the declaration: Alembic compares both and fails on any difference."""
    with record.engine.begin() as connection:
        command.check(alembic_config(connection))


def test_every_table_keeps_its_triggers_after_the_upgrade(record: Database) -> None:
    with record.engine.begin() as connection:
        missing = list(triggers.missing(connection, sorted(Row.metadata.tables.keys() - REPLACED)))

    assert missing == []


def test_a_trigger_that_is_gone_is_named(record: Database) -> None:
    name = "entry_no_update" if record.is_sqlite else "entry_no_change"
    with record.writing() as session:
        session.execute(text(f"DROP TRIGGER {name}" + ("" if record.is_sqlite else " ON entry")))

    with record.engine.begin() as connection:
        assert list(triggers.missing(connection, ["entry"])) == [name]


def test_upgrading_twice_changes_nothing(record: Database) -> None:
    storage.upgrade(record)

    assert storage.schema_of(record) == storage.newest_schema()


def test_the_newest_schema_is_the_head_that_alembic_sees() -> None:
    assert storage.newest_schema() == ScriptDirectory(str(MIGRATIONS)).get_current_head()


def test_an_empty_database_stands_at_no_schema(record_url: str) -> None:
    with opened(record_url) as database:
        assert storage.schema_of(database) is None


@pytest.mark.parametrize(
    ("found", "words"), [("20200101_old", "inspect-app database upgrade"), ("29990101_new", "newer program")]
)
def test_a_record_of_another_schema_is_refused(tmp_path: Path, found: str, words: str) -> None:
    with opened(f"sqlite:///{tmp_path / 'record.db'}") as database:
        storage.upgrade(database)
        with database.writing() as session:
            session.execute(text("UPDATE alembic_version SET version_num = :found"), {"found": found})

        with pytest.raises(NotAllowed, match=words):
            storage.prove_schema(database)


@pytest.mark.parametrize("url", ["mysql://host/db", "nonsense", "oracle+nothing://x"])
def test_a_database_that_is_not_supported_is_refused_in_words(url: str) -> None:
    with pytest.raises(UnusableInput, match="database URL"):
        storage.connect(url)
