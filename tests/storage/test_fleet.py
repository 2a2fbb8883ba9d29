"""The fleet searched: what is found is what a plain walk over all verdicts finds, page by page, by indexes alone."""

import statistics
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, text

from demo_fleet.synthetic import load
from inspect_app.model import Outcome
from inspect_app.storage import Database, Session, connect, fleet, measured_over_time
from inspect_app.storage.fleet import FleetDevice, FleetSearch
from inspect_app.storage.tables import DeviceVerdictRow, InstrumentUseRow, ResultRow

DEVICES = 240
GOGGLE = "synthetic goggle, two tubes"
SEARCHES = {
    "everything": FleetSearch(),
    "a class": FleetSearch(device_class=GOGGLE),
    "a verdict": FleetSearch(outcome=Outcome.HELD),
    "a class and a verdict": FleetSearch(device_class=GOGGLE, outcome=Outcome.HELD),
    "a supplier": FleetSearch(supplier="Tarnbeck Imaging"),
    "a supplier and a verdict": FleetSearch(supplier="Tarnbeck Imaging", outcome=Outcome.HELD),
    "a contract": FleetSearch(contract_number="SYN-204"),
    "a contract and a verdict": FleetSearch(contract_number="SYN-204", outcome=Outcome.ACCEPTED),
    "a lot": FleetSearch(lot_number="SYN-203-L0006"),
    "dates": FleetSearch(signed_since=datetime(2021, 1, 1, tzinfo=UTC), signed_until=datetime(2023, 1, 1, tzinfo=UTC)),
    "an inspector": FleetSearch(inspector_id=1),
    "an instrument": FleetSearch(instrument_id=2),
    "an instrument and a verdict": FleetSearch(instrument_id=2, outcome=Outcome.HELD),
    "an instrument since a day": FleetSearch(instrument_id=1, used_since=datetime(2022, 1, 1, tzinfo=UTC)),
    "what an instrument touched": FleetSearch(instrument_id=1, holds_superseded=True),
    "a quantity": FleetSearch(characteristic_id=1),
    "a range": FleetSearch(characteristic_id=1, value_at_least=230, value_at_most=245),
    "a range and a verdict": FleetSearch(characteristic_id=1, value_at_least=230, outcome=Outcome.ACCEPTED),
}
by_name = pytest.mark.parametrize("search", SEARCHES.values(), ids=SEARCHES.keys())


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Write a small synthetic fleet on SQLite."""
    folder = tmp_path_factory.mktemp("fleet")
    load(folder, DEVICES, lambda _done, _total: None)
    database = connect(f"sqlite:///{folder / 'record.db'}")
    yield database
    database.engine.dispose()


def pages(session: Session, search: FleetSearch, count: int) -> list[FleetDevice]:
    found: list[FleetDevice] = []
    after = None
    while True:
        page = fleet.fleet_page(session, search, after=after, count=count)
        found += page.devices
        after = page.following
        if after is None:
            return found


def walked(session: Session, search: FleetSearch) -> set[int]:
    """Find the inspections that fit by looking at every verdict in turn."""
    begin = search.used_since or datetime(1970, 1, 1, tzinfo=UTC)
    uses = {
        (use.signature_id, use.instrument_id) for use in session.query(InstrumentUseRow) if use.last_used_at >= begin
    }
    values = {(row.signature_id, row.characteristic_id): row.value for row in session.query(ResultRow)}
    lot = None
    if search.lot_number:
        lot = session.scalar(text("SELECT id FROM lot WHERE number = :number"), {"number": search.lot_number})
    low = float("-inf") if search.value_at_least is None else search.value_at_least
    high = float("inf") if search.value_at_most is None else search.value_at_most
    return {
        one.inspection_id
        for one in session.query(DeviceVerdictRow)
        if search.device_class in ("", one.device_class)
        and search.supplier in ("", one.supplier)
        and search.contract_number in ("", one.contract_number)
        and search.outcome in (None, one.outcome)
        and lot in (None, one.lot_id)
        and search.inspector_id in (None, one.signed_by_id)
        and (search.signed_since is None or one.signed_at >= search.signed_since)
        and (search.signed_until is None or one.signed_at < search.signed_until)
        and (search.instrument_id is None or (one.signature_id, search.instrument_id) in uses)
        and (
            search.characteristic_id is None
            or low <= values.get((one.signature_id, search.characteristic_id), float("nan")) <= high
        )
    }


@by_name
def test_a_search_finds_what_a_walk_over_every_verdict_finds(record: Database, search: FleetSearch) -> None:
    with record.reading() as session:
        found = [one.inspection_id for one in pages(session, search, 1000)]
        wanted = walked(session, search)

    assert len(found) == len(set(found))
    assert set(found) == wanted
    assert wanted


@by_name
def test_reading_on_page_by_page_gives_the_same_list(record: Database, search: FleetSearch) -> None:
    with record.reading() as session:
        whole = pages(session, search, 1000)

        assert pages(session, search, 7) == whole
        assert pages(session, replace(search, is_backwards=True), 7) == whole[::-1]


@by_name
def test_verdicts_are_counted_as_they_are_listed(record: Database, search: FleetSearch) -> None:
    with record.reading() as session:
        listed = [one.outcome for one in pages(session, search, 1000)]
        counts = fleet.count_outcomes(session, search)

    assert counts == {outcome: listed.count(outcome) for outcome in Outcome if outcome in listed}


def test_part_of_a_serial_finds_devices_of_both_makers_and_those_not_signed_yet(record: Database) -> None:
    with record.reading() as session:
        found = pages(session, FleetSearch(serial="NV-00000"), 13)
        every = session.execute(text("SELECT count(*) FROM device WHERE serial LIKE 'NV-00000%'")).scalar()

    assert len(found) == every
    assert {one.device.maker for one in found} == {"Tarnbeck Imaging", "Ostrel Night Works"}
    assert [one.device.serial for one in found] == sorted(one.device.serial for one in found)


def test_a_distribution_holds_the_results_of_the_quantity_whatever_range_is_asked(record: Database) -> None:
    search = FleetSearch(characteristic_id=1, value_at_least=1e9)
    with record.reading() as session:
        spread = fleet.distribution(session, search)
        listed = measured_over_time.results_of_characteristic(session, 1, most=1000)

    assert statistics.fmean(value for value, _ in spread) == pytest.approx(
        statistics.fmean(one.quantity.value for one in listed)
    )
    assert len(spread) == len(listed)


@by_name
def test_no_search_walks_over_a_table_or_sorts_what_it_found(record: Database, search: FleetSearch) -> None:
    """The truth is the plan that SQLite says it follows: a scan without an index is one over the table.

    What is counted is scanned, but that is the bounded list of those found.
    """
    for narrowed in (search, replace(search, serial="0000")):
        with record.reading() as session:
            steps = plans(record, session, narrowed)

        assert [step for step in steps if step.startswith("SCAN") and "USING" not in step] in ([], ["SCAN counted"])
        if not narrowed.serial:
            assert [step for step in steps if "TEMP B-TREE FOR ORDER" in step.upper()] == []


def plans(record: Database, session: Session, search: FleetSearch) -> list[str]:
    """Return the steps of the plans of a page with its counts and, where a quantity is asked for, its distribution."""
    asked: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, given: Any, *_: Any) -> None:
        asked.append((statement, given))

    event.listen(record.engine, "before_cursor_execute", note)
    try:
        fleet.fleet_page(session, search, after=None, count=5)
        (page, *_) = asked
        asked.clear()
        fleet.count_outcomes(session, search)
        if search.characteristic_id is not None:
            fleet.distribution(session, replace(search, serial=""))
        if search.instrument_id is not None:
            measured_over_time.results_by_instrument(session, search.instrument_id, range(1, 51))
        measured_over_time.results_of_device(session, 7)
        statements = [page, *asked]
    finally:
        event.remove(record.engine, "before_cursor_execute", note)
    connection = session.connection()
    return [
        str(row[-1])
        for statement, given in statements
        for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", given)
    ]


def test_postgresql_finds_the_same(
    record: Database, postgresql_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INSPECT_APP_DATABASE_URL", postgresql_url)
    load(tmp_path, DEVICES, lambda _done, _total: None)
    other = connect(postgresql_url)

    with record.reading() as here, other.reading() as there:
        for search in (*SEARCHES.values(), FleetSearch(serial="0003")):
            assert pages(there, search, 50) == pages(here, search, 50)
            assert fleet.count_outcomes(there, search) == fleet.count_outcomes(here, search)

    other.engine.dispose()
