"""Importing lists that were exported: every line is proved first, and all of them are taken, or none."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from inspect_app.documents.tabular import as_typed
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Calibration, Person
from inspect_app.storage import instruments as kept
from inspect_app.workflow.memory.lists.kept import INSTRUMENTS
from inspect_app.workflow.typed_text import clean_line, normalise_serial
from inspect_app.workflow.workplace import Workplace, acting

LARGEST_BYTES: Final = 10_000_000
MOST_LINES: Final = 20_000
_NAMED_LINES: Final = 5
_CALIBRATION: Final = ("certificate", "laboratory", "calibrated_on", "due_on")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did: lines read, and what of them was new."""

    lines: int
    instruments: int
    calibrations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    kind: str
    name: str
    serial: str
    calibration: Calibration | None


def import_instruments(workplace: Workplace, person: Person | None, name: str, content: bytes) -> Imported:
    """Take over instruments with their newest calibrations from the CSV that `inspect-app export instruments` writes.

    What is known already is left as it is, so that the same file twice changes nothing.

    Raises
    ------
    UnusableInput
        The file is no such CSV, or lines in it are wrong; the first few are named, and nothing is taken over.
    NotAllowed
        The person is no administrator.
    """
    lines = tuple(_proved(name, content))
    with acting(workplace, person, "keep", "instruments imported") as act:
        new_instruments = new_calibrations = 0
        for line in lines:
            found = kept.find(act.session, kind=line.kind, serial=line.serial)
            if found is None:
                found = kept.add(act, kind=line.kind, name=line.name, serial=line.serial)
                new_instruments += 1
            if line.calibration is not None and line.calibration not in found.calibrations:
                kept.add_calibration(act, found.id, line.calibration)
                new_calibrations += 1
        act.tell(f"file {name}"[:200], instruments=str(new_instruments), calibrations=str(new_calibrations))
    return Imported(lines=len(lines), instruments=new_instruments, calibrations=new_calibrations)


def _proved(name: str, content: bytes) -> Iterator[_Line]:
    rows = _rows(name, content)
    proved: list[_Line] = []
    wrong: list[str] = []
    places: dict[tuple[str, str], int] = {}
    for number, cells in rows:
        try:
            line = _line(cells)
            first = places.setdefault((line.kind, line.serial), number)
            if first != number:
                raise UnusableInput("serial", f"line {first} has it already", "Keep one of them.")
            proved.append(line)
        except InspectError as error:
            wrong.append(f"line {number}: {error.where}: {error.problem}")
    if wrong:
        more = f"; and {len(wrong) - _NAMED_LINES} more" if len(wrong) > _NAMED_LINES else ""
        raise UnusableInput(
            name, f"{'; '.join(wrong[:_NAMED_LINES])}{more}", "Correct these lines; nothing was taken over."
        )
    return iter(proved)


def _rows(name: str, content: bytes) -> list[tuple[int, Sequence[str]]]:
    if len(content) > LARGEST_BYTES:
        raise UnusableInput(name, f"it is larger than {LARGEST_BYTES // 1_000_000} MB", "Split it.")
    try:
        text = content.decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        heading = next(reader, [])
        rows: list[tuple[int, Sequence[str]]] = [
            (reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)
        ]
    except UnicodeDecodeError as error:
        raise UnusableInput(name, "it is not UTF-8 text", "Save it as CSV in UTF-8.") from error
    except csv.Error as error:
        raise UnusableInput(name, f"it ends amid a line, or is no CSV ({error})", "Export it again, whole.") from error
    wanted = list(INSTRUMENTS.table.columns)
    if heading != wanted:
        raise UnusableInput(name, f"its columns are {', '.join(heading)[:120] or 'none'}", f"Give {', '.join(wanted)}.")
    if len(rows) > MOST_LINES:
        raise UnusableInput(name, f"it has {len(rows)} lines, {MOST_LINES} are allowed", "Split it.")
    if not rows:
        raise UnusableInput(name, "it holds no line", "Export the list again.")
    return rows


def _line(cells: Sequence[str]) -> _Line:
    wanted = tuple(INSTRUMENTS.table.columns)
    if len(cells) != len(wanted):
        raise UnusableInput("columns", f"there are {len(cells)}, not {len(wanted)}", "Export the list again.")
    values = {name: as_typed(cell) for name, cell in zip(wanted, cells, strict=True)}
    return _Line(
        kind=clean_line("kind", values["kind"]).lower(),
        name=clean_line("name", values["name"]),
        serial=normalise_serial(values["serial"]),
        calibration=_calibration(values) if any(values[name].strip() for name in _CALIBRATION) else None,
    )


def _calibration(values: dict[str, str]) -> Calibration:
    calibrated_on, due_on = (_day(name, values[name]) for name in ("calibrated_on", "due_on"))
    if due_on < calibrated_on:
        raise UnusableInput("due_on", "it lies before the calibration", "Correct one of the dates.")
    return Calibration(
        certificate=clean_line("certificate", values["certificate"]),
        laboratory=clean_line("laboratory", values["laboratory"]),
        calibrated_on=calibrated_on,
        due_on=due_on,
    )


def _day(name: str, text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise UnusableInput(name, f"'{text[:40]}' is no day", "Write it like 2026-11-25.") from error
