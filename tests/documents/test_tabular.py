"""Tables to take away: one declaration, three formats that say the same, and nothing that a spreadsheet would run."""

import csv
import io
import json
from datetime import UTC, date, datetime, timedelta, timezone

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.documents import tabular
from inspect_app.documents.tabular import Table
from inspect_app.errors import UnusableInput

MOMENT = datetime(2026, 3, 2, 9, 30, 15, 250_000, tzinfo=timezone(timedelta(hours=1)))
COLUMNS = ("name", "count", "length_mm", "is_kept", "day", "at", "missing")
ROW = ("=1+1", 3, 0.1, True, date(2026, 3, 2), MOMENT, None)
TABLE = Table(name="things", columns={name: (lambda row, at=place: row[at]) for place, name in enumerate(COLUMNS)})


def written(as_, rows=(ROW,), table=TABLE):
    buffer = io.BytesIO()
    as_.write(buffer, table, rows)
    return buffer.getvalue()


def texts_of(content):
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def sheet_of(content):
    return openpyxl.load_workbook(io.BytesIO(content)).active


def test_a_csv_has_iso_times_with_zone_and_escapes_what_looks_like_a_formula():
    """Truth: ISO 8601 and RFC 4180, written out by hand; 09:30 at +01:00 is 08:30 UTC."""
    content = written(tabular.CSV)

    assert content.startswith(b"\xef\xbb\xbfname,count,length_mm,is_kept,day,at,missing\r\n")
    assert texts_of(content)[1] == ["'=1+1", "3", "0.1", "true", "2026-03-02", "2026-03-02T08:30:15.250000Z", ""]


def test_json_keeps_types_and_the_text_as_it_is():
    (row,) = json.loads(written(tabular.JSON))

    assert row == dict(
        zip(COLUMNS, ("=1+1", 3, 0.1, True, "2026-03-02", "2026-03-02T08:30:15.250000Z", None), strict=True)
    )


def test_json_of_no_rows_is_an_empty_array():
    assert json.loads(written(tabular.JSON, rows=())) == []


def test_a_workbook_keeps_types_and_freezes_its_headings():
    sheet = sheet_of(written(tabular.WORKBOOK))

    assert sheet.freeze_panes == "A2"
    assert [cell.value for cell in sheet[1]] == list(COLUMNS)
    name, count, length, kept, day, at, missing = sheet[2]
    assert (name.data_type, name.value) == ("s", "'=1+1")
    assert (count.value, length.value, kept.value, missing.value) == (3, 0.1, True, None)
    assert (kept.data_type, day.is_date, day.value.date()) == ("b", True, date(2026, 3, 2))
    assert at.value == MOMENT.astimezone(UTC).replace(tzinfo=None)
    assert at.number_format.endswith('"Z"')


@given(st.text(alphabet=st.one_of(st.sampled_from("'=+-@\t\rx1"), st.characters(codec="utf-8")), max_size=12))
def test_a_harmless_text_never_begins_a_formula_and_is_undone(text):
    """Truth: what spreadsheets take for a formula, after the OWASP page on CSV injection."""
    escaped = tabular.harmless(text)

    assert not escaped.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert tabular.as_typed(escaped) == text


def test_a_text_that_no_workbook_holds_is_refused_not_cut():
    """Truth: a cell holds 32 767 characters."""
    with pytest.raises(UnusableInput, match="Take CSV"):
        written(tabular.WORKBOOK, rows=[("x" * 32_768, *ROW[1:])])


def test_control_characters_do_not_break_a_workbook():
    sheet = sheet_of(written(tabular.WORKBOOK, rows=[("a\x00b", *ROW[1:])]))

    assert sheet.cell(2, 1).value == "a\N{REPLACEMENT CHARACTER}b"
