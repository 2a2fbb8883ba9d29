"""The answers to a step: cleaned, proved against the form, turned into what the check takes."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Final

from inspect_app.definitions import Question, Step, Window
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.measure import CHECKS, flag, is_repeated
from inspect_app.model import ConditionValue, EntryState, Evidence, Instrument
from inspect_app.quantity import parse_number
from inspect_app.workflow.typed_text import LONGEST_REMARK, clean_remark

PHOTO: Final = "photo"
_CAPTURES: Final = "captures"
_LIST: Final = "list"
_MOST_TEXTS: Final = 500
_MOST_FILES: Final = 500
_FLAG: Final = re.compile(r"--[a-z]+[a-z0-9-]*\b")
_TWICE: Final = ("before", "after")
_MOST_DRIFT: Final = 0.5  # of the window's width, between before and after; common practice, no source
_EDGE: Final = 1e-9  # a condition on the edge of its window is inside, whatever the last bit of the product says


@dataclass(frozen=True, slots=True, kw_only=True)
class StepAnswers:
    """What somebody entered for a step.

    Parameters
    ----------
    answers : mapping of str to tuple of str
        Texts by the name of their question; empty ones are dropped.
    conditions : mapping of str to str
        Texts by the name of the condition, with ``_before`` and ``_after`` where it is read twice.
    instrument_ids : tuple of int
        What was measured with.
    evidence : tuple of Evidence
        Kept files, each with its role: one that the check takes, or ``photo``.
    state : EntryState
        Kept as a draft, recorded, or cannot tell.
    reason : str or None
        For a correction, a condition outside its window, an instrument past its calibration, or cannot tell.
    """

    state: EntryState
    answers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    instrument_ids: tuple[int, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    reason: str | None = None


def cleaned(step: Step, given: StepAnswers) -> StepAnswers:
    """Return answers without empty texts.

    Raises
    ------
    UnusableInput
        A name is none of the step's, a text or the number of texts or files is absurd, or a file has a role that the
        check does not take.
    """
    questions = {question.name: question for question in step.questions if question.kind != _CAPTURES}
    readings = {name for name, _, _ in readings_of(step)}
    answers = {name: _texts(questions, name, texts) for name, texts in given.answers.items()}
    for name in given.conditions:
        if name not in readings:
            raise UnusableInput(name, "this step reads no such condition", "Leave it out.")
    conditions = {name: text.strip() for name, text in given.conditions.items() if text.strip()}
    for where, text in conditions.items():
        _prove_short(where, text)
    _prove_roles(step, given.evidence)
    return replace(
        given,
        answers={name: texts for name, texts in answers.items() if texts},
        conditions=conditions,
        instrument_ids=tuple(dict.fromkeys(given.instrument_ids)),
        reason=clean_remark("reason", given.reason) or None,
    )


def _texts(questions: Mapping[str, Question], name: str, texts: Sequence[str]) -> tuple[str, ...]:
    if name not in questions:
        known = ", ".join(questions) or "none"
        raise UnusableInput(name, "this step asks no such thing", f"It asks {known}.")
    kept = tuple(text.strip() for text in texts if text.strip())
    if kept and questions[name].readers:
        raise UnusableInput(
            questions[name].label, "each reader enters it under their own account", "Open the readings of the step."
        )
    if len(kept) > (_MOST_TEXTS if questions[name].kind == _LIST else 1):
        raise UnusableInput(questions[name].label, f"it has {len(kept)} answers", "Give one, or fewer.")
    for text in kept:
        _prove_short(questions[name].label, text)
    return kept


def _prove_short(where: str, text: str) -> None:
    if len(text) > LONGEST_REMARK:
        raise UnusableInput(where, f"it has {len(text)} characters", f"Keep it under {LONGEST_REMARK}.")


def _prove_roles(step: Step, evidence: Sequence[Evidence]) -> None:
    if len(evidence) > _MOST_FILES:
        raise UnusableInput(step.title, f"{len(evidence)} files are given", f"Give at most {_MOST_FILES}.")
    roles = {*CHECKS[step.check].needs, PHOTO}
    for file in evidence:
        if file.role not in roles:
            raise UnusableInput(file.name, f"the check takes no {file.role}", f"Use one of {', '.join(sorted(roles))}.")


def readings_of(step: Step) -> Iterator[tuple[str, str, Window]]:
    """Yield name, label and window of each condition that is read at the bench."""
    for window in step.windows:
        if window.before_and_after:
            yield f"{window.name}_before", f"{window.label}, before", window
            yield f"{window.name}_after", f"{window.label}, after", window
        else:
            yield window.name, window.label, window


def prove_all_read(step: Step, have_read: int) -> None:
    """See that as many readers have read as the form asks for.

    Raises
    ------
    UnusableInput
        Fewer have.
    """
    question = step.read_apart
    if question is not None and have_read < question.readers:
        raise UnusableInput(
            question.label,
            f"{have_read} of {question.readers} readers have read it",
            "The others read it under their own accounts.",
        )


def prove_complete(step: Step, given: StepAnswers) -> None:
    """See that every question of the way that was taken is answered, in numbers where numbers are asked.

    Raises
    ------
    UnusableInput
        Names the first question that is not.
    """
    answered = {*given.answers, *(file.role for file in given.evidence)}
    ways = dict.fromkeys(question.way for question in step.questions if question.way)
    taken = {question.way for question in step.questions if question.way and question.name in answered}
    if ways and not taken:
        raise UnusableInput(step.title, "nothing is answered", f"Answer one of: {'; '.join(ways)}.")
    for question in step.questions:
        is_asked = not question.way or question.way in taken
        if is_asked and not question.is_optional and question.name not in answered:
            remedy = "Add the file." if question.kind == _CAPTURES else "Answer it, or choose Cannot tell."
            raise UnusableInput(question.label, "it is not answered", remedy)
        left = question.items_left(given.answers.get(question.name, ())) if is_asked else ()
        if left:
            raise UnusableInput(
                question.label, f"'{left[0]}' is not answered", "Answer every item; cannot tell counts."
            )
        if question.unit is not None:
            for text in given.answers.get(question.name, ()):
                _number(question.label, text, question.unit)


def _number(label: str, text: str, unit: str) -> float:
    try:
        return parse_number(text, unit)
    except UnusableInput as error:
        raise UnusableInput(label, f"'{text[:40]}': {error.problem}", error.remedy) from error


def problem_with_conditions(step: Step, given: StepAnswers) -> str | None:
    """Return which conditions lie outside their window, in words, or None.

    Raises
    ------
    UnusableInput
        A condition is missing, or is no number.
    """
    outside = []
    for name, label, window in readings_of(step):
        if name not in given.conditions:
            raise UnusableInput(label, "it is not filled in", f"Read it and type it, in {window.unit}.")
        value = _number(label, given.conditions[name], window.unit)
        slack = _EDGE * max(abs(window.low), abs(window.high))
        if not window.low - slack <= value <= window.high + slack:
            outside.append(f"{label} was {value:g} {window.unit}, not {window.low:g} to {window.high:g}")
    return "; ".join((*outside, *_drifts(step, given))) or None


def _drifts(step: Step, given: StepAnswers) -> Iterator[str]:
    """Yield which conditions drifted too far between before and after, though both lie in their window."""
    for window in step.windows:
        if not window.before_and_after:
            continue
        before, after = (parse_number(given.conditions[f"{window.name}_{when}"], window.unit) for when in _TWICE)
        most = _MOST_DRIFT * (window.high - window.low)
        if abs(after - before) > most * (1 + _EDGE):
            yield (
                f"{window.label} drifted from {before:g} to {after:g} {window.unit}, more than {most:.2g} {window.unit}"
            )


def problem_with_instruments(step: Step, named: Sequence[Instrument], day: date) -> str | None:
    """Return which instruments were not in calibration on a day, in words, or None.

    Raises
    ------
    UnusableInput
        An instrument of a kind that the step asks for is not named.
    """
    for kind in step.instruments:
        if not any(instrument.kind == kind for instrument in named):
            raise UnusableInput(kind, "no such instrument is named", "Choose the one that was used.")
    past = [_past_due(instrument) for instrument in named if instrument.calibration_on(day) is None]
    return "; ".join(past) or None


def _past_due(instrument: Instrument) -> str:
    latest = instrument.latest_calibration()
    when = "it has none on record" if latest is None else f"the last was due on {latest.due_on.isoformat()}"
    return f"{instrument.kind} {instrument.serial} was out of calibration ({when})"


def options_of(step: Step, given: StepAnswers) -> dict[str, ConditionValue | bool | tuple[ConditionValue, ...]]:
    """Return the options of the check: the form's fixed ones and the answers."""
    fields = CHECKS[step.check].options.model_fields
    answered = {name: texts if is_repeated(fields[name]) else texts[0] for name, texts in given.answers.items()}
    for name, texts in given.answers.items():
        if name == "transfer" and texts[0].startswith("table:"):
            # The name of a file on this machine is never taken from the bench; a form may fix one.
            raise UnusableInput("transfer", "a table is not taken from the bench", "Use linear, srgb or power:G.")
    return {**step.fixed, **answered}


