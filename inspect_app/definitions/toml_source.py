"""TOML text in, tables out that name file, place and field whenever something in them is wrong."""

import hashlib
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from inspect_app.definitions.lines import Place, deepest_line, line_numbers, nearest_line
from inspect_app.definitions.values import OptionValue
from inspect_app.errors import UnusableInput
from inspect_app.model import ConditionValue

Kind = TypeVar("Kind")

BYTE_ORDER_MARK: Final = "\ufeff"
LARGEST_BYTES: Final = 1_000_000  # the largest definition here has some 20 kB; more is some other file
DEEPEST: Final = 12  # list of steps, step, list of questions, question, value: half of it is in use
_NAMES_OF_TYPES: Final[Mapping[type, str]] = {
    str: "text",
    bool: "true or false",
    int: "a number",
    float: "a number",
    list: "a list",
    dict: "a table",
}


def read_text(path: Path) -> str:
    """Return the text of a definition file; a byte order mark is dropped.

    Raises
    ------
    UnusableInput
        The file cannot be read, is far too large, or is not UTF-8 text.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise UnusableInput(
            path.name, f"cannot be read ({error.strerror or error})", "Name a definition file in TOML."
        ) from error
    if len(content) > LARGEST_BYTES:
        raise _too_large(path.name)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnusableInput(path.name, f"line {line} is not UTF-8 text", "Save the file as UTF-8.") from error


def digest_of(text: str, name: str) -> str:
    """Return the SHA-256 of a definition's text, in hexadecimal.

    Raises
    ------
    UnusableInput
        The text holds half a character, which no file can hold.
    """
    try:
        return hashlib.sha256(text.encode("utf-8")).hexdigest()
    except UnicodeEncodeError as error:
        raise UnusableInput(name, "is not Unicode text", "Save the file as UTF-8.") from error


def _too_large(name: str) -> UnusableInput:
    return UnusableInput(name, f"is larger than {LARGEST_BYTES / 1e6:g} MB", "Name a form or a contract in TOML.")


def parse(text: str, name: str) -> "Table":
    """Return the top table of a definition.

    Raises
    ------
    UnusableInput
        The text is no TOML; the message names the line.
    """
    if len(text) > LARGEST_BYTES:
        raise _too_large(name)
    try:
        values = tomllib.loads(text)
    except RecursionError as error:
        raise _too_deep(text, name) from error
    except ValueError as error:
        raise UnusableInput(
            name, f"is no TOML: {error}", "Correct that line; text stands between straight quotation marks."
        ) from error
    if _depth(values) > DEEPEST:
        raise _too_deep(text, name)
    return Table(source=Source(name=name, lines=line_numbers(text)), values=values)


def _too_deep(text: str, name: str) -> UnusableInput:
    line = deepest_line(text, DEEPEST)
    where = name if line is None else f"{name}, line {line}"
    return UnusableInput(where, "is nested too deeply", "Write it like the definitions that are there.")


def _depth(values: object) -> int:
    depth, level = 0, [values]
    while level:
        level = [
            item
            for holder in level
            for item in (holder.values() if isinstance(holder, dict) else holder if isinstance(holder, list) else ())
        ]
        depth += 1
    return depth


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A definition's name, and the lines on which its tables and fields stand."""

    name: str
    lines: Mapping[Place, int]


