"""On which line of a TOML text each table and field stands: the parser keeps no places, people look for lines."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

Place = tuple[str | int, ...]
"""Such as ``("limit", 3, "at_most")``; tables of a list are counted from 1."""

_HEADER: Final = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_FIELD: Final = re.compile(r"""\s*("[^"]*"|'[^']*'|[\w-]+)\s*[.=]""")
# A comment, a long string's delimiter, a short string, or a bracket: all else does not change where a line stands.
_TOKEN: Final = re.compile(r"""\#.*|\"{3}|'{3}|"(?:[^"\\]|\\.)*"|'[^']*'|[\[\]{}]""")
_OPENING: Final = "[{"


@dataclass(slots=True)
class _State:
    """Where the reader of the lines is: within a long string, and how deep in brackets."""

    quotes: str = ""
    depth: int = 0

    @property
    def is_between_fields(self) -> bool:
        return not self.quotes and self.depth == 0


def line_numbers(text: str) -> dict[Place, int]:
    """Return the line of each table's header and each field, counted from 1; inline tables have that of their field.

    Examples
    --------
    >>> line_numbers(chr(10).join(['number = "1"', "[[limit]]", "  at_most = 5"]))
    {('number',): 1, ('limit', 1): 2, ('limit', 1, 'at_most'): 3}
    """
    found: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    here: Place = ()
    for number, line, is_between in _lines(text):
        if not is_between:
            continue
        if header := _HEADER.match(line):
            here = _table(header[2], counts, is_listed=header[1] == "[[")
            found.setdefault(here, number)
        elif field := _FIELD.match(line):
            found.setdefault((*here, field[1].strip("\"'")), number)
    return found


def deepest_line(text: str, most: int) -> int | None:
    """Return the first line at which brackets, or the points of a name, go deeper than `most`; None where none do."""
    state = _State()
    for number, line in enumerate(text.split("\n"), start=1):
        if max(_follow(line, state), line.partition("=")[0].count(".")) > most:
            return number
    return None


def _lines(text: str) -> Iterator[tuple[int, str, bool]]:
    state = _State()
    for number, line in enumerate(text.split("\n"), start=1):
        is_between = state.is_between_fields
        yield number, line, is_between
        if not (is_between and _HEADER.match(line)):
            _follow(line, state)


def _follow(line: str, state: _State) -> int:
    """Bring the state to the end of a line, and return how deep its brackets went."""
    deepest, at = state.depth, 0
    while at < len(line):
        if state.quotes:
            end = line.find(state.quotes, at)
            if end < 0:
                return deepest
            state.quotes, at = "", end + 3
            continue
        token = _TOKEN.search(line, at)
        if token is None:
            return deepest
        at = token.end()
        if token[0] in ('"""', "'''"):
            state.quotes = token[0]
        elif token[0] in "[]{}":
            state.depth = max(0, state.depth + (1 if token[0] in _OPENING else -1))
            deepest = max(deepest, state.depth)
    return deepest


def _table(dotted: str, counts: dict[Place, int], *, is_listed: bool) -> Place:
    """Return the place of a header: within the last table of each list that its name goes through."""
    place: Place = ()
    names = [name.strip().strip("\"'") for name in dotted.split(".")]
    for position, name in enumerate(names):
        place = (*place, name)
        if is_listed and position == len(names) - 1:
            counts[place] = counts.get(place, 0) + 1
        if place in counts:
            place = (*place, counts[place])
    return place


def nearest_line(numbers: Mapping[Place, int], place: Place) -> int | None:
    """Return the line of a place, or of what it stands in; None for what is on no line."""
    while place:
        if place in numbers:
            return numbers[place]
        place = place[:-1]
    return None
