"""Read logs: a line of column names, then rows of numbers, as loggers and spreadsheets write them."""

import io
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from inspect_app.capture._log_head import is_number, read_head
from inspect_app.capture.kinds import FloatArray, Log
from inspect_app.errors import UnusableInput

LARGEST_FILE_BYTES: Final = 1_500_000_000
MOST_NUMBERS: Final = 60_000_000
LARGEST_NUMBER: Final = 1e100  # no instrument reads more, and sums of the squares of more are no numbers
_BLOCK_BYTES: Final = 8_000_000
_NUMBER_BYTES: Final = b'0123456789+-.eE,; \t\r\n"'
_CLOCK: Final = re.compile(rb"\d:\d\d")
_SMALL_BYTES: Final = 4_000  # text of which each line may be looked at


def read_table(path: Path, *, name: str, role: str, sha256: str) -> Log:
    """Read a log of numbers.

    Parameters
    ----------
    path : Path
        Text in UTF-8 (with or without byte order mark) or UTF-16: one line of column names, then one row a line.
        Columns are parted by commas, semicolons or tabs; after semicolons or tabs the decimal sign may be a comma.
        The line of names may come again between rows, as a logger writes it when it starts anew. Above it, a logger may
        say what it is, and below it in which units it measures (`inspect_app.capture._log_head.read_head`).
    name, role, sha256 : str
        Passed on to the `Log`.

    Returns
    -------
    Log
        Columns of shape (n,), named in lower case without quotes and outer spaces. An empty cell is NaN. Its notes say
        what was left out above the names, and which units were taken.

    Raises
    ------
    UnusableInput
        The file is empty, too large, without column names, or a line holds something else than numbers: the line
        is named, counted from 1.

    Notes
    -----
    The text is read in blocks of 8 MB, each parsed at once. A block that is not all numbers is halved until the few
    lines are found of which the first is wrong, so that a wrong line in a large log is named as fast as a small one.
    """
    if path.stat().st_size > LARGEST_FILE_BYTES:
        raise UnusableInput(name, "the log is larger than 1.5 GB", "Thin it out or cut it to the run.")
    blocks = _text_blocks(path, name)
    head = read_head(next(blocks, b""), name)
    parsed: list[FloatArray] = []
    line, numbers = head.lines + 1, 0
    for block in _whole_lines(head.rest, blocks):
        rows = _rows(_without_names(block, head.repeated), head.separator, len(head.titles), name, line)
        line += block.count(b"\n")
        numbers += rows.size
        if numbers > MOST_NUMBERS:
            raise UnusableInput(name, f"the log holds more than {MOST_NUMBERS} numbers", "Thin it out.")
        parsed.append(rows)
    if not numbers:
        raise UnusableInput(name, "there are no numbers below the column names", "Choose the log itself.")
    columns = {title: np.concatenate([rows[:, k] for rows in parsed]) for k, title in enumerate(head.titles)}
    return Log(name=name, sha256=sha256, columns=columns, role=role, notes=head.notes)


def _text_blocks(path: Path, name: str) -> Iterator[bytes]:
    with path.open("rb") as stream:
        block = stream.read(_BLOCK_BYTES)
        if block.startswith((b"\xff\xfe", b"\xfe\xff")):
            yield _from_utf16(block + stream.read(), name)
            return
        block = block.removeprefix(b"\xef\xbb\xbf")
        while block:
            yield block
            block = stream.read(_BLOCK_BYTES)


def _from_utf16(stored: bytes, name: str) -> bytes:
    try:
        return stored.decode("utf-16").encode()
    except UnicodeError as error:
        raise UnusableInput(name, "the text is damaged", "Save the log again as CSV.") from error


def _without_names(block: bytes, repeated: Sequence[bytes]) -> bytes:
    """Empty the lines that repeat names or units; they stay as lines, so that later ones keep their numbers."""
    for line in repeated:
        if line in block:
            block = re.sub(rb"(?m)^" + re.escape(line) + rb"(?=[ \t\r]*$)", b"", block)
    return block


