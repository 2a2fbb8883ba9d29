"""What stands above the numbers of a log: what the logger says of itself, column names, and perhaps their units."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from inspect_app.errors import UnusableInput
from inspect_app.quantity import UNITS, canonical_unit

MOST_COLUMNS: Final = 200
_LONGEST_BYTES: Final = 20_000
_MOST_LINES_ABOVE: Final = 50  # the column names
_SHOWN: Final = 40  # characters of a line or cell in a message
_MEASURED: Final = ("time", "voltage", "current", "temperature")  # what a name tells, its unit after it: time_s
_BRACKETS: Final = (("[", "]"), ("(", ")"), ("/", ""))


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The head of a log.

    Parameters
    ----------
    titles : tuple of str
        Of the columns, in lower case; where a line of units says so, with their unit: ``time`` in ms is ``time_ms``.
    repeated : tuple of bytes
        Lines of names and units as they stand, which a logger that starts anew writes again.
    separator : bytes
        Between columns.
    lines : int
        Down to the last of those.
    rest : bytes
        The text below.
    notes : tuple of str
        What was left out, and which units were taken.
    """

    titles: tuple[str, ...]
    repeated: tuple[bytes, ...]
    separator: bytes
    lines: int
    rest: bytes
    notes: tuple[str, ...]


def read_head(block: bytes, name: str) -> Head:
    """Find the column names in the first block of a log, and the units below them.

    The names are the first line of the first fifty that names a column of times with its unit, like ``time_s``; else
    the first without numbers above a row of numbers, be it over a line of units; else the first above one of as many
    cells. A line of units has as many cells as there are names, none of them a number. A unit that is not known, or is
    not the one of the name, goes into the name (``time_s [ms]``), so that nothing that needs the column takes it.

    Raises
    ------
    UnusableInput
        There is no text, the names are numbers, empty, doubled or too many, or they do not begin in the first fifty
        lines.
    """
    begun = [line.rstrip(b"\r") for line in block[:_LONGEST_BYTES].split(b"\n", _MOST_LINES_ABOVE)]
    told = [number for number, line in enumerate(begun) if line.strip() and not line.startswith(b"#")]
    if not told and len(block) <= _LONGEST_BYTES and len(begun) <= _MOST_LINES_ABOVE:
        raise UnusableInput(name, "the log is empty", "Choose the log itself.")
    above = _place_of_names(begun, told)
    top, _, rest = block.split(b"\n", above)[-1].partition(b"\n")
    if len(top) > _LONGEST_BYTES or b"\0" in top or not top.strip():
        raise UnusableInput(name, f"line {above + 1} holds no column names", "Choose a log saved as CSV.")
    titles = tuple(_text(cell).lower() for cell in top.split(_separator(top)))
    _prove_titles(titles, name, above + 1)
    _prove_above_numbers(begun, told, above, name)
    repeated: tuple[bytes, ...] = (top.rstrip(),)
    lines, notes = above + 1, _left_out([begun[number] for number in told if number < above])
    below = next((number for number in told if number > above), None)
    if below is not None and _are_units(begun[below], _separator(top), len(titles)):
        titles, taken = _with_units(titles, [_text(cell) for cell in begun[below].split(_separator(top))])
        repeated, lines, notes = (*repeated, begun[below].rstrip()), below + 1, (*notes, *taken)
        rest = block.split(b"\n", lines)[-1] if block.count(b"\n") >= lines else b""
    return Head(titles=titles, repeated=repeated, separator=_separator(top), lines=lines, rest=rest, notes=notes)


def is_number(text: str) -> bool:
    """Say whether a cell holds a number, with a decimal point or comma."""
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _place_of_names(begun: Sequence[bytes], told: Sequence[int]) -> int:
    """Return the number of the line of names, from 0."""
    if not told:
        return len(begun) - 1
    timed = (number for number in told if any(_is_timed(cell) for cell in _cells(begun[number])))
    over_numbers = (
        above
        for above, below, next_below in zip(told, told[1:], [*told[2:], told[-1]], strict=False)
        if _are_names(begun[above], begun[below]) and _leads_to_numbers(begun, above, (below, next_below))
    )
    of_like_length = (above for above, below in pairwise(told) if _are_names(begun[above], begun[below]))
    places = (next(found, None) for found in (timed, over_numbers, of_like_length))
    place = next((found for found in places if found is not None), told[0])
    return told[0] if begun[place] in begun[:place] else place  # they came before: what is between is wrong


def _cells(line: bytes) -> list[str]:
    return [_text(cell) for cell in line.split(_separator(line))]


