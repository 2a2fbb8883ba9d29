"""Where one is in an inspection: its form, the step at hand, what is done and what comes next."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from inspect_app import workflow
from inspect_app.definitions.values import Form, Step
from inspect_app.errors import NotFound
from inspect_app.model import Entry, EntryState, Inspection
from inspect_app.web import here

_WORDS: Final[Mapping[EntryState, str]] = {
    EntryState.DRAFT: "Draft",
    EntryState.RECORDED: "Done",
    EntryState.CANNOT_TELL: "Cannot tell",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """An inspection with its form, and the step that the page is about."""

    inspection: Inspection
    form: Form
    step: Step

    @property
    def entry(self) -> Entry | None:
        """The newest entry of the step."""
        return self.inspection.entries.get(self.step.id)

    @property
    def position(self) -> str:
        """Which of how many steps it is, in words."""
        ids = [step.id for step in self.form.steps]
        return f"step {ids.index(self.step.id) + 1} of {len(ids)}"

    @property
    def is_draft(self) -> bool:
        """Whether the newest entry waits to be recorded."""
        return self.entry is not None and self.entry.state is EntryState.DRAFT

    @property
    def revision(self) -> int:
        """Revision of the newest entry; 0 where there is none."""
        return self.entry.revision if self.entry else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RailStep:
    """One line of the list of steps: where it leads, how far it has come."""

    id: str
    title: str
    state: str
    is_current: bool


def place_of(inspection_id: int, step_id: str) -> Place:
    """Return the place of a step.

    Raises
    ------
    NotFound
        There is no such inspection, or its form has no such step.
    """
    inspection = workflow.inspection(here.workplace(), inspection_id)
    form = workflow.form_of(here.workplace(), inspection)
    step = next((one for one in form.steps if one.id == step_id), None)
    if step is None:
        raise NotFound(step_id, "the form of this device has no such step", "Open the inspection from its lot.")
    return Place(inspection=inspection, form=form, step=step)


def next_step(inspection: Inspection, after: str | None = None) -> Step | None:
    """Return the next step that waits for an answer: after the one at hand, or else from the start."""
    waiting = workflow.unanswered_steps(here.workplace(), inspection)
    if after is None:
        return waiting[0] if waiting else None
    order = [step.id for step in workflow.form_of(here.workplace(), inspection).steps]
    later = [step for step in waiting if order.index(step.id) > order.index(after)]
    return next(iter(later or waiting), None)


def rail(inspection: Inspection, form: Form, current: str | None = None) -> tuple[RailStep, ...]:
    """Return the list of steps with how far each has come."""
    return tuple(
        RailStep(
            id=step.id,
            title=step.title,
            state=state_word(inspection.entries.get(step.id)),
            is_current=step.id == current,
        )
        for step in form.steps
    )


def state_word(entry: Entry | None) -> str:
    """Return how far a step has come, in words."""
    if entry is None:
        return "To do"
    return "Not measured" if entry.problem else _WORDS[entry.state]
