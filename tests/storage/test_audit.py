"""The audit chain: whatever is changed, added or removed in the record is found.

The truth is the change that the test makes itself, on a copy of the record, past triggers and constraints.
"""

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app.errors import InspectError
from inspect_app.storage import audit, tallies, verifying
from inspect_app.storage.snapshot import opened
from inspect_app.storage.tables import Row
from tests.truth import workplaces
from tests.truth.sampled_lots import issue_reports, live_through_sampling

COLUMNS = [(table.name, column.name) for table in Row.metadata.sorted_tables for column in table.columns]


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a SQLite record in which every table holds rows."""
    folder = tmp_path_factory.mktemp("lived")
    with workplaces.bench(folder) as bench:
        live_through_sampling(bench)
        issue_reports(bench)
        workplaces.live_through_everything(bench)
    return folder / "record.db"


@pytest.fixture
def copy(lived: Path, tmp_path: Path) -> Path:
    """Give a copy of it that may be spoilt."""
    return Path(shutil.copy(lived, tmp_path / "record.db"))


def problems(path: Path) -> list[str]:
    try:
        with opened(f"sqlite:///{path}") as database:
            return list(verifying.record_problems(database))
    except InspectError as error:
        return [str(error)]


def spoil(path: Path, *statements: str) -> None:
    """Change a record past its triggers, and put the triggers back as a careful forger would."""
    with closing(sqlite3.connect(path, isolation_level=None)) as forger:
        forger.execute("PRAGMA foreign_keys = OFF")
        forger.execute("PRAGMA synchronous = OFF")
        forger.execute("PRAGMA ignore_check_constraints = ON")
        forger.execute("BEGIN")
        triggers = forger.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            forger.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert forger.execute(statement).rowcount == 1
        for _, sql in triggers:
            forger.execute(sql)
        forger.execute("COMMIT")


def another(path: Path, table: str, column: str) -> str:
    """Return SQL for a value other than the one in the first row of a table, near to it."""
    with closing(sqlite3.connect(path)) as connection:
        (value,) = connection.execute(f"SELECT {column} FROM {table} ORDER BY rowid LIMIT 1").fetchone()  # noqa: S608 (names of tables)
    if isinstance(value, int | float):
        return str(value + 1_000_000)
    if not value:
        return "'x'"
    last = chr(ord(value[-1]) ^ 1)
    return "'" + (value[:-1] + last).replace("'", "''") + "'"


def test_a_record_that_nobody_touched_has_no_problem(lived: Path) -> None:
    assert problems(lived) == []


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_a_change_of_any_column_of_any_table_is_found(copy: Path, table: str, column: str) -> None:
    value = another(copy, table, column)
    row = f"rowid = (SELECT min(rowid) FROM {table})"  # noqa: S608 (names of tables)

    spoil(copy, f"UPDATE {table} SET {column} = {value} WHERE {row}")  # noqa: S608 (names of tables)

    assert problems(copy)


@pytest.mark.parametrize("table", sorted(Row.metadata.tables))
def test_a_row_that_is_removed_is_missed(copy: Path, table: str) -> None:
    spoil(copy, f"DELETE FROM {table} WHERE rowid = (SELECT min(rowid) FROM {table})")  # noqa: S608 (names of tables)

    assert problems(copy)


def test_a_row_that_is_slipped_in_is_found(copy: Path) -> None:
    spoil(copy, "INSERT INTO person (id, login, event_id) VALUES (99, 'mallory', 3)")

    assert any("event 3 " in problem and "added" in problem for problem in problems(copy))


def test_a_row_that_claims_an_event_to_come_is_found(copy: Path) -> None:
    spoil(copy, "INSERT INTO person (id, login, event_id) VALUES (99, 'mallory', 9999)")

    assert any("no such event" in problem for problem in problems(copy))


def test_an_event_that_is_forged_with_a_right_digest_breaks_the_one_after_it(copy: Path) -> None:
    """The forger recomputes the digest of the changed event, but every later one holds the old digest."""
    with opened(f"sqlite:///{copy}") as database, database.reading() as session:
        row = session.get_one(audit.EventRow, 2)
        row.actor = "mallory"
        forged = audit.event_digest(row)
        session.expunge(row)

    spoil(copy, f"UPDATE event SET actor = 'mallory', digest = '{forged}' WHERE id = 2")  # noqa: S608 (a digest)

    assert any("event 3 " in problem and "does not follow" in problem for problem in problems(copy))


def test_a_record_cut_at_its_end_ends_in_another_seal(copy: Path, lived: Path) -> None:
    """Inside there is no trace, which is why the seal is to be noted elsewhere."""

    def seal(path: Path) -> str:
        with opened(f"sqlite:///{path}") as database, database.reading() as session:
            return verifying.head(session)

    spoil(
        copy,
        "DELETE FROM reopening WHERE event_id = (SELECT max(id) FROM event)",
        "DELETE FROM event WHERE id = (SELECT max(id) FROM event)",
    )
    with opened(f"sqlite:///{copy}") as database, database.writing() as session:
        tallies.write_all(session)  # as whoever cuts would

    assert problems(copy) == []
    assert seal(copy) != seal(lived)


def test_a_trigger_that_refuses_no_longer_is_a_problem(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as forger:
        forger.execute("DROP TRIGGER entry_no_update")
        forger.execute("CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry BEGIN SELECT 1; END")

    assert any("trigger entry_no_update was changed" in problem for problem in problems(copy))


def test_a_trigger_that_is_gone_is_a_problem(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as forger:
        forger.execute("DROP TRIGGER entry_no_update")

    assert any("entry_no_update" in problem for problem in problems(copy))


def contents(path: Path) -> list[str] | None:
    """Return all that a record says, or None where it cannot be read."""
    try:
        with closing(sqlite3.connect(path)) as connection:
            return list(connection.iterdump())
    except (sqlite3.Error, UnicodeDecodeError):
        return None


@pytest.mark.parametrize("seed", range(40))
def test_a_flipped_bit_is_found_wherever_it_changes_what_the_record_says(copy: Path, lived: Path, seed: int) -> None:
    """Bits in unused bytes of a page change nothing that the record says; all others must be found."""
    generator = random.Random(seed)
    content = bytearray(copy.read_bytes())
    content[generator.randrange(len(content))] ^= 1 << generator.randrange(8)
    copy.write_bytes(content)
    said = contents(copy)

    found = problems(copy)

    assert found or said == contents(lived)


def test_events_that_write_nothing_leave_no_link(tmp_path: Path) -> None:
    """Sending the same contract twice is one event."""
    with workplaces.bench(tmp_path) as bench:
        before = len(workplaces.workflow.events(bench.place))
        workplaces.workflow.adopt_contract(bench.place, bench.administrator, workplaces.CONTRACT, "again.toml")

        assert len(workplaces.workflow.events(bench.place)) == before


def test_the_chain_begins_with_zeros_and_hangs_together(tmp_path: Path) -> None:
    with workplaces.bench(tmp_path) as bench:
        past = workplaces.workflow.events(bench.place)[::-1]

    assert past[0].previous_digest == "0" * 64
    assert [event.previous_digest for event in past[1:]] == [event.digest for event in past[:-1]]
    assert [event.id for event in past] == list(range(1, len(past) + 1))
