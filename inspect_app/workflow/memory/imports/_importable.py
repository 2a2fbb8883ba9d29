"""What a list needs so that it can be imported: how a row is read, by what it is known, and how new ones are taken."""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Generic, TypeVar

from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Person
from inspect_app.storage import Act, people
from inspect_app.workflow.memory.imported_rows import Cells
from inspect_app.workflow.memory.listing import Listing
from inspect_app.workflow.workplace import Workplace, may_by_role

L = TypeVar("L")


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered(Generic[L]):
    """A line as it was read, with its number in the file."""

    number: int
    line: L


@dataclass(slots=True, kw_only=True)
class Taking:
    """An import under way: the act that adds rows, who imports (None is the console), and which lines were refused."""

    workplace: Workplace
    act: Act
    importer: Person | None
    right: str
    refused: dict[int, InspectError] = field(default_factory=dict)
    _people: dict[str, list[Person]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Look everybody up once."""
        for one in people.people(self.act.session).values():
            self._people.setdefault(one.name, []).append(one)

    def by(self, column: str, name: str | None) -> Person:
        """Return who did it, by the name in a column; who imports, where none is given.

        Raises
        ------
        UnusableInput
            Nobody or several are called so, or their role may not do it.
        """
        if name is None and self.importer is not None:
            return self.importer
        found = self._people.get(name or "", [])
        if len(found) != 1:
            problem = "it is empty" if name is None else f"{len(found) or 'no'} accounts are called '{name[:40]}'"
            raise UnusableInput(column, problem, "Give the name of one account; import the accounts first.")
        if not may_by_role(found[0].role, self.right):
            raise UnusableInput(
                column, f"the role {found[0].role} of {found[0].name} may not do this", "Give the name of who did it."
            )
        return found[0]

    def at(self, column: str, moment: datetime | None) -> datetime:
        """Return when it was done; now, where it is not said.

        Raises
        ------
        UnusableInput
            It lies in the future.
        """
        if moment is not None and moment > self.act.at:
            raise UnusableInput(column, f"{moment.isoformat()} lies in the future", "Correct it.")
        return self.act.at if moment is None else moment


@dataclass(frozen=True, slots=True, kw_only=True)
class Importable(Generic[L]):
    """A list that can be imported.

    Parameters
    ----------
    listing : Listing
        The list; a file must have its columns.
    right : str
        What who imports must be allowed to do: the same as for typing it in.
    read : callable
        Reads a row into a frozen dataclass; a field that is None says nothing. Rows on record are read by it too, so
        that they can be compared.
    key_of : callable
        By what a line is known: one on record with the same key must be the same.
    take : callable
        Adds lines that are new; `each` makes it of what adds one.
    """

    listing: Listing[Any]
    right: str
    read: Callable[[Cells], L]
    key_of: Callable[[L], Hashable]
    take: Callable[[Taking, Sequence[Numbered[L]]], None]


def each(take_one: Callable[[Taking, L], None]) -> Callable[[Taking, Sequence[Numbered[L]]], None]:
    """Return what takes lines one by one; what is wrong with one is kept for its answer."""

    def take(taking: Taking, lines: Sequence[Numbered[L]]) -> None:
        for one in lines:
            try:
                take_one(taking, one.line)
            except InspectError as error:
                taking.refused[one.number] = error

    return take


def groups_of(lines: Sequence[Numbered[L]], key_of: Callable[[L], Hashable]) -> Mapping[Hashable, list[Numbered[L]]]:
    """Return lines that belong together, in the order of the first of each."""
    found: dict[Hashable, list[Numbered[L]]] = {}
    for one in lines:
        found.setdefault(key_of(one.line), []).append(one)
    return found
