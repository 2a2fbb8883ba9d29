"""Lists of the record: read a page at a time by their keys, or taken away whole as CSV, workbook or JSON."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, BinaryIO, Final, Generic, TypeVar

from inspect_app.documents.tabular import FORMATS, Table, TableFormat
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Person, Role
from inspect_app.storage import Session
from inspect_app.storage.listing import Key, Span
from inspect_app.workflow.workplace import Workplace, may, reading

T = TypeVar("T")
Where = Mapping[str, str]
"""What a list is narrowed by, as it stands in the address of its page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing(Generic[T]):
    """A list of the record.

    Parameters
    ----------
    table : Table
        Its name and columns, the same in every format.
    rows : callable
        What yields the rows of a part of it, few of them in memory at a time.
    key_of : callable or None
        The key by which it is sorted, growing, and read on from; None for a list that is only taken away whole.
    filters : tuple of str
        What it can be narrowed by.
    is_of_accounts : bool
        Whether only those see it who may see accounts.
    """

    table: Table[T]
    rows: Callable[[Workplace, Session, Span, Where], Iterable[T]]
    key_of: Callable[[T], Key] | None = None
    filters: tuple[str, ...] = ()
    is_of_accounts: bool = False

    @property
    def name(self) -> str:
        """What it is called in addresses and commands."""
        return self.table.name


def may_see_accounts(person: Person) -> bool:
    """Say whether somebody sees who has an account: administrators, and auditors, who see everything."""
    return may(person, "keep") or (person.is_active and person.role is Role.AUDITOR)


def part_of_list(
    workplace: Workplace, listing: Listing[T], span: Span, where: Where, person: Person | None
) -> tuple[T, ...]:
    """Return some rows of a list; None is the console.

    Raises
    ------
    UnusableInput
        It is not narrowed by such a thing.
    NotAllowed
        The person may not see it.
    """
    _prove(listing, where, person)
    with reading(workplace) as session:
        return tuple(listing.rows(workplace, session, span, where))


def write_list(
    workplace: Workplace,
    listing: Listing[Any],
    as_: TableFormat,
    target: BinaryIO,
    *,
    where: Where,
    person: Person | None,
) -> None:
    """Write a whole list into an open file, as it stands at one moment of the record.

    Raises
    ------
    UnusableInput
        It is not narrowed by such a thing, or does not fit into a workbook.
    NotAllowed
        The person may not see it.
    """
    _prove(listing, where, person)
    with reading(workplace) as session:
        as_.write(target, listing.table, listing.rows(workplace, session, Span(), where))


def _prove(listing: Listing[Any], where: Where, person: Person | None) -> None:
    for name in where:
        if name not in listing.filters:
            known = ", ".join(listing.filters) or "nothing"
            raise UnusableInput(name, f"{listing.name} are not narrowed by it", f"They are narrowed by {known}.")
    if listing.is_of_accounts and person is not None and not may_see_accounts(person):
        raise NotAllowed(listing.name, f"your account ({person.role}) does not show them", "Ask an administrator.")


_SUFFIXES: Final = ", ".join(FORMATS)


def format_of(suffix: str) -> TableFormat:
    """Return a way to write tables by the ending of its files.

    Raises
    ------
    NotFound
        There is none.
    """
    if suffix not in FORMATS:
        raise NotFound(suffix[:20], "lists are not written like that", f"Choose one of {_SUFFIXES}.")
    return FORMATS[suffix]
