"""Read the table of a reader study: a CSV file with named columns, each line told by its number when it is wrong."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from inspect_app.errors import UnusableInput

_LARGEST_BYTES: Final = 1_000_000  # the largest study of a bench has some hundred lines


def read_study(path: Path, columns: Sequence[str], optional: Sequence[str] = ()) -> list[dict[str, str]]:
    """Return the rows of a study, each cell without outer spaces; a column that may be missing is then empty.

    Raises
    ------
    UnusableInput
        The file cannot be read as CSV text in UTF-8, a column is missing, or a line has an empty cell.
    """
    reader = csv.DictReader(io.StringIO(_text(path), newline=""))
    try:
        names = [name.strip().casefold() for name in reader.fieldnames or ()]
        rows = list(reader.reader)
    except csv.Error as error:
        raise UnusableInput(path.name, f"it is no CSV table ({error})", "Save it as CSV, with commas.") from error
    missing = [column for column in columns if column not in names]
    if missing:
        raise UnusableInput(path.name, f"the column {missing[0]} is missing", f"Name the columns {','.join(columns)}.")
    found = []
    for number, cells in enumerate(rows, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        row = dict.fromkeys(optional, "") | dict(zip(names, (cell.strip() for cell in cells), strict=False))
        for column in columns:
            if not row.get(column):
                raise UnusableInput(f"{path.name}, row {number}", f"{column} is empty", "Fill it, or remove the row.")
        found.append(row)
    if not found:
        raise UnusableInput(path.name, "it has no rows", f"Give one row per reading: {','.join(columns)}.")
    return found


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnusableInput(path.name, f"cannot be read ({reason})", "Name the study's CSV file.") from error
    if len(content) > _LARGEST_BYTES:
        raise UnusableInput(path.name, "is larger than 1 MB", "Name the study's CSV file.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableInput(path.name, "is not UTF-8 text", "Save it as CSV in UTF-8.") from error
