"""Two drafts of one step: joined where each changed something else, asked about where both changed the same."""

import pytest

from inspect_app import workflow
from inspect_app.errors import EditConflict
from inspect_app.model import EntryState
from inspect_app.workflow import StepAnswers
from tests.truth import workplaces

STEP = "bar-target.horizontal"


@pytest.fixture
def bench(tmp_path):
    with workplaces.bench(tmp_path) as made:
        yield made


@pytest.fixture
def key(bench):
    """Open an inspection, and keep a first draft of its first step."""
    opened = workplaces.open_first(bench)
    keep(bench, bench.inspector, opened, 0, readings=("2,1",), temperature_c="20")
    return opened


def keep(bench, person, key, seen, readings=(), files=(), **conditions):
    answers = StepAnswers(
        state=EntryState.DRAFT,
        answers={"reading": readings} if readings else {},
        conditions=conditions,
        evidence=files,
    )
    return workflow.keep_draft(bench.place, person, key, STEP, answers, seen)


def test_what_each_side_changed_is_joined(bench, key):
    keep(bench, bench.approver, key, 1, readings=("2,1",), temperature_c="22")

    kept = keep(bench, bench.inspector, key, 1, readings=("2,2", "2,1"), temperature_c="20")

    assert kept.joined.recorded_by.login == bench.approver.login
    assert kept.entry.answers["reading"] == ("2,2", "2,1")
    assert kept.entry.conditions == {"temperature_c": "22"}
    assert kept.entry.revision == 3


def test_the_same_answer_changed_by_both_is_asked_about(bench, key):
    keep(bench, bench.approver, key, 1, readings=("2,1",), temperature_c="22")

    with pytest.raises(EditConflict):
        keep(bench, bench.inspector, key, 1, readings=("2,1",), temperature_c="25")

    assert workflow.inspection(bench.place, key).entries[STEP].conditions == {"temperature_c": "22"}


def test_the_same_change_by_both_is_no_conflict(bench, key):
    keep(bench, bench.approver, key, 1, readings=("2,1",), temperature_c="22")

    kept = keep(bench, bench.inspector, key, 1, readings=("2,1",), temperature_c="22")

    assert kept.entry.conditions == {"temperature_c": "22"}


def test_what_one_side_took_away_stays_away(bench, key):
    keep(bench, bench.approver, key, 1, temperature_c="20")

    kept = keep(bench, bench.inspector, key, 1, readings=("2,1",), temperature_c="21")

    assert "reading" not in kept.entry.answers
    assert kept.entry.conditions == {"temperature_c": "21"}


def test_files_of_both_sides_are_kept(bench, key):
    step = "noise"
    opened = workflow.inspection(bench.place, key).id
    one, two = (workplaces.keep(bench, f"{n}.png", workplaces.even_frame(n)) for n in (1, 2))

    for person, file in ((bench.approver, one), (bench.inspector, two)):
        draft = StepAnswers(state=EntryState.DRAFT, evidence=(file,))
        workflow.keep_draft(bench.place, person, opened, step, draft, 0)

    kept = workflow.inspection(bench.place, key).entries[step]
    assert [file.name for file in kept.evidence] == ["1.png", "2.png"]


def test_a_draft_never_takes_the_place_of_what_was_recorded_meanwhile(bench, key):
    workflow.record_step(bench.place, bench.approver, key, STEP, workplaces.bar_answers(bench), 1)

    with pytest.raises(EditConflict):
        keep(bench, bench.inspector, key, 1, readings=("2,1",), temperature_c="21")

    assert workflow.inspection(bench.place, key).entries[STEP].state is EntryState.RECORDED
