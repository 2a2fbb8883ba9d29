"""Read the table of a reader study: a CSV with named columns, each row told by its number when it is wrong."""

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

from inspect_app.errors import InspectError, UnusableInput
from inspect_app.judge.agreement import Kappa, cohen_kappa, fleiss_kappa
from inspect_app.judge.gauge import Trial
from inspect_app.measure import CHECKS, read_options
from inspect_app.quantity import parse_number

LARGEST_BYTES: Final = 1_000_000  # the largest study of a bench has some hundred rows
_ELEMENTS_PER_GROUP: Final = 6
_PAIR: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """Pass/fail looks of a study.

    `verdicts` are by reader and item, of which every reader judged all. `wrong` tells per reader how many of the
    verdicts with a reference differ from it, and of how many; it is empty without references. `proved` are reference
    and verdict of each look whose item has a reference.
    """

    verdicts: Mapping[str, Mapping[str, str]]
    wrong: Mapping[str, tuple[int, int]]
    proved: tuple[tuple[str, str], ...] = ()

    @property
    def method(self) -> str:
        """Whose kappa is told: Cohen's of two readers, Fleiss's of more."""
        return "Cohen" if len(self.verdicts) == _PAIR else "Fleiss"

    def kappa(self) -> Kappa:
        """Return the readers' agreement beyond chance."""
        items = list(next(iter(self.verdicts.values())))
        if len(self.verdicts) == _PAIR:
            first, second = ([seen[item] for item in items] for seen in self.verdicts.values())
            return cohen_kappa(first, second)
        return fleiss_kappa([Counter(seen[item] for seen in self.verdicts.values()) for item in items])


def read_study(path: Path) -> bytes:
    """Return the bytes of a study file, no more than a study can have.

    Raises
    ------
    UnusableInput
        The file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnusableInput(path.name, f"cannot be read ({reason})", "Name the study's CSV file.") from error


def table_text(content: bytes, name: str) -> str:
    """Return the text of a table without its byte order mark.

    Raises
    ------
    UnusableInput
        It is larger than a study can be, or no UTF-8 text.
    """
    if len(content) > LARGEST_BYTES:
        raise UnusableInput(name, "is larger than 1 MB", "Name the study's CSV file.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableInput(name, "is not UTF-8 text", "Save it as CSV in UTF-8.") from error


def gauge_trials(content: bytes, name: str, *, elements: bool) -> tuple[Trial, ...]:
    """Return the readings of a study with the columns part, reader, value.

    Parameters
    ----------
    content : bytes
        Of the CSV file.
    name : str
        What to call it in errors.
    elements : bool
        The values are elements of the bar target, written G,E; they are counted in steps of one element.
    """
    rows = _rows(content, name, ("part", "reader", "value"))
    return tuple(
        Trial(part=row["part"], reader=row["reader"], value=_value(f"{name}, reading {number}", row["value"], elements))
        for number, row in enumerate(rows, start=1)
    )


def layout_of(content: bytes, name: str) -> str:
    """Return the number of the layout that a table names in its column layout, or nothing."""
    rows = csv.DictReader(io.StringIO(table_text(content, name), newline=""))
    first = next(rows, {})
    return str(first.get("layout") or "").strip()


def read_looks(content: bytes, name: str) -> Looks:
    """Return the looks of a study with the columns item, reader, verdict and perhaps reference."""
    rows = _rows(content, name, ("item", "reader", "verdict"), ("reference",))
    verdicts: dict[str, dict[str, str]] = {}
    for row in rows:
        seen = verdicts.setdefault(row["reader"], {})
        if row["item"] in seen:
            problem = f"{row['reader']} judged it twice"
            raise UnusableInput(f"{name}, item {row['item']}", problem, "Keep one verdict a reader and item.")
        seen[row["item"]] = row["verdict"]
    items = {item for seen in verdicts.values() for item in seen}
    for reader, seen in verdicts.items():
        missing = sorted(items - set(seen))
        if missing:
            raise UnusableInput(name, f"{reader} did not judge {missing[0]}", "Every reader judges every item.")
    proved = tuple((row["reference"], row["verdict"]) for row in rows if row["reference"])
    return Looks(verdicts=MappingProxyType(verdicts), wrong=MappingProxyType(_wrong(rows)), proved=proved)


def _value(where: str, text: str, elements: bool) -> float:  # noqa: FBT001 - one word for both callers of a cell
    try:
        if not elements:
            return parse_number(text, "1")
        options = read_options(CHECKS["bar-target"].options, {"axis": "horizontal", "reading": (text,)})
    except InspectError as error:
        raise UnusableInput(where, error.problem, error.remedy) from error
    ((group, element),) = options.model_dump()["reading"]
    return float(_ELEMENTS_PER_GROUP * group + element)


def _wrong(rows: Sequence[Mapping[str, str]]) -> dict[str, tuple[int, int]]:
    judged = [row for row in rows if row["reference"]]
    return {
        reader: (
            sum(row["verdict"] != row["reference"] for row in judged if row["reader"] == reader),
            sum(row["reader"] == reader for row in judged),
        )
        for reader in dict.fromkeys(row["reader"] for row in judged)
    }


def _rows(content: bytes, name: str, columns: Sequence[str], optional: Sequence[str] = ()) -> list[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(table_text(content, name), newline=""))
    try:
        names = [one.strip().casefold() for one in reader.fieldnames or ()]
        rows = list(reader.reader)
    except csv.Error as error:
        raise UnusableInput(name, f"it is no CSV table ({error})", "Save it as CSV, with commas.") from error
    missing = [column for column in columns if column not in names]
    if missing:
        raise UnusableInput(name, f"the column {missing[0]} is missing", f"Name the columns {','.join(columns)}.")
    found = [
        _row(f"{name}, row {number}", names, cells, columns, optional)
        for number, cells in enumerate(rows, start=2)
        if any(cell.strip() for cell in cells)
    ]
    if not found:
        raise UnusableInput(name, "it has no rows", f"Give one row per reading: {','.join(columns)}.")
    return found


def _row(
    where: str, names: Sequence[str], cells: Sequence[str], columns: Sequence[str], optional: Sequence[str]
) -> dict[str, str]:
    row = dict.fromkeys(optional, "") | dict(zip(names, (cell.strip() for cell in cells), strict=False))
    for column in columns:
        if not row.get(column):
            raise UnusableInput(where, f"{column} is empty", "Fill it, or remove the row.")
    return row