def labelled(step: Step, error: InspectError) -> InspectError:
    """Return the same error with the questions' labels in the place of the options' names."""
    name = _question_name(step, error)
    label = next((question.label for question in step.questions if question.name == name), None)
    where = label or (step.title if error.where in ("options", step.check) else error.where)
    return type(error)(where, in_words_of_form(step, error.problem), in_words_of_form(step, error.remedy))


def in_words_of_form(step: Step, text: str) -> str:
    """Return a sentence of the check with the labels of the form where the command line's options stood."""
    labels = {flag(question.name): question.label for question in step.questions}
    return _FLAG.sub(lambda found: f"“{labels[found[0]]}”" if found[0] in labels else found[0], text)


def _question_name(step: Step, error: InspectError) -> str | None:
    for question in step.questions:
        if error.where in (question.name, question.label, flag(question.name), f"option {flag(question.name)}"):
            return question.name
    return None


def field_of(step: Step, error: InspectError) -> str | None:
    """Return the name of the field that an error speaks of: a question, a condition, ``instruments`` or ``reason``.

    None where it speaks of the step as a whole, or of a file.
    """
    for name, label, _ in readings_of(step):
        if error.where in (name, label):
            return name
    if error.where in step.instruments:
        return "instruments"
    return "reason" if error.where == "reason" else _question_name(step, error)