def _text(cell: bytes) -> str:
    """Return a cell without quotes; what is no UTF-8 is read as spreadsheets of one-byte languages write it."""
    try:
        text = cell.decode()
    except UnicodeError:
        text = cell.decode("cp1252", errors="replace")
    return text.strip().strip('"').strip()


def _is_timed(title: str) -> bool:
    return title.lower() in {f"time_{unit.lower()}" for unit, (dimension, _) in UNITS.items() if dimension == "time"}


def _are_names(line: bytes, below: bytes) -> bool:
    """Say whether a line holds no numbers and is followed by one of as many cells, two or more."""
    cells = _cells(line)
    is_named = all(cells) and not any(is_number(cell) for cell in cells)
    return is_named and len(cells) == len(below.split(_separator(line))) > 1


def _leads_to_numbers(begun: Sequence[bytes], above: int, below: tuple[int, int]) -> bool:
    mark = _separator(begun[above])
    count = len(begun[above].split(mark))
    first, second = (begun[number] for number in below)
    return _are_numbers(first, mark, count) or (_are_units(first, mark, count) and _are_numbers(second, mark, count))


def _are_numbers(line: bytes, mark: bytes, count: int) -> bool:
    cells = [_text(cell) for cell in line.split(mark)]
    return len(cells) == count and any(cells) and all(is_number(cell) for cell in cells if cell)


def _are_units(line: bytes, mark: bytes, count: int) -> bool:
    """Say whether a line may be one of units: as many cells as names, none a number, at least one a known unit."""
    cells = [_text(cell) for cell in line.split(mark)]
    is_worded = len(cells) == count and not any(is_number(cell) for cell in cells)
    return is_worded and any(_unit(cell) in UNITS for cell in cells)


def _unit(cell: str) -> str:
    """Return a unit as the table spells it, without brackets about it; as it stands where it is none."""
    for opened, closed in _BRACKETS:
        if cell.startswith(opened) and cell.endswith(closed):
            cell = cell[len(opened) : len(cell) - len(closed)].strip()
            break
    try:
        return canonical_unit(cell)
    except UnusableInput:
        return cell


def _with_units(titles: Sequence[str], cells: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the titles with their units, and a note of those that were taken."""
    named = tuple(_titled(title, _unit(cell)) for title, cell in zip(titles, cells, strict=True))
    taken = [
        f"{title} in {_unit(cell)[:_SHOWN]}" for title, cell in zip(titles, cells, strict=True) if _unit(cell) in UNITS
    ]
    return named, (f"the units below the column names are taken: {', '.join(taken)}",)


def _titled(title: str, unit: str) -> str:
    measured, _, own = title.partition("_")
    if measured not in _MEASURED or not unit or own == unit.lower().replace("°", ""):
        return title
    return f"{title}_{unit.lower()}" if not own and unit in UNITS else f"{title} [{unit[:_SHOWN]}]"


def _left_out(lines: Sequence[bytes]) -> tuple[str, ...]:
    if not lines:
        return ()
    shown = lines[0].decode(errors="replace").strip()[:_SHOWN]
    count = "1 line" if len(lines) == 1 else f"{len(lines)} lines"
    return (f"{count} above the column names left out, beginning with '{shown}'",)


def _separator(top: bytes) -> bytes:
    return next(mark for mark in (b";", b"\t", b",") if mark in top or mark == b",")


def _prove_above_numbers(begun: Sequence[bytes], told: Sequence[int], above: int, name: str) -> None:
    """Refuse a log whose first lines are all words: its column names stand farther down than they are looked for."""
    mark = _separator(begun[above])
    count = len(begun[above].split(mark))
    looked_at = [number for number in told if above < number < _MOST_LINES_ABOVE]
    if len(begun) <= _MOST_LINES_ABOVE or len(looked_at) <= 1:  # that one may hold units, above numbers not looked at
        return
    if not any(_are_numbers(begun[number], mark, count) for number in looked_at):
        raise UnusableInput(
            name,
            f"among its first {_MOST_LINES_ABOVE} lines none holds column names above numbers",
            "Remove lines above the column names until they are among those.",
        )


def _prove_titles(titles: Sequence[str], name: str, line: int) -> None:
    remedy = "Put one line of column names above the numbers, like time_s,voltage_v."
    if len(titles) > MOST_COLUMNS:
        raise UnusableInput(name, f"line {line} names {len(titles)} columns", "Keep the columns that are needed.")
    if any(is_number(title) for title in titles):
        raise UnusableInput(name, f"line {line} holds numbers, not column names", remedy)
    if "" in titles:
        raise UnusableInput(name, f"line {line} leaves a column without a name", remedy)
    doubled = next((title for title in titles if titles.count(title) > 1), None)
    if doubled is not None:
        raise UnusableInput(name, f"two columns are called '{doubled[:40]}'", "Give each column its own name.")
