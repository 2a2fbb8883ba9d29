"""Several readers read one step, each under their own account, and none sees what the others read."""

from dataclasses import dataclass
from typing import Final

from inspect_app.definitions import Question, Step
from inspect_app.errors import InspectError, NotAllowed, UnusableInput
from inspect_app.measure import CHECKS, prove_options
from inspect_app.model import BlindReading, Entry, EntryState, Person
from inspect_app.storage import Session, blind_readings, entries
from inspect_app.workflow.bench.recording import prove_unsigned, step_of_inspection
from inspect_app.workflow.typed_text import clean_line
from inspect_app.workflow.workplace import Workplace, acting, reading

_LONGEST: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Readers:
    """Who has read the question of a step that several readers answer; `is_recorded` when a result rests on it."""

    question: Question
    read: tuple[Person, ...]
    is_recorded: bool

    @property
    def left(self) -> int:
        """How many more have to read."""
        return max(0, self.question.readers - len(self.read))

    def awaits(self, person: Person) -> bool:
        """Say whether a person has not read and is needed."""
        return self.left > 0 and all(one.id != person.id for one in self.read)


def readers_of(workplace: Workplace, inspection_id: int, step: Step) -> Readers | None:
    """Return who has read a step, without what they read; None where nobody reads apart."""
    if step.read_apart is None:
        return None
    with reading(workplace) as session:
        return _readers(session, inspection_id, step, step.read_apart)


def _readers(session: Session, inspection_id: int, step: Step, question: Question) -> Readers:
    found = blind_readings.counting_readings(session, inspection_id, step.id)
    recorded = entries.recorded_revision(session, inspection_id, step.id)
    return Readers(
        question=question,
        read=tuple(one.reader for one in found),
        is_recorded=bool(found) and found[0].after_revision < recorded,
    )


def take_reading(workplace: Workplace, person: Person, inspection_id: int, step_id: str, text: str) -> None:
    """Append what a person read, as themselves; who reads anew before the step is recorded replaces their own reading.

    After the step was recorded a reading begins a new round: the result is then known, so all read again.

    Raises
    ------
    UnusableInput
        The step is not read by several readers, or the text is no reading.
    NotAllowed
        Enough others have read, the inspection is signed, or the person may not inspect.
    """
    with acting(workplace, person, "inspect", "reading taken") as act:
        serial = prove_unsigned(act.session, inspection_id)
        step = step_of_inspection(workplace, act.session, inspection_id, step_id)
        question = step.read_apart
        if question is None:
            raise UnusableInput(step.title, "it is not read by several readers", "Answer it on its own page.")
        readers = _readers(act.session, inspection_id, step, question)
        is_another = all(one.id != person.id for one in readers.read)
        if is_another and readers.left == 0 and not readers.is_recorded:
            raise NotAllowed(step.title, f"{len(readers.read)} readers have read it", "Nothing is left to read.")
        after = entries.recorded_revision(act.session, inspection_id, step_id)
        read = _proved(step, question, text)
        blind_readings.add_reading(act, inspection_id, step_id, after_revision=after, text=read, reader=person)
        # What was read does not stand in the event: others may look at those, and have not read yet.
        act.tell(f"inspection {inspection_id}", serial=serial, step=step_id)


def _proved(step: Step, question: Question, text: str) -> str:
    read = clean_line(question.label, text, longest=_LONGEST)
    try:
        prove_options(CHECKS[step.check].options, {question.name: [read]})
    except InspectError as error:
        raise UnusableInput(question.label, error.problem, error.remedy) from error
    return read


def readings_behind(workplace: Workplace, inspection_id: int, step: Step, entry: Entry) -> tuple[BlindReading, ...]:
    """Return who read what for a recorded entry; nothing before it is recorded."""
    if step.read_apart is None or entry.state is not EntryState.RECORDED:
        return ()
    with reading(workplace) as session:
        return blind_readings.counting_readings(session, inspection_id, step.id, entry.revision)
