"""Correcting a computed result: the same captures measured again with what a person set; both results are kept."""

from collections.abc import Mapping
from typing import Final

from inspect_app import __version__
from inspect_app.definitions import Step
from inspect_app.errors import EditConflict, NotFound, UnusableInput
from inspect_app.measure import CHECKS, is_region
from inspect_app.model import Entry, Evidence, Measured, Person
from inspect_app.storage import corrections, entries
from inspect_app.storage.corrections import NewCorrection
from inspect_app.workflow.bench.answers import PHOTO, StepAnswers, options_of
from inspect_app.workflow.bench.measuring import measure_step
from inspect_app.workflow.bench.recording import prove_unsigned, step_of_inspection
from inspect_app.workflow.typed_text import clean_remark
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

SPOT_CHANGES: Final = "change"
_MOST_CHANGES: Final = 200
Options = Mapping[str, tuple[str, ...]]


def correctable_options(step: Step) -> tuple[str, ...]:
    """Return the options of a step's check that a person may set on the picture: regions, and changes to its spots."""
    fields = CHECKS[step.check].options.model_fields
    regions = tuple(name for name, info in fields.items() if is_region(info))
    return (*regions, SPOT_CHANGES) if SPOT_CHANGES in fields else regions


def try_correction(
    workplace: Workplace, person: Person, inspection_id: int, step_id: str, options: Options
) -> Measured:
    """Measure the captures of a step with what a person set; nothing is recorded.

    Raises
    ------
    UnusableInput
        The step holds no result from captures, or an option cannot be used.
    NothingToMeasure
        There is nothing to measure where the person points.
    """
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
        step = step_of_inspection(workplace, session, inspection_id, step_id)
        entry = _measured_entry(entries.newest_entry(session, inspection_id, step_id), step)
    return _measure(workplace, step, entry, _cleaned(step, options))


def correct_result(
    workplace: Workplace,
    person: Person,
    inspection_id: int,
    step_id: str,
    options: Options,
    reason: str,
    seen: tuple[int, int],
) -> Entry:
    """Append a correction to the newest entry of a step; the computed result stays in the record.

    Parameters
    ----------
    options : mapping of str to tuple of str
        All that the person set; none lets the computed result count again.
    reason : str
        Printed with the result.
    seen : tuple of two int
        Revision of the entry and number of its corrections that the person saw.

    Raises
    ------
    UnusableInput
        No reason is given, or there is nothing to correct, or an option cannot be used.
    EditConflict
        Somebody recorded or corrected the step meanwhile.
    NotAllowed
        The inspection is signed, or the person may not inspect.
    """
    reason = clean_remark("reason", reason)
    if not reason:
        raise UnusableInput("reason", "it is empty", "Say why the computed result is not right; it is printed.")
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
        step = step_of_inspection(workplace, session, inspection_id, step_id)
        entry = _measured_entry(entries.newest_entry(session, inspection_id, step_id), step)
        options = _cleaned(step, options)
        _prove_seen(step, entry, seen)
    measured = _measure(workplace, step, entry, options)
    with acting(workplace, person, "inspect", "result corrected") as act:
        serial = prove_unsigned(act.session, inspection_id)
        current = _measured_entry(entries.newest_entry(act.session, inspection_id, step_id), step)
        _prove_seen(step, current, seen)
        new = NewCorrection(options=options, measured=measured, reason=reason, program_version=__version__)
        corrections.add_correction(act, current.id, new, person)
        act.tell(f"inspection {inspection_id}", step=step_id, serial=serial, reason=reason)
        corrected = entries.newest_entry(act.session, inspection_id, step_id)
    return _measured_entry(corrected, step)


def _measured_entry(entry: Entry | None, step: Step) -> Entry:
    if entry is None or entry.measured is None or not _captures(entry):
        raise UnusableInput(step.title, "it holds no result from captures", "Record the step with its captures first.")
    return entry


def _captures(entry: Entry) -> tuple[Evidence, ...]:
    return tuple(file for file in entry.evidence if file.role != PHOTO)


def _cleaned(step: Step, options: Options) -> Options:
    known = correctable_options(step)
    kept = {name: tuple(text.strip() for text in texts if text.strip()) for name, texts in options.items()}
    for name, texts in kept.items():
        if texts and name not in known:
            raise UnusableInput(step.title, f"{name} is not set on the picture", "Correct the answers instead.")
        if len(texts) > (_MOST_CHANGES if name == SPOT_CHANGES else 1):
            raise UnusableInput(step.title, f"{len(texts)} changes are too many", "Capture the picture again.")
    return {name: texts for name, texts in kept.items() if texts}


def _prove_seen(step: Step, entry: Entry, seen: tuple[int, int]) -> None:
    if (entry.revision, len(entry.corrections)) == seen:
        return
    newest = entry.corrections[-1] if entry.corrections else None
    who = entry.recorded_by.name if newest is None else newest.made_by.name
    when = (entry.recorded_at if newest is None else newest.made_at).strftime("%H:%M:%S UTC")
    raise EditConflict(step.title, f"{who} changed its result at {when}", "Open the picture again and look.")


def _measure(workplace: Workplace, step: Step, entry: Entry, options: Options) -> Measured:
    if not options:
        computed = entry.computed or entry.measured
        if computed is None:
            raise NotFound(step.title, "there is no computed result", "Record the step again.")
        return computed
    answered = options_of(step, StepAnswers(state=entry.state, answers={**entry.answers}))
    changed = {name: texts if name == SPOT_CHANGES else texts[0] for name, texts in options.items()}
    return measure_step(workplace, step, entry.evidence, {**answered, **changed})
