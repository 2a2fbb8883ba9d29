"""Tables to take away: one declaration of columns, written as CSV, as a workbook or as JSON, row by row."""

import codecs
import csv
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, BinaryIO, Final, Generic, TypeVar

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from inspect_app.errors import UnusableInput

Cell = str | int | float | bool | date | datetime | None
T = TypeVar("T")

# What a spreadsheet may take for a formula when a cell begins with it (OWASP, CSV Injection), behind any apostrophes.
_FORMULA: Final = re.compile(r"'*[=+\-@\t\r]")
_ESCAPED: Final = re.compile(r"'+[=+\-@\t\r]")
# Office Open XML workbooks (ECMA-376) as spreadsheets limit them; from memory.
_MOST_ROWS: Final = 1_048_576
_LONGEST_TEXT: Final = 32_767
_INSTANT: Final = 'yyyy-mm-dd"T"hh:mm:ss.000"Z"'
_DAY: Final = "yyyy-mm-dd"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table(Generic[T]):
    """A table: its name, and its columns in order, each by its heading with what it shows of a row.

    Headings are written alike in every format, with their unit where they have one: ``size_bytes``. A cell is a text, a
    number, yes or no, a day, a moment with time zone, or nothing.
    """

    name: str
    columns: Mapping[str, Callable[[T], Cell]]

    def cells(self, rows: Iterable[T]) -> Iterator[list[Cell]]:
        """Yield the cells of each row."""
        shown = tuple(self.columns.values())
        for row in rows:
            yield [show(row) for show in shown]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableFormat:
    """A way to write tables: the ending of its files, its media type, and what writes rows into an open file."""

    suffix: str
    media_type: str
    write: Callable[[BinaryIO, Table[Any], Iterable[Any]], None]


def harmless(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula; `as_typed` undoes it.

    Examples
    --------
    >>> harmless("=1+1"), harmless("'=1"), harmless("A-1")
    ("'=1+1", "''=1", 'A-1')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def as_typed(text: str) -> str:
    """Return the text that `harmless` made harmless.

    Examples
    --------
    >>> as_typed("'=1+1"), as_typed("'quoted'")
    ('=1+1', "'quoted'")
    """
    return text[1:] if _ESCAPED.match(text) else text


def is_formula(text: str) -> bool:
    """Say whether a spreadsheet may take a text for a formula.

    Examples
    --------
    >>> is_formula("=1+1"), is_formula("'=1+1"), is_formula("A-1")
    (True, False, False)
    """
    return _FORMULA.match(text) is not None and not text.startswith("'")


def instant(moment: datetime) -> str:
    """Return a moment in ISO 8601, in UTC."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def write_csv(target: BinaryIO, table: Table[T], rows: Iterable[T]) -> None:
    """Write CSV after RFC 4180 in UTF-8, with the mark at its beginning by which spreadsheets know it."""
    writer = csv.writer(codecs.getwriter("utf-8-sig")(target))
    writer.writerow(table.columns)
    writer.writerows([_as_text(cell) for cell in cells] for cells in table.cells(rows))


def as_shown(cell: Cell) -> str:
    """Return a cell as a text, as it is before CSV makes it harmless."""
    return cell if isinstance(cell, str) else str(_as_text(cell))


def _as_text(cell: Cell) -> str | int | float:
    if isinstance(cell, str):
        return harmless(cell)
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    return _plain(cell)


def _plain(cell: float | date | datetime) -> str | int | float:
    if isinstance(cell, datetime):
        return instant(cell)
    if isinstance(cell, date):
        return cell.isoformat()
    if not math.isfinite(cell):
        raise ValueError("a table takes finite numbers")
    return cell


def write_json(target: BinaryIO, table: Table[T], rows: Iterable[T]) -> None:
    """Write one array of JSON objects, an object a line, in the order of the columns."""
    before = "[\n"
    for cells in table.cells(rows):
        values = {
            name: cell if cell is None or isinstance(cell, str | bool) else _plain(cell)
            for name, cell in zip(table.columns, cells, strict=True)
        }
        target.write(f"{before}{json.dumps(values, ensure_ascii=False, allow_nan=False)}".encode())
        before = ",\n"
    target.write(b"[]\n" if before == "[\n" else b"\n]\n")


def write_workbook(target: BinaryIO, table: Table[T], rows: Iterable[T]) -> None:
    """Write a workbook whose first row stays in sight; moments are in UTC, and texts are never formulas.

    Raises
    ------
    UnusableInput
        There are more rows, or longer texts, than a workbook holds.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet(table.name.capitalize()[:31])
    sheet.freeze_panes = "A2"
    sheet.append(list(table.columns))
    try:
        for count, cells in enumerate(table.cells(rows), start=2):
            if count > _MOST_ROWS:
                raise UnusableInput(table.name, f"they are more than the {_MOST_ROWS} rows of a workbook", "Take CSV.")
            sheet.append([_in_workbook(sheet, table.name, cell) for cell in cells])
    finally:
        book.save(target)  # also after a refusal: the rows wait in a file of the library's, which goes only by saving


def _in_workbook(sheet: WriteOnlyWorksheet, name: str, cell: Cell) -> Any:
    if isinstance(cell, str):
        return _text_cell(sheet, name, cell)
    if isinstance(cell, datetime):
        return _formatted(sheet, cell.astimezone(UTC).replace(tzinfo=None), _INSTANT)
    if isinstance(cell, date):
        return _formatted(sheet, cell, _DAY)
    return cell


def _text_cell(sheet: WriteOnlyWorksheet, name: str, text: str) -> Any:
    printable = ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", harmless(text))
    if len(printable) > _LONGEST_TEXT:
        raise UnusableInput(name, f"a text has {len(text)} characters, a workbook takes {_LONGEST_TEXT}", "Take CSV.")
    made = WriteOnlyCell(sheet, printable)
    made.data_type = "s"  # whatever it looks like
    return made


def _formatted(sheet: WriteOnlyWorksheet, value: date | datetime, number_format: str) -> Any:
    made = WriteOnlyCell(sheet)
    made.value = value
    made.number_format = number_format
    return made


CSV: Final = TableFormat(suffix="csv", media_type="text/csv; charset=utf-8", write=write_csv)
WORKBOOK: Final = TableFormat(
    suffix="xlsx",
    media_type="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    write=write_workbook,
)
JSON: Final = TableFormat(suffix="json", media_type="application/json", write=write_json)
FORMATS: Final[Mapping[str, TableFormat]] = {one.suffix: one for one in (CSV, WORKBOOK, JSON)}