@dataclass(slots=True, kw_only=True)
class Table:
    """One table of a definition; reading a field marks it, and `finish` refuses those that nobody read.

    Parameters
    ----------
    source : Source
        The definition that it is of.
    values : mapping
        As read from TOML.
    place : tuple
        Within the definition, such as ``("step", 2)``; empty for the top table.
    """

    source: Source
    values: Mapping[str, object]
    place: Place = ()
    _read: set[str] = field(default_factory=set)

    def error(self, name: str, problem: str, remedy: str) -> UnusableInput:
        """Return the error that names a field of this table or below it: ``digital.toml, line 9, step 2, id``."""
        line = nearest_line(self.source.lines, (*self.place, *name.split(", ")))
        steps = (f" {step}" if isinstance(step, int) else f", {step}" for step in self.place)
        at = "" if line is None else f", line {line}"
        return UnusableInput(f"{self.source.name}{at}{''.join(steps)}{f', {name}' if name else ''}", problem, remedy)

    def has(self, name: str) -> bool:
        """Say whether the field is given."""
        return name in self.values

    def text(self, name: str, default: str | None = None) -> str:
        """Return a text of at least one character; with a default it may be left out."""
        if default is not None and not self.has(name):
            self._read.add(name)
            return default
        value = self._take(name, "text", str)
        if not value.strip() and default is None:
            raise self.error(name, "is empty", "Write its text.")
        return self._printable(name, value)

    def flag(self, name: str) -> bool:
        """Return true or false; false when left out."""
        return self._take(name, "true or false", bool) if self.has(name) else False

    def number(self, name: str) -> float:
        """Return a finite number."""
        value = self._take(name, "a number", int, float)
        return self._finite(name, value)

    def optional_number(self, name: str) -> float | None:
        """Return a finite number, or None when it is left out."""
        return self.number(name) if self.has(name) else None

    def word(self, name: str, words: Sequence[str], default: str | None = None) -> str:
        """Return one of a few words."""
        value = self.text(name, default)
        if value not in words:
            raise self.error(name, f"'{value}' is none of its words", f"Use one of {', '.join(words)}.")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts; empty when it is left out."""
        items = self._take(name, "a list of texts", list) if self.has(name) else []
        self._read.add(name)
        if not all(isinstance(item, str) and item.strip() for item in items):
            raise self.error(name, f"is not a list of texts: {_shown(items)}", 'Write it like ["one", "two"].')
        return tuple(self._printable(name, item) for item in items)

    def text_or_texts(self, name: str) -> tuple[str, ...]:
        """Return one text, or a list of them, as a tuple that is not empty."""
        if isinstance(self.values.get(name), list):
            return self.texts(name) or (self.text(name),)
        return (self.text(name),)

    def numbers(self, name: str) -> tuple[float, ...]:
        """Return a list of finite numbers, not empty."""
        value = self._take(name, "a list of numbers", list)
        if not value or any(isinstance(item, bool) or not isinstance(item, int | float) for item in value):
            raise self.error(name, f"is not a list of numbers: {_shown(value)}", "Write it like [1, 2.5].")
        return tuple(self._finite(name, item) for item in value)

    def table(self, name: str) -> "Table":
        """Return a table under this one, empty when it is left out."""
        value: dict[str, object] = self._take(name, "a table", dict) if self.has(name) else {}
        self._read.add(name)
        return Table(source=self.source, values=value, place=(*self.place, name))

    def tables(self, name: str) -> tuple["Table", ...]:
        """Return a list of tables, written ``[[name]]``; empty when it is left out."""
        value = self._take(name, "a list of tables", list) if self.has(name) else []
        self._read.add(name)
        if not all(isinstance(item, dict) for item in value):
            raise self.error(name, f"is not a list of tables: {_shown(value)}", f"Write each as [[{name}]].")
        return tuple(
            Table(source=self.source, values=item, place=(*self.place, name, count))
            for count, item in enumerate(value, start=1)
        )

    def conditions(self) -> dict[str, ConditionValue]:
        """Return all fields of this table, each a text, a number or a list of whole numbers."""
        return {name: self._condition(name) for name in self.values}

    def _condition(self, name: str) -> ConditionValue:
        value = self.values[name]
        if isinstance(value, str):
            return self.text(name)
        if isinstance(value, list):
            if not value or any(isinstance(item, bool) or not isinstance(item, int) for item in value):
                raise self.error(name, f"is not a list of whole numbers: {_shown(value)}", "Write it like [1, 2].")
            return tuple(self._take(name, "a list", list))
        self._take(name, "a text or a number", int, float)
        return self._plain_number(name)

    def options(self) -> dict[str, OptionValue]:
        """Return all fields of this table, each a text, a number, true or false, or a list of texts or of numbers."""
        return {name: self._option(name) for name in self.values}

    def _option(self, name: str) -> OptionValue:
        value = self.values[name]
        if isinstance(value, bool):
            return self.flag(name)
        if isinstance(value, str):
            return self.text(name)
        if isinstance(value, list):
            return self.texts(name) if all(isinstance(item, str) for item in value) else self.numbers(name)
        return self._plain_number(name)

    def _plain_number(self, name: str) -> int | float:
        number = self.number(name)
        return int(number) if isinstance(self.values[name], int) else number

    def alternatives(self, name: str) -> tuple[str | int | float, ...]:
        """Return a list of different texts or numbers, not empty."""
        value = self._take(name, "a list of texts or numbers", list)
        if not value or any(isinstance(item, bool) or not isinstance(item, str | int | float) for item in value):
            raise self.error(name, f"is not a list of texts or numbers: {_shown(value)}", "Write it like [1, 0.005].")
        if len(set(value)) < len(value):
            raise self.error(name, f"names something twice: {_shown(value)}", "Name each once.")
        for item in value:
            if not isinstance(item, str):
                self._finite(name, item)
        return tuple(value)

    def finish(self) -> None:
        """Refuse fields that nothing reads.

        Raises
        ------
        UnusableInput
            Names the first such field, and those that are known.
        """
        unknown = [name for name in self.values if name not in self._read]
        if unknown:
            known = ", ".join(sorted(self._read)) or "none"
            raise self.error(unknown[0], "there is no such field here", f"Use one of {known}.")

    def _take(self, name: str, wanted: str, *types: type[Kind]) -> Kind:
        self._read.add(name)
        if name not in self.values:
            raise self.error(name, "is missing", f"Give {wanted}.")
        value = self.values[name]
        if not isinstance(value, types) or (isinstance(value, bool) and bool not in types):
            raise self.error(name, f"is {_kind(value)} where {wanted} belongs: {_shown(value)}", f"Give {wanted}.")
        return value

    def _printable(self, name: str, value: str) -> str:
        if any(ord(letter) < 32 and letter not in "\n\t" for letter in value):
            raise self.error(name, f"holds a character that cannot be printed: {value[:60]!r}", "Take it out.")
        return value.strip()

    def _finite(self, name: str, value: float) -> float:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.error(name, f"{_shown(value)} is no finite number", "Give a number that can be measured.")
        return number


def _kind(value: object) -> str:
    return _NAMES_OF_TYPES.get(type(value), "a date or time")


def _shown(value: object) -> str:
    text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
