"""Pointing at what a step is to measure: regions kept with its draft, before anything is measured."""

from collections.abc import Mapping
from dataclasses import replace

from inspect_app.definitions import Question, Step
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.measure import CHECKS, prove_options
from inspect_app.model import EntryState, Person
from inspect_app.workflow.bench.inspecting import entry_history, form_of, inspection
from inspect_app.workflow.bench.joining import KeptDraft, draft_of, keep_draft
from inspect_app.workflow.workplace import Workplace


def keep_regions(
    workplace: Workplace,
    person: Person,
    inspection_id: int,
    step_id: str,
    regions: Mapping[str, str],
    expected_revision: int,
) -> KeptDraft:
    """Keep where a step that waits is to look; all else that its draft holds stays.

    Parameters
    ----------
    regions : mapping of str to str
        ``X,Y,W,H`` in pixels by the name of the question; an empty text takes the region away.
    expected_revision : int
        Of the draft that the person saw.

    Raises
    ------
    UnusableInput
        A region is none, or there is no draft.
    EditConflict
        Somebody else pointed elsewhere, or recorded the step meanwhile.
    NotAllowed, NotFound
        As for `record_step`.
    """
    step = form_of(workplace, inspection(workplace, inspection_id)).step(step_id)
    history = entry_history(workplace, inspection_id, step_id)
    seen = next((one for one in history if one.revision == expected_revision), None)
    if seen is None or seen.state is not EntryState.DRAFT:
        raise UnusableInput(step.title, "no capture waits in it", "Add the capture, then point at its regions.")
    draft = draft_of(seen)
    asked = {question.name: question for question in step.questions if question.kind == "region"}
    pointed = {name: _proved(step, asked[name], text) for name, text in regions.items() if name in asked}
    others = {name: texts for name, texts in draft.answers.items() if name not in pointed}
    answers = {**others, **{name: (region,) for name, region in pointed.items() if region}}
    return keep_draft(workplace, person, inspection_id, step_id, replace(draft, answers=answers), expected_revision)


def _proved(step: Step, question: Question, text: str) -> str:
    region = "".join(text.split())
    try:
        prove_options(CHECKS[step.check].options, {question.name: region} if region else {})
    except InspectError as error:
        raise UnusableInput(question.label, error.problem, error.remedy) from error
    return region
