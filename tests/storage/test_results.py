"""Results in columns: what was measured and decided can be asked for without reading any JSON.

The bar target is read at 10 m: 2,1 stands for 40 cy/mrad, 1,1 for 20, 0,1 for 10 (see `tests.truth.workplaces`).
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command

from inspect_app import workflow
from inspect_app.model import Disposition, EntryState, Finding
from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.storage import measured_over_time, results, tallies, upgrade
from inspect_app.storage.database import alembic_config
from inspect_app.storage.snapshot import opened
from inspect_app.workflow import StepAnswers
from tests.truth.workplaces import (
    DEVICE_CLASS,
    DOUBTFUL_READINGS,
    GOOD_READINGS,
    POOR_READINGS,
    Bench,
    answer_all,
    bar_answers,
    even_frame,
    keep,
    live_through_everything,
    open_first,
    receive,
    sign,
)
from tests.truth.workplaces import bench as furnished_bench

TABLES = ("instrument_use", "device_verdict", "result", "characteristic", "lot_tally")


def of_quantity(bench: Bench, quantity_name: str, **condition: str) -> list[ListedResult]:
    """Return the results of the one characteristic of that name and condition, the newest first."""
    with bench.place.database.reading() as session:
        (one,) = (
            one
            for one in measured_over_time.characteristics(session, DEVICE_CLASS)
            if one.quantity_name == quantity_name and condition.items() <= one.condition.items()
        )
        return list(measured_over_time.results_of_characteristic(session, one.id, most=50))


def characteristics(bench: Bench) -> tuple[Characteristic, ...]:
    with bench.place.database.reading() as session:
        return measured_over_time.characteristics(session)


def test_signing_lists_every_result_with_its_unit_its_doubt_and_what_was_decided_on_it(either_bench: Bench) -> None:
    inspection_id = open_first(either_bench)
    answer_all(either_bench, inspection_id, GOOD_READINGS)
    assert characteristics(either_bench) == ()

    sign(either_bench, inspection_id)

    (listed,) = of_quantity(either_bench, "angular_resolution", axis="horizontal")
    assert listed.quantity.value == pytest.approx(40, rel=1e-3)
    assert (listed.quantity.unit, listed.inspection_id) == ("cy/mrad", inspection_id)
    entry = workflow.inspection(either_bench.place, inspection_id).entries["bar-target.horizontal"]
    assert (listed.entry_id, listed.measured_at) == (entry.id, entry.recorded_at)
    assert of_quantity(either_bench, "snr")[0].finding is Finding.CONFORMING


def test_of_several_results_under_a_limit_the_one_that_decided_carries_the_finding(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, POOR_READINGS)
    sign(bench, inspection_id)

    findings = [of_quantity(bench, "angular_resolution", axis=axis)[0].finding for axis in ("horizontal", "vertical")]

    assert findings == [Finding.NONCONFORMING, None]


def test_a_characteristic_leaves_out_what_differs_from_device_to_device(bench: Bench) -> None:
    lot_id = receive(bench, "BM-001", "BM-002")
    for arrived, readings in zip(workflow.lot_devices(bench.place, lot_id), (("2,1",), ("2,1",) * 3), strict=True):
        inspection_id = workflow.open_inspection(bench.place, bench.inspector, lot_id, arrived.device.id).id
        answer_all(bench, inspection_id, readings)
        sign(bench, inspection_id)

    assert len(of_quantity(bench, "angular_resolution", axis="vertical")) == 2


def test_a_correction_is_listed_in_the_place_of_the_computed_result(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    frames = tuple(keep(bench, f"frame{seed}.png", even_frame(seed)) for seed in (1, 2))
    captured = StepAnswers(state=EntryState.RECORDED, evidence=frames, reason="frames instead")
    workflow.record_step(bench.place, bench.inspector, inspection_id, "noise", captured, 1)
    corrected = workflow.correct_result(
        bench.place, bench.inspector, inspection_id, "noise", {"roi": ("8,8,24,24",)}, "dust at the edge", (2, 0)
    )
    sign(bench, inspection_id)

    (listed,) = of_quantity(bench, "snr")

    assert corrected.computed is not None
    assert corrected.measured is not None
    wanted, computed = (
        next(result.quantity.value for result in measured.results if result.quantity_name == "snr")
        for measured in (corrected.measured, corrected.computed)
    )
    assert listed.quantity.value == wanted != computed


def test_results_carried_over_after_a_repair_are_listed_once_where_they_were_measured(bench: Bench) -> None:
    first = open_first(bench)
    answer_all(bench, first, POOR_READINGS)
    sign(bench, first)
    workflow.dispose(bench.place, bench.approver, "NC-2026-0001", Disposition.REPAIR, "agreed by letter")
    again = workflow.inspect_again(bench.place, bench.inspector, first).id
    for axis in ("horizontal", "vertical"):
        workflow.record_step(bench.place, bench.inspector, again, f"bar-target.{axis}", bar_answers(bench), 0)
    sign(bench, again)

    assert [one.inspection_id for one in of_quantity(bench, "angular_resolution", axis="vertical")] == [again, first]
    assert [one.inspection_id for one in of_quantity(bench, "snr")] == [first]


def test_results_of_a_signature_that_was_taken_back_do_not_count(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, DOUBTFUL_READINGS)
    sign(bench, inspection_id)

    workflow.reopen(bench.place, bench.inspector, inspection_id, "read it again")
    assert of_quantity(bench, "snr") == []

    sign(bench, inspection_id)
    assert len(of_quantity(bench, "snr")) == 1


def test_an_older_record_gains_what_is_derived_after_its_last_migration(tmp_path: Path) -> None:
    """The truth is the same record, listed and tallied as it was written."""
    with furnished_bench(tmp_path / "instance") as bench:
        live_through_everything(bench)
    today, older = tmp_path / "instance" / "record.db", tmp_path / "older.db"
    write_as_of("20261125_withdraw_documents", today, older)

    with opened(f"sqlite:///{older}") as database:
        upgrade(database)
        with database.reading() as session:
            assert [*results.problems(session), *tallies.problems(session)] == []

    assert rows(older) == rows(today)
    assert all(rows(today).values())


def write_as_of(schema: str, today: Path, older: Path) -> None:
    """Copy what a record of an older schema could hold of one of today."""
    with opened(f"sqlite:///{older}") as database, database.engine.begin() as connection:
        command.upgrade(alembic_config(connection), schema)
    with closing(sqlite3.connect(older, isolation_level=None)) as connection:
        connection.execute("ATTACH DATABASE ? AS today", (str(today),))
        tables = connection.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'").fetchall()
        for (table,) in tables:
            columns = ", ".join(name for _, name, *_ in connection.execute(f'PRAGMA main.table_info("{table}")'))
            if table != "alembic_version":
                connection.execute(f"INSERT OR IGNORE INTO main.{table} SELECT {columns} FROM today.{table}")  # noqa: S608 (ours)


def rows(record: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(record)) as connection:
        return {table: connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall() for table in TABLES}  # noqa: S608 (names of tables)
