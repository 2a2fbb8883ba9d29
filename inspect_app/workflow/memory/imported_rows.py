"""The rows of a CSV file as `inspect-app export` writes it, and its cells read as what their columns hold."""

import csv
import io
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

from inspect_app.documents.tabular import as_typed, is_formula
from inspect_app.errors import UnusableInput

LARGEST_LIST_BYTES: Final = 10_000_000
MOST_LINES: Final = 20_000
_LONGEST_SHOWN: Final = 40
_WORKBOOK: Final = b"PK\x03\x04"
_NUMBER: Final = re.compile(r"[+-]?((\d+\.?\d*|\.\d+)(e[+-]?\d+)?|nan|inf(inity)?)", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """One row: the texts of its columns, read as what they are to hold; None where a cell is empty.

    `is_escaped` says whether texts have an apostrophe by which spreadsheets do not take them for formulas.
    """

    texts: Mapping[str, str]
    is_escaped: bool = True

    def text(self, column: str) -> str | None:
        """Return a text as it was typed.

        Raises
        ------
        UnusableInput
            It is a formula.
        """
        text = self.texts[column].strip()
        if not self.is_escaped:
            return text or None
        if is_formula(text):
            raise UnusableInput(
                column,
                f"'{text[:_LONGEST_SHOWN]}' begins like a formula",
                "Put an apostrophe before it where it is a text.",
            )
        return as_typed(text) or None

    def needed(self, column: str) -> str:
        """Return a text that must not be empty.

        Raises
        ------
        UnusableInput
            It is empty, or a formula.
        """
        text = self.text(column)
        if text is None:
            raise UnusableInput(column, "it is empty", "Fill it in.")
        return text

    def number(self, column: str) -> float:
        """Return a finite number with a decimal point.

        Raises
        ------
        UnusableInput
            It is none.
        """
        text = self.texts[column].strip()
        if not _NUMBER.fullmatch(text):
            comma = " It has a decimal comma: write a point." if "," in text else ""
            raise UnusableInput(column, f"'{text[:_LONGEST_SHOWN]}' is no number", f"Write it like 0.35.{comma}")
        value = float(text)
        if not math.isfinite(value):
            raise UnusableInput(column, f"'{text[:_LONGEST_SHOWN]}' is not finite", "Write it like 0.35.")
        return value

    def flag(self, column: str) -> bool | None:
        """Return yes or no.

        Raises
        ------
        UnusableInput
            It is neither ``true`` nor ``false``.
        """
        text = self.texts[column].strip().lower()
        if text not in ("", "true", "false"):
            raise UnusableInput(column, f"'{text[:_LONGEST_SHOWN]}' is neither true nor false", "Write one of them.")
        return text == "true" if text else None

    def day(self, column: str) -> date:
        """Return a day.

        Raises
        ------
        UnusableInput
            It is none.
        """
        text = self.texts[column].strip()
        try:
            return date.fromisoformat(text)
        except ValueError as error:
            raise UnusableInput(column, f"'{text[:_LONGEST_SHOWN]}' is no day", "Write it like 2026-11-25.") from error

    def moment(self, column: str) -> datetime | None:
        """Return a moment with its zone, in UTC.

        Raises
        ------
        UnusableInput
            It is none, or has no zone.
        """
        text = self.texts[column].strip()
        if not text:
            return None
        try:
            return _aware(datetime.fromisoformat(text)).astimezone(UTC)
        except (ValueError, OverflowError) as error:
            raise UnusableInput(
                column, f"'{text[:_LONGEST_SHOWN]}' is no moment with a zone", "Write it like 2026-11-25T08:30:00Z."
            ) from error

    def values(self, column: str) -> Mapping[str, Any]:
        """Return the named values of a JSON object; none where the cell is empty.

        Raises
        ------
        UnusableInput
            It is no such object, names one twice, or holds something else than texts, finite numbers and whole ones.
        """
        text = self.text(column)
        try:
            return {name: _plain(value) for name, value in _object(text or "{}").items()}
        except (ValueError, RecursionError) as error:
            raise UnusableInput(
                column, f"'{str(text)[:_LONGEST_SHOWN]}' names no values", 'Write it like {"axis": "vertical"}.'
            ) from error


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("it has no zone")
    return moment


def _object(text: str) -> dict[str, object]:
    found = json.loads(text, object_pairs_hook=_each_once)
    if not isinstance(found, dict):
        raise ValueError("it is no object")  # noqa: TRY004 (what is wrong is what was typed)
    return found


def _each_once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("it names one thing twice")
    return found


def _plain(value: object) -> str | int | float | tuple[int, ...]:
    if isinstance(value, list) and all(type(one) is int for one in value):
        return tuple(value)
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError("neither text nor number")  # noqa: TRY004 (what is wrong is what was typed)
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("it is not finite")
    return value


def read_rows(columns: Sequence[str], name: str, content: bytes) -> list[tuple[int, Cells]]:
    """Return the rows of a CSV file with the numbers of their lines.

    Raises
    ------
    UnusableInput
        It is no text in UTF-8, too large, cut off, has other columns, or none of its lines holds anything.
    """
    lines = _lines(name, _text(name, content))
    _, heading = next(lines, (1, []))
    _prove_columns(name, heading, columns)
    rows = []
    for number, cells in lines:
        if len(cells) != len(columns):
            raise UnusableInput(
                name, f"line {number} has {len(cells)} cells, not {len(columns)}", "Export the list again, whole."
            )
        rows.append((number, Cells(texts=dict(zip(columns, cells, strict=True)))))
        if len(rows) > MOST_LINES:
            raise UnusableInput(name, f"it has more than {MOST_LINES} lines", "Split it.")
    if not rows:
        raise UnusableInput(name, "it holds no line", "Export the list again.")
    return rows


def _text(name: str, content: bytes) -> str:
    if len(content) > LARGEST_LIST_BYTES:
        raise UnusableInput(name, f"it is larger than {LARGEST_LIST_BYTES // 1_000_000} MB", "Split it.")
    if content.startswith(_WORKBOOK):
        raise UnusableInput(name, "it is a workbook", "Save it as CSV in UTF-8.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnusableInput(name, f"line {line} is not UTF-8 text", "Save it as CSV in UTF-8.") from error


def _lines(name: str, text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the lines that hold anything; the last one must end, for half a file mostly ends amid one."""
    if text and not text.endswith(("\n", "\r")):
        last = text.count("\n") + 1
        raise UnusableInput(
            name, f"it ends amid line {last}", "Export it again, whole; or end its last line where it is."
        )
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, cells
    except csv.Error as error:
        raise UnusableInput(
            name, f"it ends amid a line, or is no CSV: line {reader.line_num}, {error}", "Export it again, whole."
        ) from error


def _prove_columns(name: str, heading: Sequence[str], columns: Sequence[str]) -> None:
    if list(heading) == list(columns):
        return
    wanted = ", ".join(columns)
    for mark, words in ((";", "semicolons"), ("\t", "tabs")):
        if len(heading) == 1 and mark in heading[0]:
            raise UnusableInput(
                name, f"its columns are separated by {words}", "Save it with commas, and decimal points in numbers."
            )
    if sorted(heading) == sorted(columns):
        raise UnusableInput(name, "its columns stand in another order", f"Give {wanted}.")
    missing = [column for column in columns if column not in heading]
    strange = [column[:_LONGEST_SHOWN] for column in heading if column not in columns]
    said = [f"{words} {', '.join(some[:8])}" for words, some in (("lack", missing), ("know no", strange)) if some]
    raise UnusableInput(name, f"its columns {' and '.join(said) or 'are named twice'}", f"Give {wanted}.")