def _whole_lines(rest: bytes, blocks: Iterator[bytes]) -> Iterator[bytes]:
    for block in blocks:
        text = rest + block
        end = text.rfind(b"\n") + 1
        if end:
            yield text[:end]
        rest = text[end:]
        if len(rest) > 2 * _BLOCK_BYTES:
            break
    if rest:
        yield rest if rest.endswith(b"\n") else rest + b"\n"


def _rows(block: bytes, separator: bytes, cols: int, name: str, first_line: int) -> FloatArray:
    """Parse whole lines; shape (rows, cols)."""
    rows = _at_once(block, separator, cols)
    if rows is not None:
        return rows
    wrong, line = _around_first_wrong(block, separator, cols, first_line)
    _one_by_one(wrong, separator, cols, name, line)
    return _one_by_one(block, separator, cols, name, first_line)


def _at_once(block: bytes, separator: bytes, cols: int) -> FloatArray | None:
    """Parse whole lines in one go; None where some line is not just numbers."""
    if block.translate(None, _NUMBER_BYTES):
        return None
    if not block.strip():
        return np.empty((0, cols))
    plain = _with_named_gaps(_with_points_and_commas(block.translate(None, b'\r"'), separator))
    try:
        rows = np.loadtxt(io.BytesIO(plain), delimiter=",", ndmin=2, comments=None)
    except ValueError:
        return None
    return rows if rows.shape[1] == cols and not (np.abs(rows) > LARGEST_NUMBER).any() else None


def _with_named_gaps(plain: bytes) -> bytes:
    """Write nan into empty cells, so that they are parsed like the rest."""
    if b",," in plain:
        plain = plain.replace(b",,", b",nan,").replace(b",,", b",nan,")
    if b",\n" in plain:
        plain = plain.replace(b",\n", b",nan\n")
    if b"\n," in plain:
        plain = plain.replace(b"\n,", b"\nnan,")
    return b"nan" + plain if plain.startswith(b",") else plain


def _around_first_wrong(block: bytes, separator: bytes, cols: int, line: int) -> tuple[bytes, int]:
    """Halve a block until few lines are left, the first wrong one among them."""
    while len(block) > _SMALL_BYTES:
        cut = block.find(b"\n", len(block) // 2) + 1
        if cut in (0, len(block)):
            break
        if _at_once(block[:cut], separator, cols) is None:
            block = block[:cut]
        else:
            line += block.count(b"\n", 0, cut)
            block = block[cut:]
    return block, line


def _with_points_and_commas(block: bytes, separator: bytes) -> bytes:
    if separator == b",":
        return block
    return block.replace(b",", b".").replace(separator, b",")


def _one_by_one(block: bytes, separator: bytes, cols: int, name: str, first_line: int) -> FloatArray:
    rows: list[list[float]] = []
    for number, line in enumerate(block.split(b"\n"), start=first_line):
        text = line.strip(b"\r") if separator == b"\t" else line.strip()
        if not text.strip():
            continue
        cells = _with_points_and_commas(text, separator).split(b",")
        if len(cells) != cols:
            raise UnusableInput(
                name, f"line {number} has {len(cells)} columns, the first line names {cols}", "Correct that line."
            )
        rows.append([_cell(cell, name, number) for cell in cells])
    return np.array(rows, dtype=np.float64).reshape(-1, cols)


def _cell(cell: bytes, name: str, line: int) -> float:
    text = cell.strip().strip(b'"').strip()
    if not text:
        return float("nan")
    is_reading = not text.translate(None, _NUMBER_BYTES) and is_number(text.decode())
    if is_reading and abs(float(text)) <= LARGEST_NUMBER:
        return float(text)
    shown, wrong = text[:40].decode(errors="replace"), "cannot be a reading" if is_reading else "is not a number"
    is_clock = _CLOCK.search(text) is not None
    remedy = "Write all times as seconds, as in a column time_s." if is_clock else "Correct or remove that line."
    raise UnusableInput(name, f"line {line} holds '{shown}', which {wrong}", remedy)
