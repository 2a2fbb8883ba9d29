"""Lists of the record: the same rows in every format, read on by key, narrowed as on their pages."""

import csv
import io
import json
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest

from inspect_app import workflow
from inspect_app.documents.tabular import instant
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.storage.listing import Span
from inspect_app.workflow import LISTS
from tests.truth import workplaces
from tests.truth.workplaces import CONTRACT, DEVICE_CLASS, Bench, receive


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Live through everything, and reject one device that goes back."""
    with workplaces.bench(tmp_path_factory.mktemp("lists") / "instance") as bench:
        workplaces.live_and_reject_one(bench)
        yield bench


def taken(bench: Bench, name: str, suffix: str, **where: str) -> bytes:
    """Return a whole list as a file."""
    buffer = io.BytesIO()
    listing, as_ = workflow.list_named(name), workflow.format_of(suffix)
    workflow.write_list(bench.place, listing, as_, buffer, where=where, person=bench.auditor)
    return buffer.getvalue()


@pytest.mark.parametrize("name", LISTS)
def test_every_list_says_the_same_in_csv_workbook_and_json(lived: Bench, name: str) -> None:
    rows = json.loads(taken(lived, name, "json"))
    lines = list(csv.DictReader(io.StringIO(taken(lived, name, "csv").decode("utf-8-sig"), newline="")))
    sheet = openpyxl.load_workbook(io.BytesIO(taken(lived, name, "xlsx"))).active
    assert sheet is not None
    headings, *cells = sheet.iter_rows(values_only=True)

    assert len(rows) == len(lines) == len(cells)
    assert rows or name == "returns"
    assert list(headings) == list(LISTS[name].table.columns)
    for row, line, shown in zip(rows, lines, cells, strict=True):
        assert line == {heading: as_text(value) for heading, value in row.items()}
        assert [value in (None, "") for value in row.values()] == [value is None for value in shown]


def as_text(value: object) -> str:
    """Return what CSV shows of a JSON value."""
    if isinstance(value, bool):
        return str(value).lower()
    return "" if value is None else str(value)


@pytest.mark.parametrize("name", [name for name, one in LISTS.items() if one.key_of])
def test_a_list_read_on_key_by_key_is_the_whole_list(lived: Bench, name: str) -> None:
    listing = LISTS[name]
    whole = workflow.part_of_list(lived.place, listing, Span(), {}, None)
    keys = list(dict.fromkeys(listing.key_of(row) for row in whole))

    found, after = [], None
    while part := workflow.part_of_list(lived.place, listing, Span(after=after, count=1), {}, None):
        found += part
        after = listing.key_of(part[-1])

    assert found == list(whole)
    assert keys == sorted(keys)


def test_lists_are_narrowed_as_their_pages_are(lived: Bench) -> None:
    def serials(**where: str) -> list[str]:
        return [row["serial"] for row in json.loads(taken(lived, "devices", "json", **where))]

    (lot,) = json.loads(taken(lived, "lots", "json", find="DN-REJECTED"))
    assert serials(serial="bm-91") == serials(lot=lot["lot"]) == ["BM-910", "BM-911"]
    assert lot in json.loads(taken(lived, "lots", "json", state="open"))


@pytest.mark.parametrize("where", [{"colour": "red"}, {"state": "melted"}])
def test_what_no_list_is_narrowed_by_is_refused_rather_than_left_out(lived: Bench, where: dict[str, str]) -> None:
    with pytest.raises(UnusableInput):
        taken(lived, "lots", "csv", **where)


def test_the_list_of_accounts_is_for_administrators_and_auditors(lived: Bench) -> None:
    def read_by(person: object) -> int:
        return len(workflow.part_of_list(lived.place, LISTS["accounts"], Span(), {}, person))

    assert read_by(lived.auditor) == read_by(lived.administrator) == read_by(None)
    with pytest.raises(NotAllowed):
        read_by(lived.inspector)


def test_times_are_told_with_their_zone(lived: Bench) -> None:
    (first, *_) = json.loads(taken(lived, "shipments", "json"))

    assert first["received_at"].endswith("Z")
    assert first["received_at"] == instant(workflow.lots(lived.place)[-1].lot.shipment.received_at)


def test_a_supplier_whose_name_begins_like_a_formula_is_text_in_the_tables(bench: Bench) -> None:
    contract = CONTRACT.replace("TST-001", "TST-9").replace("Invented Maker", "=1+1")
    workflow.adopt_contract(bench.place, None, contract, "c.toml")
    arrivals = [workflow.AcceptedArrival(serial="X-1", device_class=DEVICE_CLASS)]
    workflow.receive_shipment(bench.place, bench.inspector, "TST-9", "DN-1", arrivals)

    assert taken(bench, "suppliers", "csv").decode("utf-8-sig").splitlines()[1].startswith("'=1+1,")
    assert json.loads(taken(bench, "suppliers", "json"))[0]["supplier"] == "=1+1"


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_memory_does_not_grow_with_the_list(bench: Bench, tmp_path: Path, suffix: str) -> None:
    """Truth: four times the devices, less than twice the memory; a list held whole needs four times as much."""

    def peak_bytes(reference: str, count: int) -> int:
        receive(bench, *(f"{reference}-{number:05d}" for number in range(count)), reference=reference)
        listing, as_ = workflow.list_named("devices"), workflow.format_of(suffix)
        with (tmp_path / reference).open("wb") as target:
            tracemalloc.start()
            workflow.write_list(bench.place, listing, as_, target, where={}, person=None)
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        return peak

    few = peak_bytes("A", 250)

    assert peak_bytes("B", 750) < 2 * few


def test_the_fleet_is_narrowed_by_what_its_page_asks(lived: Bench) -> None:
    rejected = json.loads(taken(lived, "fleet", "json", verdict="rejected"))

    assert "BM-910" in {row["serial"] for row in rejected}
    assert {row["outcome"] for row in rejected} == {"rejected"}
    assert len(json.loads(taken(lived, "fleet", "json"))) > len(rejected)
    with pytest.raises(UnusableInput):
        taken(lived, "fleet", "csv", since="yesterday")
