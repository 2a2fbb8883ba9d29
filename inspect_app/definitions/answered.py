"""A form with what was recorded of its steps, as the judge takes it."""

from collections.abc import Mapping

from inspect_app.definitions.values import Form
from inspect_app.judge import StepResults
from inspect_app.model import Entry, EntryState


def step_results(form: Form, entries: Mapping[str, Entry]) -> tuple[StepResults, ...]:
    """Return what each step of a form gave, in its order; a step that gave nothing says why.

    Parameters
    ----------
    form : Form
        As the inspection pinned it.
    entries : mapping of str to Entry
        The newest of each step.
    """
    return tuple(
        StepResults(
            step_id=step.id,
            title=step.title,
            check=step.check,
            condition=step.condition,
            measured=entry.measured if entry is not None else None,
            problem=_problem(entry),
        )
        for step in form.steps
        for entry in (entries.get(step.id),)
    )


def _problem(entry: Entry | None) -> str | None:
    if entry is None:
        return "not answered yet"
    if entry.state is EntryState.DRAFT:
        return "begun, not recorded yet"
    return entry.problem
