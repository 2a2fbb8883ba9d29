"""Two drafts of one step: what each side changed is joined; where both changed the same answer, a person is asked."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from inspect_app.definitions import Step
from inspect_app.errors import EditConflict
from inspect_app.model import Entry, EntryState, Person
from inspect_app.workflow.bench.answers import StepAnswers
from inspect_app.workflow.bench.inspecting import entry_history, form_of, inspection
from inspect_app.workflow.bench.recording import record_step
from inspect_app.workflow.workplace import Workplace

K = TypeVar("K")
V = TypeVar("V")
Part = tuple[str, str, str]
"""What kind of answer, its name, and which item or file of it."""


_NOTHING: Final = StepAnswers(state=EntryState.DRAFT)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDraft:
    """A draft as it was kept; `joined` is the entry of the other side, where there was one."""

    entry: Entry
    joined: Entry | None = None


def keep_draft(
    workplace: Workplace,
    person: Person,
    inspection_id: int,
    step_id: str,
    answers: StepAnswers,
    expected_revision: int,
    *,
    as_opened: StepAnswers | None = None,
) -> KeptDraft:
    """Append a draft; one that somebody else kept meanwhile, or the same person in another tab, is joined with it.

    Parameters
    ----------
    as_opened : StepAnswers, optional
        What stood on the page before anything was typed, where there was no entry yet.

    Raises
    ------
    EditConflict
        Both changed the same answer, or the step was recorded meanwhile.
    UnusableInput, NotAllowed, NotFound
        As for `record_step`.
    """
    draft = replace(answers, state=EntryState.DRAFT)
    try:
        return KeptDraft(entry=record_step(workplace, person, inspection_id, step_id, draft, expected_revision))
    except EditConflict:
        history = entry_history(workplace, inspection_id, step_id)
        theirs = history[-1] if history else None
        base = next((one for one in history if one.revision == expected_revision), None)
        if theirs is None or theirs.state is not EntryState.DRAFT or (base is None and expected_revision):
            raise
        step = form_of(workplace, inspection(workplace, inspection_id)).step(step_id)
        joined = _joined(step, draft_of(base) if base else as_opened or _NOTHING, draft, draft_of(theirs))
        if joined is None:
            raise
        kept = record_step(workplace, person, inspection_id, step_id, joined, theirs.revision)
        return KeptDraft(entry=kept, joined=theirs)


def draft_of(entry: Entry) -> StepAnswers:
    """Return all that an entry holds, as a draft."""
    return StepAnswers(
        state=EntryState.DRAFT,
        answers=entry.answers,
        conditions=entry.conditions,
        instrument_ids=tuple(one.id for one in entry.instruments),
        evidence=entry.evidence,
        reason=entry.reason,
    )


def _joined(step: Step, base: StepAnswers, mine: StepAnswers, theirs: StepAnswers) -> StepAnswers | None:
    joined = _both(_parts(step, base), _parts(step, mine), _parts(step, theirs))
    if joined is None:
        return None
    files = {(file.role, file.sha256): file for side in (theirs, mine) for file in side.evidence}
    answers: dict[str, tuple[str, ...]] = {}
    for (kind, name, _), texts in joined.items():
        if kind == "answer":
            answers[name] = (*answers.get(name, ()), *texts)
    return replace(
        mine,
        answers=answers,
        conditions={name: texts[0] for (kind, name, _), texts in joined.items() if kind == "condition"},
        instrument_ids=tuple(int(text) for text in joined.get(("instruments", "", ""), ())),
        evidence=tuple(files[role, digest] for kind, role, digest in joined if kind == "file"),
        reason=joined.get(("reason", "", ""), (None,))[0],
    )


def _parts(step: Step, one: StepAnswers) -> Mapping[Part, tuple[str, ...]]:
    """Return answers in the parts that two people may change apart: each item of a checklist is one, and each file."""
    checklists = {question.name for question in step.questions if question.items}
    parts: dict[Part, tuple[str, ...]] = {}
    for name, texts in one.answers.items():
        if name in checklists:
            parts |= {("answer", name, text.rpartition("=")[0]): (text,) for text in texts}
        else:
            parts["answer", name, ""] = tuple(texts)
    parts |= {("condition", name, ""): (text,) for name, text in one.conditions.items()}
    parts |= {("file", file.role, file.sha256): (file.name,) for file in one.evidence}
    if one.instrument_ids:
        parts["instruments", "", ""] = tuple(map(str, one.instrument_ids))
    if one.reason:
        parts["reason", "", ""] = (one.reason,)
    return parts


def _both(base: Mapping[K, V], mine: Mapping[K, V], theirs: Mapping[K, V]) -> dict[K, V] | None:
    """Return what both sides made of a base, or None where they made different things of the same part."""
    joined: dict[K, V] = {}
    for key in dict.fromkeys((*theirs, *mine)):
        was, one, other = base.get(key), mine.get(key), theirs.get(key)
        if one not in (was, other) and other != was:
            return None
        value = other if one == was else one
        if value is not None:
            joined[key] = value
    return joined
