"""Importing what was exported: the same data again, or a clear word for each line and nothing taken over."""

import contextlib
import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspect_app import storage, workflow
from inspect_app.errors import InspectError, NotAllowed, UnusableInput
from inspect_app.model import Calibration, Disposition
from inspect_app.workflow import IMPORTS, LISTS, NOT_IMPORTED, LineState, Workplace
from inspect_app.workflow.memory.imported_rows import MOST_LINES, Cells
from tests.truth import workplaces
from tests.truth.workplaces import CONTRACT, Bench, live_and_reject_one, receive, workplace

HEADING = "kind,name,serial,certificate,laboratory,calibrated_on,due_on\r\n"
ARRIVED = "contract,delivery_note,lot,device_class,serial,note,is_on_packing_list,received_at,received_by\r\n"


def exported(place: Workplace, name: str = "instruments", **where: str) -> bytes:
    target = io.BytesIO()
    workflow.write_list(place, workflow.list_named(name), workflow.format_of("csv"), target, where=where, person=None)
    return target.getvalue()


def problems(place: Workplace, name: str, content: bytes) -> dict[int, str]:
    """Return what a preview finds wrong, by line."""
    return {one.number: one.problem for one in workflow.preview_import(place, None, name, "list.csv", content).wrong}


def send_back_a_reject(bench: Bench) -> None:
    """Live through everything, and keep a backup of the record as it was before a device was sent back."""
    rejected = live_and_reject_one(bench)
    for one in workflow.nonconformities_of(bench.place, rejected):
        workflow.dispose(bench.place, bench.approver, one.number, Disposition.RETURN, "out of limits")
    workflow.back_up(bench.place, bench.place.settings.instance / "before.zip")
    device = workflow.devices_to_return(bench.place)[0].device
    workflow.send_back(bench.place, bench.inspector, device.maker, "R-1", [device.id], "boxed; sealed")


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Live through everything, with names that spreadsheets take for formulas."""
    with workplaces.bench(tmp_path_factory.mktemp("lived") / "instance") as bench:
        send_back_a_reject(bench)
        odd = workflow.add_instrument(bench.place, None, "strobe", '=SUM(A1), "crystal"', "'ST-1")
        for year in (2025, 2026):
            calibration = Calibration(
                certificate="-7", laboratory="@lab", calibrated_on=date(year, 1, 2), due_on=date(year + 1, 1, 2)
            )
            workflow.add_calibration(bench.place, None, odd.id, calibration)
        workflow.set_active(bench.place, None, bench.second.id, is_active=False)
        yield bench


@pytest.fixture(scope="module")
def other(lived: Bench, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workplace]:
    """Make an empty record with the same contract, and import all that was typed into the first one."""
    made = workplace(tmp_path_factory.mktemp("other"))
    made = replace(made, clock=lived.clock)
    workflow.adopt_contract(made, None, CONTRACT, "tst-001.toml")
    for name in IMPORTS:
        if name != "returns":
            where = {"origin": "typed"} if name == "reference-readings" else {}
            workflow.import_list(made, None, name, f"{name}.csv", exported(lived.place, name, **where))
    yield made
    workflow.close_workplace(made)


@pytest.mark.parametrize("name", [name for name in IMPORTS if name != "returns"])
def test_an_exported_list_gives_the_same_list_back(lived: Bench, other: Workplace, name: str) -> None:
    where = {"origin": "typed"} if name == "reference-readings" else {}
    content = exported(lived.place, name, **where)

    assert len(content.splitlines()) > 1
    assert exported(other, name) == content


def test_what_was_imported_is_sealed_like_what_was_typed(other: Workplace) -> None:
    assert workflow.verify(other).problems == ()


@pytest.mark.parametrize("name", IMPORTS)
def test_the_same_file_twice_changes_nothing(lived: Bench, name: str) -> None:
    content = exported(lived.place, name)
    events = len(exported(lived.place, "events"))

    done = workflow.import_list(lived.place, None, name, "same.csv", content)

    assert {one.state for one in done.lines} == {LineState.KNOWN}
    assert len(exported(lived.place, "events")) == events


def test_returns_come_back_where_the_devices_wait_for_them(lived: Bench, tmp_path: Path) -> None:
    """Truth: the record as it was before the devices were sent back."""
    content = exported(lived.place, "returns")
    workflow.restore(lived.place.settings.instance / "before.zip", tmp_path / "copy")
    copy = replace(workplace(tmp_path / "copy"), clock=lived.clock)
    assert exported(copy, "returns") != content

    workflow.import_list(copy, None, "returns", "returns.csv", content)

    assert exported(copy, "returns") == content
    workflow.close_workplace(copy)


def test_every_list_is_imported_or_says_why_not() -> None:
    assert set(IMPORTS) | set(NOT_IMPORTED) == set(LISTS)
    assert not set(IMPORTS) & set(NOT_IMPORTED)


@pytest.mark.parametrize("name", NOT_IMPORTED)
def test_what_is_derived_is_not_imported_and_the_way_out_is_said(bench: Bench, name: str) -> None:
    with pytest.raises(UnusableInput, match="they are not imported") as refused:
        workflow.import_list(bench.place, None, name, "list.csv", exported(bench.place, name))

    assert refused.value.remedy == NOT_IMPORTED[name][1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "its columns lack kind, name, serial"),
        (HEADING, "it holds no line"),
        ("serial,kind\r\nA,B\r\n", "its columns lack name, certificate"),
        (HEADING.replace("due_on", "colour"), "lack due_on and know no colour"),
        (HEADING.replace("kind,name", "name,kind"), "its columns stand in another order"),
        (HEADING.replace(",", ";"), "separated by semicolons"),
        (HEADING.replace(",", "\t"), "separated by tabs"),
        (HEADING + "strobe,Strobe\r\n", "line 2 has 2 cells, not 7"),
        (HEADING + "strobe,,S-1,,,,\r\n", "line 2: name: it is empty"),
        (HEADING + "strobe,=1+1,S-1,,,,\r\n", "line 2: name: '=1\\+1' begins like a formula"),
        (HEADING + "strobe,A,S-1,K,L,2026-13-01,2026-12-01\r\n", "line 2: calibrated_on: '2026-13-01' is no day"),
        (HEADING + "strobe,A,S-1,K,L,2026-05-01,2026-04-01\r\n", "line 2: due date: it lies before the calibration"),
        (HEADING + "strobe,A,S-1,,,,\r\nstrobe,A,s-1,,,,\r\n", "line 3: line: line 2 says the same thing"),
        (HEADING + "strobe,A,S-1,,,,\r\nstrobe,B,s-1,,,,\r\n", "line 3: name: it is on record already, there with 'A'"),
        (HEADING + 'strobe,"A,S-1,,,,\r\n', "it ends amid a line"),
        (HEADING + "strobe,A,S-1,K-7", "it ends amid line 2"),
        (HEADING + "strobe,A,S,,,,\r\n" * (MOST_LINES + 1), f"more than {MOST_LINES} lines"),
    ],
)
def test_bad_files_are_told_line_by_line_and_nothing_is_taken_over(bench: Bench, text: str, words: str) -> None:
    before = exported(bench.place)
    is_whole = text.startswith(HEADING) and text != HEADING and '"' not in text and text.endswith("\n")
    good = f"{text}meter,Good,G-1,,,,\r\n" if is_whole else text

    with pytest.raises(UnusableInput, match=words):
        workflow.import_list(bench.place, None, "instruments", "instruments.csv", good.encode())

    assert exported(bench.place) == before


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfe\x00kind", "line 1 is not UTF-8"),
        (HEADING.encode() + "strobe,Größe,S-1,,,,\r\n".encode("latin-1"), "line 2 is not UTF-8"),
        (b"PK\x03\x04rest", "it is a workbook"),
        (b"a" * 10_000_001, "it is larger than 10 MB"),
    ],
)
def test_what_is_no_such_text_is_said(bench: Bench, content: bytes, words: str) -> None:
    with pytest.raises(UnusableInput, match=words):
        workflow.preview_import(bench.place, None, "instruments", "instruments.csv", content)


def test_a_million_lines_are_refused_without_reading_them_all(bench: Bench) -> None:
    content = (ARRIVED + "T,D,,c,s,,,,\r\n" * 700_000).encode()

    with pytest.raises(UnusableInput, match=f"more than {MOST_LINES} lines"):
        workflow.preview_import(bench.place, None, "arrivals", "arrivals.csv", content)


def test_a_preview_answers_each_line_and_keeps_nothing(bench: Bench) -> None:
    receive(bench, "BM-001")
    text = exported(bench.place, "arrivals").decode() + "TST-001,DN-7,,bench monocular,bm-007,,,,\r\n"
    text += "TST-001,DN-8,,hand monocular,BM-008,,,2026-03-01T08:00:00Z,Ines\r\n"
    before = exported(bench.place, "events")

    done = workflow.preview_import(bench.place, bench.inspector, "arrivals", "arrivals.csv", text.encode())

    assert [(one.number, one.state) for one in done.lines] == [
        (2, LineState.KNOWN),
        (3, LineState.NEW),
        (4, LineState.WRONG),
    ]
    assert "says nothing of the class 'hand monocular'" in done.wrong[0].problem
    assert exported(bench.place, "events") == before


def test_each_wrong_line_of_a_delivery_is_answered_itself(bench: Bench) -> None:
    given = (("bench monocular", "BM-7"), ("sofa", "BM-8"), ("bed", "BM-9"))
    lines = [f"TST-001,DN-7,,{device_class},{serial},,,,Ines" for device_class, serial in given]

    found = problems(bench.place, "arrivals", "\r\n".join([ARRIVED.strip(), *lines, ""]).encode())

    assert {number: problem.split(":")[0] for number, problem in found.items()} == {3: "serial BM-8", 4: "serial BM-9"}


@pytest.mark.parametrize("text", ["1_000", "1,5", "\uff11\uff12", "nan", "-inf", "1e999", "0x10", ""])
def test_what_only_a_program_takes_for_a_number_is_none(text: str) -> None:
    with pytest.raises(UnusableInput, match=r"is no number|is not finite"):
        Cells(texts={"value": text}).number("value")


@pytest.mark.parametrize(
    ("text", "value"), [("0.35", 0.35), ("-2", -2.0), (".5", 0.5), ("3.", 3.0), ("1.5E-3", 0.0015)]
)
def test_a_number_is_read_as_it_is_written(text: str, value: float) -> None:
    assert Cells(texts={"value": text}).number("value") == value


@pytest.mark.parametrize(
    "text",
    [
        '{"axis": Infinity}',
        '{"axis": 1e999}',
        '{"axis": NaN}',
        '{"a": 1, "a": 2}',
        '{"a": true}',
        "[1]",
        "{",
        "[" * 9999,
    ],
)
def test_values_that_nothing_can_be_measured_under_are_refused(text: str) -> None:
    with pytest.raises(UnusableInput, match="names no values"):
        Cells(texts={"condition": text}).values("condition")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("ZZ-1,DN-7,,bench monocular,BM-7,,,,Ines", "there is no such contract|was not adopted"),
        ("TST-001,DN-7,TST-001-L09,bench monocular,BM-7,,,,Ines", "it would be TST-001-L02 here, not TST-001-L09"),
        ("TST-001,DN-7,,bench monocular,BM-7,,,2999-01-01T00:00:00Z,Ines", "lies in the future"),
        ("TST-001,DN-7,,bench monocular,BM-7,,,2026-03-01T08:00:00,Ines", "is no moment with a zone"),
        ("TST-001,DN-7,,bench monocular,BM-7,,yes,,Ines", "neither true nor false"),
        ("TST-001,DN-7,,bench monocular,BM-7,,,,Nemo", "no accounts are called 'Nemo'"),
        ("TST-001,DN-7,,bench monocular,BM-7,,,,Otto", "the role auditor of Otto may not do this"),
        ("TST-001,DN-7,,bench monocular,BM-7,,,,", "received_by: it is empty"),
        ("TST-001,DN-1,,bench monocular,BM-7,,,,Ines", "1 device was received under it"),
        ("TST-001,DN-1,,bench monocular,BM-001,dented,,,", "note: it is on record already, there with nothing"),
    ],
)
def test_an_arrival_that_cannot_have_been_is_refused(bench: Bench, line: str, words: str) -> None:
    receive(bench, "BM-001")

    (problem,) = problems(bench.place, "arrivals", f"{ARRIVED}{line}\r\n".encode()).values()

    assert any(one in problem for one in words.split("|")), problem


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Even field 9,1,0,1,,Ines,,", "none is called 'Even field 9'"),
        ('Even field 1,"30,1",0,1,,Ines,,', "It has a decimal comma"),
        ("Even field 1,nan,0,1,,Ines,,", "is not finite"),
        ("Even field 1,30,-1,1,,Ines,,", "it is below zero"),
        ("Even field 1,30,0,ms,,Ines,,", "is read in 1"),
        ("Even field 1,30,0,1,2020-01-01T00:00:00Z,Ines,,", "a later reading is on its chart"),
        (f"Even field 1,30,0,1,,Ines,,{'0' * 64}", "measured from captures"),
    ],
)
def test_a_reading_that_cannot_have_been_is_refused(lived: Bench, line: str, words: str) -> None:
    heading = ",".join(LISTS["reference-readings"].table.columns)

    (problem,) = problems(lived.place, "reference-readings", f"{heading}\r\n{line}\r\n".encode()).values()

    assert words in problem


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("BM-404,Invented Maker,BM-001,Invented Maker,re-marked,label,,Ada", "BM-404 of Invented Maker never arrived"),
        ("BM-002,Invented Maker,BM-001,Invented Maker,stolen,label,,Ada", "'stolen' is none"),
        ("BM-002,Invented Maker,BM-001,Invented Maker,re-marked,label,,Ada", "stands already"),
        ("BM-001,Invented Maker,BM-002,Invented Maker,re-marked,label,,Ada", "linked the other way round"),
        ("BM-003,Invented Maker,BM-001,Invented Maker,re-marked,label,,Ines", "the role inspector of Ines"),
    ],
)
def test_a_link_that_no_approver_could_make_is_refused(lived: Bench, line: str, words: str) -> None:
    heading = ",".join(LISTS["links"].table.columns)

    (problem,) = problems(lived.place, "links", f"{heading}\r\n{line}\r\n".encode()).values()

    assert words in problem


def test_nobody_signs_in_with_an_imported_account_before_a_password_is_set(bench: Bench) -> None:
    content = b"login,name,role,is_active\r\nnia,Nia,inspector,true\r\n"

    workflow.import_list(bench.place, bench.administrator, "accounts", "accounts.csv", content)

    nia = next(one for one in workflow.accounts(bench.place) if one.login == "nia")
    for password in ("", "nia", workplaces.PASSWORD):
        with pytest.raises(NotAllowed):
            workflow.sign_in(bench.place, "nia", password)
    workflow.set_password(bench.place, bench.administrator, nia.id, workplaces.PASSWORD)
    assert workflow.sign_in(bench.place, "nia", workplaces.PASSWORD) == nia


@pytest.mark.parametrize(
    "line", ["ines,Ines,approver,true", "ines,Inez,inspector,true", "ines,Ines,inspector,false", "ines,Ines,owner,true"]
)
def test_an_import_changes_no_account(bench: Bench, line: str) -> None:
    assert problems(bench.place, "accounts", f"login,name,role,is_active\r\n{line}\r\n".encode())


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_no_bytes_break_it(lived: Bench, content: bytes) -> None:
    for name in ("instruments", "arrivals", "references", "reference-readings"):
        heading = ",".join(LISTS[name].table.columns).encode()
        for whole in (content, heading + b"\r\n" + content + b"\n"):
            with contextlib.suppress(InspectError):
                workflow.preview_import(lived.place, None, name, "list.csv", whole)


@pytest.mark.parametrize("name", IMPORTS)
def test_only_who_may_type_it_in_imports(lived: Bench, name: str) -> None:
    with pytest.raises(NotAllowed):
        workflow.preview_import(lived.place, lived.auditor, name, "list.csv", b"")


def test_the_chain_tells_who_imported_which_file(bench: Bench) -> None:
    content = f"{ARRIVED}TST-001,DN-7,,bench monocular,BM-7,,,2026-03-01T08:00:00Z,Ivo\r\n".encode()

    workflow.import_list(bench.place, bench.inspector, "arrivals", "old.csv", content)

    with bench.place.database.reading() as session:
        last = storage.audit.last_event(session)
    assert last is not None
    assert (last.actor, last.action, last.subject) == ("ines", "arrivals imported", "file old.csv")
    assert '"new":"1"' in last.detail
    assert b"2026-03-01T08:00:00Z,Ivo" in exported(bench.place, "arrivals")
