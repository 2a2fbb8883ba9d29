"""Packing lists: CSV and XLSX, with every bad line named."""

import io

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import UnusableInput
from inspect_app.workflow import read_packing_list


def serials(name: str, content: bytes) -> list[tuple[str, str | None]]:
    return [(one.serial, one.device_class) for one in read_packing_list(name, content)]


def sheet(*rows: tuple[object, ...]) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.worksheets[0].append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "text",
    [
        "serial,device class\nA-1,x\nA-2,y\n",
        "\ufeffSerial;Device class\r\nA-1;x\r\nA-2;y\r\n",
        "device class\tserial number\nx\tA-1\ny\tA-2",
        "A-1,x\nA-2,y",
        "no,serial,class\n1,A-1,x\n\n2,A-2,y\n",
    ],
)
def test_columns_are_found_by_their_headings_or_taken_in_order(text: str) -> None:
    assert serials("list.csv", text.encode()) == [("A-1", "x"), ("A-2", "y")]


def test_a_sheet_is_read_like_a_text() -> None:
    assert serials("list.xlsx", sheet(("Serial", "Class"), ("a-1", "x"), (1042, None))) == [
        ("A-1", "x"),
        ("1042", None),
    ]


def test_a_single_column_of_serials_is_enough() -> None:
    assert serials("list.csv", b"A-1\nA-2\n") == [("A-1", None), ("A-2", None)]


def test_every_bad_line_is_named() -> None:
    with pytest.raises(UnusableInput) as refused:
        read_packing_list("list.csv", b"serial,class\nA-1,x\n,x\nA-1,x\n" + b"A" * 70 + b",x\n")

    message = str(refused.value)
    assert "line 3: it has no serial" in message
    assert "line 4: A-1 stands in line 2 already" in message
    assert "line 5: it has 70 characters" in message


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"  \n ", "empty"),
        (b"serial,class\n", "no device"),
        (b"name,colour\nred,blue\n", "no column is called serial"),
        (b"serial\n\xff\xfe\n", "line 2 is not UTF-8"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "neither CSV"),
        (b"PK\x03\x04 not really", "no XLSX sheet"),
        (b"serial,serial\nA-1,A-2\n", "2 columns"),
        (b'serial\n"' + b"x" * 200_000, "line"),
    ],
)
def test_a_file_that_is_no_packing_list_is_refused_in_words(content: bytes, words: str) -> None:
    with pytest.raises(UnusableInput, match=words):
        read_packing_list("list", content)


def test_a_truncated_sheet_is_refused_in_words() -> None:
    whole = sheet(("serial",), ("A-1",))

    for length in range(4, len(whole), 97):
        with pytest.raises(UnusableInput):
            read_packing_list("list.xlsx", whole[:length])


@given(st.binary(max_size=400))
def test_any_bytes_are_a_list_or_are_refused_in_words(content: bytes) -> None:
    try:
        devices = read_packing_list("list", content)
    except UnusableInput:
        return

    assert devices
    assert len({device.serial for device in devices}) == len(devices)
