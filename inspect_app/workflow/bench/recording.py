"""Recording a step: keep what was typed first, then measure, then append."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from inspect_app import __version__
from inspect_app.definitions import Form, Step
from inspect_app.errors import EditConflict, InspectError, NotAllowed, NotFound, UnusableInput
from inspect_app.model import (
    BlindReading,
    Entry,
    EntryState,
    Evidence,
    Instrument,
    Measured,
    Person,
    Role,
    StudyAdoption,
)
from inspect_app.storage import Session, blind_readings, documents, entries, inspections, sources, studies
from inspect_app.storage import instruments as kept_instruments
from inspect_app.storage.entries import NewEntry
from inspect_app.workflow.arriving.contracts import form_from
from inspect_app.workflow.bench.answers import (
    StepAnswers,
    cleaned,
    labelled,
    options_of,
    problem_with_conditions,
    problem_with_instruments,
    prove_all_read,
    prove_complete,
)
from inspect_app.workflow.bench.measuring import measure_step
from inspect_app.workflow.control.studies import with_readers
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What one step's recording needs to know of the inspection."""

    inspection_id: int
    serial: str
    step: Step
    newest: Entry | None
    was_recorded: bool
    instruments: tuple[Instrument, ...]
    counting: StudyAdoption | None
    read: tuple[BlindReading, ...]

    @property
    def revision(self) -> int:
        return 0 if self.newest is None else self.newest.revision


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    measured: Measured | None = None
    problem: str | None = None


def record_step(
    workplace: Workplace,
    person: Person,
    inspection_id: int,
    step_id: str,
    answers: StepAnswers,
    expected_revision: int,
) -> Entry:
    """Append the answers to a step; measure when they are to be recorded.

    Answers that cannot be recorded are kept as a draft before the error is raised, so that nothing typed is lost. The
    same answers sent twice are appended once.

    Parameters
    ----------
    expected_revision : int
        Of the newest entry that the person saw; 0 where there was none.

    Raises
    ------
    UnusableInput
        An answer, a condition, an instrument, a file or a reason is missing or cannot be used.
    NothingToMeasure
        The captures hold nothing that the check can measure.
    EditConflict
        Somebody appended a newer entry meanwhile.
    NotAllowed
        The inspection is signed, or the person may not inspect.
    """
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
        found = _find(workplace, session, inspection_id, step_id, answers)
        answers = cleaned(found.step, answers)
        same = _sent_before(session, found, _with_readings(found, answers), expected_revision)
    if same is not None:
        return same
    if answers.state is EntryState.CANNOT_TELL:
        words = "the inspector could not tell" + (f": {answers.reason}" if answers.reason else "")
        return _append(workplace, person, found, answers, _Outcome(problem=words), expected_revision)
    if answers.state is EntryState.DRAFT:
        return _append(workplace, person, found, answers, _Outcome(), expected_revision)
    read = _with_readings(found, answers)
    try:
        outcome = _measure(workplace, person, found, read)
    except InspectError as error:
        _append(workplace, person, found, replace(answers, state=EntryState.DRAFT), _Outcome(), expected_revision)
        raise labelled(found.step, error) from error
    return _append(workplace, person, found, read, outcome, expected_revision)


def step_of_inspection(workplace: Workplace, session: Session, inspection_id: int, step_id: str) -> Step:
    """Return a step of an inspection's form.

    Raises
    ------
    NotFound
        There is no such inspection, or its form has no such step.
    """
    form = _form(workplace, session, _existing_place(session, inspection_id).form_digest)
    try:
        return form.step(step_id)
    except KeyError as error:
        raise NotFound(f"step {step_id}", "the form has no such step", "Choose one from the list.") from error


def prove_unsigned(session: Session, inspection_id: int) -> str:
    """See that an inspection is not signed, and return the serial of its device.

    Raises
    ------
    NotAllowed
        It is signed.
    """
    place = _existing_place(session, inspection_id)
    if place.is_signed:
        raise NotAllowed(place.serial, "its inspection is signed", "A held one can be taken up again from its page.")
    return place.serial


def _existing_place(session: Session, inspection_id: int) -> inspections.Place:
    place = inspections.place(session, inspection_id)
    if place is None:
        raise NotFound(f"inspection {inspection_id}", "there is no such inspection", "Choose one from a lot.")
    return place


def _find(workplace: Workplace, session: Session, inspection_id: int, step_id: str, answers: StepAnswers) -> _Found:
    serial = prove_unsigned(session, inspection_id)
    step = step_of_inspection(workplace, session, inspection_id, step_id)
    return _Found(
        inspection_id=inspection_id,
        serial=serial,
        step=step,
        newest=entries.newest_entry(session, inspection_id, step_id),
        was_recorded=entries.recorded_revision(session, inspection_id, step_id) > 0,
        read=blind_readings.counting_readings(session, inspection_id, step_id) if step.read_apart else (),
        instruments=_instruments(session, answers.instrument_ids),
        counting=studies.counting_adoption(session),
    )


def _form(workplace: Workplace, session: Session, digest: str) -> Form:
    for form in workplace.forms.values():
        if form.digest == digest:
            return form
    kept = sources.form_by_digest(session, digest)
    if kept is None:
        raise NotFound(f"form {digest[:12]}", "the record holds no such form", "Run inspect-app verify.")
    return form_from(kept)


