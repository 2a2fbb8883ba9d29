"""Importing what was exported: the same data again, or a clear word for each line and nothing taken over."""

import contextlib
import io
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed, UnusableInput
from inspect_app.model import Calibration
from inspect_app.workflow.memory.importing import MOST_LINES
from tests.truth.workplaces import Bench, workplace

HEADING = "kind,name,serial,certificate,laboratory,calibrated_on,due_on\r\n"


def exported(place: workflow.Workplace) -> bytes:
    target = io.BytesIO()
    listing = workflow.list_named("instruments")
    workflow.write_list(place, listing, workflow.format_of("csv"), target, where={}, person=None)
    return target.getvalue()


def test_an_exported_list_gives_the_same_list_back(bench: Bench, tmp_path: Path) -> None:
    """Names that spreadsheets take for formulas, quotes and commas included."""
    place = bench.place
    odd = workflow.add_instrument(place, None, "strobe", '=SUM(A1), "crystal"', "'ST-1")
    calibration = Calibration(
        certificate="-7", laboratory="@lab", calibrated_on=date(2026, 1, 2), due_on=date(2027, 1, 2)
    )
    workflow.add_calibration(place, None, odd.id, calibration)
    content = exported(place)
    other = workplace(tmp_path / "other")

    done = workflow.import_instruments(other, None, "instruments.csv", content)

    assert exported(other) == content
    assert (done.instruments, done.calibrations) == (2, 2)
    assert workflow.verify(other).problems == ()
    workflow.close_workplace(other)


def test_the_same_file_twice_changes_nothing(bench: Bench) -> None:
    content = exported(bench.place)

    done = workflow.import_instruments(bench.place, None, "instruments.csv", content)

    assert (done.lines, done.instruments, done.calibrations) == (1, 0, 0)
    assert exported(bench.place) == content


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "its columns are none"),
        (HEADING, "it holds no line"),
        ("serial,kind\r\nA,B\r\n", "its columns are serial, kind"),
        (HEADING + "strobe,Strobe\r\n", "line 2: columns: there are 2, not 7"),
        (HEADING + "strobe,,S-1,,,,\r\n", "line 2: name: it is empty"),
        (HEADING + "strobe,A,S-1,K,L,2026-13-01,2026-12-01\r\n", "line 2: calibrated_on: '2026-13-01' is no day"),
        (HEADING + "strobe,A,S-1,K,L,2026-05-01,2026-04-01\r\n", "line 2: due_on: it lies before the calibration"),
        (HEADING + "strobe,A,S-1,,,,\r\nstrobe,B,s-1,,,,\r\n", "line 3: serial: line 2 has it already"),
        (HEADING + 'strobe,"A,S-1,,,,\r\n', "it ends amid a line"),
        (HEADING + "strobe,A,S,,,,\r\n" * (MOST_LINES + 1), f"lines, {MOST_LINES} are allowed"),
    ],
)
def test_bad_files_are_told_line_by_line_and_nothing_is_taken_over(bench: Bench, text: str, words: str) -> None:
    before = exported(bench.place)
    good = text + "meter,Good,G-1,,,,\r\n" if text.startswith(HEADING) and text != HEADING and '"' not in text else text

    with pytest.raises(UnusableInput, match=words.replace("(", r"\(")):
        workflow.import_instruments(bench.place, None, "instruments.csv", good.encode())

    assert exported(bench.place) == before


def test_what_is_no_text_is_said(bench: Bench) -> None:
    with pytest.raises(UnusableInput, match="not UTF-8"):
        workflow.import_instruments(bench.place, None, "instruments.csv", b"\xff\xfe\x00kind")


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_no_bytes_break_it(bench: Bench, content: bytes) -> None:
    for head in (b"", HEADING.encode()):
        with contextlib.suppress(InspectError):
            workflow.import_instruments(bench.place, None, "instruments.csv", head + content)


def test_only_who_keeps_the_record_imports(bench: Bench) -> None:
    with pytest.raises(NotAllowed):
        workflow.import_instruments(bench.place, bench.inspector, "instruments.csv", exported(bench.place))
