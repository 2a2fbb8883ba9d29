"""A checklist is recorded only when every item of the form has its answer."""

import pytest

from inspect_app.definitions import Question, Step
from inspect_app.errors import UnusableInput
from inspect_app.model import EntryState
from inspect_app.workflow.bench.answers import StepAnswers, prove_complete

QUESTION = Question(name="item", label="As ordered?", kind="list", items=("Lens clean", "Serial legible"))
STEP = Step(id="look", check="look", title="Look", instruction="Look.", questions=(QUESTION,))


def answered(*texts):
    return StepAnswers(state=EntryState.RECORDED, answers={"item": texts})


@pytest.mark.parametrize("last", ["yes", "no", "cannot tell"])
def test_a_checklist_with_all_its_answers_is_complete(last):
    prove_complete(STEP, answered("Lens clean=yes", f"serial legible = {last}"))


def test_an_item_without_an_answer_is_named():
    with pytest.raises(UnusableInput, match=r"As ordered\?: 'Serial legible' is not answered\. Answer every item"):
        prove_complete(STEP, answered("Lens clean=yes"))
