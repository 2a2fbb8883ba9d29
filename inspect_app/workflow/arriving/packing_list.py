"""Packing lists: serials and classes out of a CSV text or an XLSX sheet, with every bad line named."""

import csv
import io
import warnings
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.etree.ElementTree import ParseError

import openpyxl

from inspect_app.errors import UnusableInput
from inspect_app.workflow.typed_text import LONGEST_LINE, normalise_serial, same_words

LARGEST_BYTES: Final = 10_000_000
_LARGEST_UNPACKED_BYTES: Final = 200_000_000
MOST_LINES: Final = 100_000
_NAMED_LINES: Final = 3
_SERIAL_HEADINGS: Final = frozenset({"serial", "serial number", "serial no", "serial no.", "serials", "s/n", "sn"})
_CLASS_HEADINGS: Final = frozenset({"device class", "class", "device_class", "type", "model"})


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedDevice:
    """One line of a packing list."""

    serial: str
    device_class: str | None
    line: int


def read_packing_list(name: str, content: bytes) -> tuple[PackedDevice, ...]:
    """Return the devices of a packing list in its order.

    The first row may name the columns (``serial``, ``device class``); without such a row the first column is the
    serial and the second, where there is one, the class.

    Raises
    ------
    UnusableInput
        It is no CSV text and no XLSX sheet, or lines in it are wrong; the first few are named.
    """
    if not content.strip():
        raise UnusableInput(name, "it is empty", "Export the packing list again as CSV or XLSX.")
    if len(content) > LARGEST_BYTES:
        raise UnusableInput(name, f"it is larger than {LARGEST_BYTES / 1e6:g} MB", "Give the serials alone.")
    rows = _sheet_rows(name, content) if content.startswith(b"PK\x03\x04") else _text_rows(name, content)
    filled = [(line, cells) for line, cells in rows if any(cells)]
    if not filled:
        raise UnusableInput(name, "it holds no line", "Export the packing list again as CSV or XLSX.")
    if len(filled) > MOST_LINES:
        raise UnusableInput(name, f"it has more than {MOST_LINES} lines", "Split it into shipments.")
    columns = _columns(name, filled[0][1])
    body = filled[1:] if columns.has_heading else filled
    return _devices(name, body, columns)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    serial: int
    device_class: int | None
    has_heading: bool


def _columns(name: str, first: Sequence[str]) -> _Columns:
    headings = [same_words(cell) for cell in first]
    serials = [index for index, heading in enumerate(headings) if heading in _SERIAL_HEADINGS]
    classes = [index for index, heading in enumerate(headings) if heading in _CLASS_HEADINGS]
    if len(serials) > 1:
        raise UnusableInput(name, f"{len(serials)} columns are called serial", "Keep one of them.")
    if serials:
        return _Columns(serial=serials[0], device_class=classes[0] if classes else None, has_heading=True)
    # A serial without any digit is rare; a row of plain words is taken for headings that name no serial.
    if not any(character.isdigit() for cell in first for character in cell):
        raise UnusableInput(name, f"no column is called serial, but {', '.join(first)[:80]}", "Name one 'serial'.")
    return _Columns(serial=0, device_class=1 if len(first) > 1 else None, has_heading=False)


def _devices(name: str, rows: Sequence[tuple[int, Sequence[str]]], columns: _Columns) -> tuple[PackedDevice, ...]:
    devices: dict[str, PackedDevice] = {}
    problems: list[str] = []
    for line, cells in rows:
        try:
            device = _device(line, cells, columns)
        except UnusableInput as error:
            problems.append(f"line {line}: {error.problem}")
            continue
        if device.serial in devices:
            problems.append(f"line {line}: {device.serial} stands in line {devices[device.serial].line} already")
            continue
        devices[device.serial] = device
    if problems:
        more = f"; and {len(problems) - _NAMED_LINES} more" if len(problems) > _NAMED_LINES else ""
        raise UnusableInput(name, "; ".join(problems[:_NAMED_LINES]) + more, "Correct them and upload it again.")
    if not devices:
        raise UnusableInput(name, "it has headings and no device", "Export the packing list again.")
    return tuple(devices.values())


def _device(line: int, cells: Sequence[str], columns: _Columns) -> PackedDevice:
    serial = cells[columns.serial] if columns.serial < len(cells) else ""
    if not serial:
        raise UnusableInput("serial", "it has no serial", "Fill it in.")
    device_class = None
    if columns.device_class is not None and columns.device_class < len(cells):
        device_class = cells[columns.device_class][:LONGEST_LINE] or None
    return PackedDevice(serial=normalise_serial(serial), device_class=device_class, line=line)


def _text_rows(name: str, content: bytes) -> Iterator[tuple[int, list[str]]]:
    if b"\x00" in content:
        raise UnusableInput(name, "it is neither CSV text nor an XLSX sheet", "Export it as CSV in UTF-8, or as XLSX.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnusableInput(name, f"line {line} is not UTF-8 text", "Export it as CSV in UTF-8, or as XLSX.") from error
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    try:
        for cells in reader:
            yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise UnusableInput(name, f"line {reader.line_num}: {error}", "Export it as CSV again.") from error


def _sheet_rows(name: str, content: bytes) -> list[tuple[int, list[str]]]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as parts:
            if sum(part.file_size for part in parts.infolist()) > _LARGEST_UNPACKED_BYTES:
                raise UnusableInput(name, "it unpacks to far too much", "Give the serials alone, as CSV.")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library remarks on styles, which do not matter here
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            try:
                return list(_cells(book.worksheets[0].iter_rows(values_only=True)))
            finally:
                book.close()
    except (
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        TypeError,
        IndexError,
        AttributeError,
        OSError,
        ParseError,
    ) as error:
        raise UnusableInput(
            name, "it is no XLSX sheet that can be read", "Save it as XLSX again, or as CSV."
        ) from error


def _cells(rows: Iterable[Sequence[object]]) -> Iterator[tuple[int, list[str]]]:
    for line, row in enumerate(rows, start=1):
        if line > MOST_LINES + 1:
            break
        yield line, [_cell_text(value) for value in row]


def _cell_text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
