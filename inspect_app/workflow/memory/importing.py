"""Importing lists: every line is answered, and all of them are taken, or none; a preview is the same, taken back."""

import contextlib
import enum
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

from inspect_app.documents.tabular import as_shown
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Person
from inspect_app.storage import Session
from inspect_app.storage.listing import Span
from inspect_app.workflow.memory.imported_rows import Cells, read_rows
from inspect_app.workflow.memory.imports import Importable, Numbered, Taking, importable
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

_NAMED_LINES: Final = 5


class LineState(enum.StrEnum):
    """What becomes of a line."""

    NEW = "new"
    KNOWN = "known"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAnswer:
    """What becomes of one line, and why it is wrong where it is."""

    number: int
    state: LineState
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did, or would do: an answer for each line."""

    name: str
    lines: tuple[LineAnswer, ...]

    def count(self, state: LineState) -> int:
        """Return how many lines come to this."""
        return sum(one.state is state for one in self.lines)

    @property
    def wrong(self) -> tuple[LineAnswer, ...]:
        """The lines that cannot be taken."""
        return tuple(one for one in self.lines if one.state is LineState.WRONG)


class _TakenBackError(Exception):
    """The lines were only tried, or some are wrong: nothing is kept."""


def import_list(workplace: Workplace, person: Person | None, name: str, file_name: str, content: bytes) -> Imported:
    """Take a list over from the CSV that `inspect-app export` writes: all of its lines, or none; None is the console.

    What is on record already stays as it is, so that the same file twice changes nothing.

    Raises
    ------
    UnusableInput
        The list is not imported, the file is no such CSV, or lines in it are wrong; the first few are named.
    NotAllowed
        The person may not type it in either.
    """
    done = _tried(workplace, person, name, file_name, content, is_kept=True)
    if done.wrong:
        more = f"; and {len(done.wrong) - _NAMED_LINES} more" if len(done.wrong) > _NAMED_LINES else ""
        told = "; ".join(f"line {one.number}: {one.problem}" for one in done.wrong[:_NAMED_LINES])
        raise UnusableInput(file_name, f"{told}{more}", "Correct these lines; nothing was taken over.")
    return done


def preview_import(workplace: Workplace, person: Person | None, name: str, file_name: str, content: bytes) -> Imported:
    """Return what `import_list` would make of each line, and keep nothing.

    Raises
    ------
    UnusableInput
        The list is not imported, or the file is no such CSV.
    NotAllowed
        The person may not type it in either.
    """
    return _tried(workplace, person, name, file_name, content, is_kept=False)


def _tried(
    workplace: Workplace, person: Person | None, name: str, file_name: str, content: bytes, *, is_kept: bool
) -> Imported:
    wanted = importable(name)
    if person is not None:
        with reading(workplace) as session:
            prove_may(session, person, wanted.right)
    rows = read_rows(tuple(wanted.listing.table.columns), file_name, content)
    answers: Mapping[int, LineAnswer] = {}
    with (
        contextlib.suppress(_TakenBackError),
        acting(workplace, person, wanted.right, f"{name} imported") as act,
    ):
        taking = Taking(workplace=workplace, act=act, importer=person, right=wanted.right)
        answers = _taken(wanted, taking, rows)
        if taking.refused or not is_kept:
            raise _TakenBackError
        new = sum(one.state is LineState.NEW for one in answers.values())
        act.tell(
            f"file {file_name}"[:200], lines=str(len(rows)), new=str(new), sha256=hashlib.sha256(content).hexdigest()
        )
    return Imported(name=name, lines=tuple(answers[number] for number, _ in rows))


def _taken(wanted: Importable[Any], taking: Taking, rows: Sequence[tuple[int, Cells]]) -> Mapping[int, LineAnswer]:
    lines = list(_proved(wanted, taking, rows))
    new = list(_unknown(wanted, taking, lines))
    wanted.take(taking, new)
    fresh = {one.number for one in new}
    return {number: _answer(number, taking.refused.get(number), is_new=number in fresh) for number, _ in rows}


def _answer(number: int, refusal: InspectError | None, *, is_new: bool) -> LineAnswer:
    if refusal is not None:
        return LineAnswer(number=number, state=LineState.WRONG, problem=str(refusal))
    return LineAnswer(number=number, state=LineState.NEW if is_new else LineState.KNOWN)


def _proved(wanted: Importable[Any], taking: Taking, rows: Sequence[tuple[int, Cells]]) -> Iterator[Numbered[Any]]:
    """Yield the lines that can be read and stand in the file once."""
    places: dict[Any, int] = {}
    for number, cells in rows:
        try:
            line = wanted.read(cells)
            first = places.setdefault(wanted.key_of(line), number)
            if first != number:
                raise UnusableInput("line", f"line {first} says the same thing already", "Keep one of them.")
            yield Numbered(number=number, line=line)
        except InspectError as error:
            taking.refused[number] = error


def _unknown(wanted: Importable[Any], taking: Taking, lines: Sequence[Numbered[Any]]) -> Iterator[Numbered[Any]]:
    """Yield the lines that are not on record; one that is there otherwise is refused."""
    known = _on_record(wanted, taking.workplace, taking.act.session, [one.line for one in lines])
    for one in lines:
        found = known.get(wanted.key_of(one.line))
        if found is None:
            yield one
            continue
        column, value = _difference(one.line, found)
        if column:
            said = "nothing" if value is None else f"'{str(value)[:60]}'"
            taking.refused[one.number] = UnusableInput(
                column, f"it is on record already, there with {said}", "Give it as it is there, or leave it out."
            )


def _difference(line: Any, found: Any) -> tuple[str, Any]:
    """Return the first field that a line says otherwise than the record, and what the record says."""
    for one in fields(line):
        said, kept = getattr(line, one.name), getattr(found, one.name)
        if said is not None and said != kept:
            return one.name, kept
    return "", None


def _on_record(
    wanted: Importable[Any], workplace: Workplace, session: Session, lines: Sequence[Any]
) -> Mapping[Any, Any]:
    """Return what the list holds now, read as lines are; narrowed by what all lines have in common."""
    where = {}
    for column in wanted.listing.filters:
        values = {getattr(line, column, None) for line in lines}
        if column in wanted.listing.table.columns and len(values) == 1 and (value := values.pop()):
            where[column] = str(value)
    table = wanted.listing.table
    found: dict[Any, Any] = {}
    for cells in table.cells(wanted.listing.rows(workplace, session, Span(), where)):
        texts = dict(zip(table.columns, map(as_shown, cells), strict=True))
        with contextlib.suppress(InspectError):
            line = wanted.read(Cells(texts=texts, is_escaped=False))
            found[wanted.key_of(line)] = line
    return found