def _instruments(session: Session, instrument_ids: Sequence[int]) -> tuple[Instrument, ...]:
    found = []
    for instrument_id in dict.fromkeys(instrument_ids):
        instrument = kept_instruments.instrument(session, instrument_id)
        if instrument is None:
            raise NotFound(f"instrument {instrument_id}", "there is no such instrument", "Choose one from the list.")
        found.append(instrument)
    return tuple(found)


def _sent_before(session: Session, found: _Found, answers: StepAnswers, expected_revision: int) -> Entry | None:
    """Return the newest entry where it holds these very answers already: sent twice, or nothing new."""
    newest = found.newest
    if newest is None or not _is_same(newest, answers):
        return None
    if expected_revision == newest.revision - 1:
        return newest
    is_settled = newest.problem is None and (
        newest.measured is None or entries.program_version_of(session, newest.id) == __version__
    )
    return newest if expected_revision == newest.revision and is_settled else None


def _is_same(entry: Entry, answers: StepAnswers) -> bool:
    return (
        entry.state is answers.state
        and dict(entry.answers) == dict(answers.answers)
        and dict(entry.conditions) == dict(answers.conditions)
        and tuple(instrument.id for instrument in entry.instruments) == answers.instrument_ids
        and _files(entry.evidence) == _files(answers.evidence)
        and entry.reason == answers.reason
    )


def _files(evidence: Sequence[Evidence]) -> list[tuple[str, str, str]]:
    return [(file.sha256, file.name, file.role) for file in evidence]


def _with_readings(found: _Found, answers: StepAnswers) -> StepAnswers:
    """Return answers that are to be recorded together with what the readers read, each apart from the others."""
    question = found.step.read_apart
    if question is None or not found.read or answers.state is not EntryState.RECORDED:
        return answers
    return replace(answers, answers={**answers.answers, question.name: tuple(one.text for one in found.read)})


def _measure(workplace: Workplace, person: Person, found: _Found, answers: StepAnswers) -> _Outcome:
    step = found.step
    prove_all_read(step, len(found.read))
    prove_complete(step, answers)
    past_due = problem_with_instruments(step, found.instruments, workplace.clock().date())
    may_override = person.role is Role.APPROVER and answers.reason is not None
    problems = (problem_with_conditions(step, answers), None if may_override else past_due)
    problem = "; ".join(problem for problem in problems if problem)
    if problem and answers.reason is None:
        raise UnusableInput(
            "reason", problem, "Put it right and repeat the step, or give a reason: it then counts as not measured."
        )
    if found.was_recorded and answers.reason is None:
        raise UnusableInput("reason", "it is empty", "Say why the recorded answers are corrected.")
    if problem:
        return _Outcome(problem=problem)
    options = with_readers(step, options_of(step, answers), found.counting)
    measured = measure_step(workplace, step, answers.evidence, options)
    if past_due:
        leave = f"{past_due}; used by leave of {person.name}, approver"
        measured = replace(measured, warnings=(*measured.warnings, leave))
    return _Outcome(measured=measured)


def _append(
    workplace: Workplace,
    person: Person,
    found: _Found,
    answers: StepAnswers,
    outcome: _Outcome,
    expected_revision: int,
) -> Entry:
    with acting(workplace, person, "inspect", _action(answers.state)) as act:
        prove_unsigned(act.session, found.inspection_id)
        newest = entries.newest_entry(act.session, found.inspection_id, found.step.id)
        if (
            newest is not None
            and _is_same(newest, answers)
            and newest.revision
            in (
                expected_revision + 1,
                *([expected_revision] if answers.state is EntryState.DRAFT else []),
            )
        ):
            return newest
        revision = 0 if newest is None else newest.revision
        if revision != expected_revision:
            raise _conflict(found, newest, expected_revision)
        for file in answers.evidence:
            if documents.evidence(act.session, file.sha256) is None:
                raise NotFound(file.name, "it was not kept", "Upload it again.")
        act.tell(f"inspection {found.inspection_id}", step=found.step.id, serial=found.serial)
        new = _new_entry(found, answers, outcome, revision + 1)
        return entries.add_entry(act, found.inspection_id, new, person)


def _action(state: EntryState) -> str:
    words = {
        EntryState.DRAFT: "step kept as draft",
        EntryState.RECORDED: "step recorded",
        EntryState.CANNOT_TELL: "step answered: cannot tell",
    }
    return words[state]


def _conflict(found: _Found, newest: Entry | None, expected_revision: int) -> EditConflict:
    if newest is None:
        return EditConflict(found.step.title, f"there is no revision {expected_revision}", "Load the page again.")
    who, when = newest.recorded_by.name, newest.recorded_at.strftime("%H:%M:%S UTC")
    return EditConflict(
        found.step.title, f"{who} kept a newer answer at {when}", "Compare both, then save what should stand."
    )


def _new_entry(found: _Found, answers: StepAnswers, outcome: _Outcome, revision: int) -> NewEntry:
    return NewEntry(
        step_id=found.step.id,
        revision=revision,
        state=answers.state,
        answers=answers.answers,
        conditions=answers.conditions,
        instrument_ids=answers.instrument_ids,
        evidence=answers.evidence,
        problem=outcome.problem,
        reason=answers.reason,
        measured=outcome.measured,
        program_version=__version__,
    )
