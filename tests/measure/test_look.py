"""A checklist is counted, and what nobody saw is never passed."""

import imagecodecs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure

ANSWERS = st.sampled_from(["yes", "no", "cannot tell"])


def counted(items, files=()):
    found = measure("look", {"scene": files}, {"item": items})
    return {result.quantity_name: result.quantity for result in found.results}, found.warnings


def test_items_answered_no_are_counted_and_named():
    """Truth: counting by hand."""
    counts, warnings = counted(["housing=yes", "strap = No", "focus ring=no", "label=yes"])

    assert counts["items_nonconforming"].value == 2
    assert counts["items_seen"].value == 4
    assert warnings == ("Not as ordered: strap.", "Not as ordered: focus ring.")


def test_a_count_has_no_uncertainty():
    counts, _ = counted(["housing=yes"])

    assert counts["items_nonconforming"].standard_uncertainty == 0
    assert counts["items_seen"].unit == "1"


def test_an_item_that_nobody_could_judge_leaves_nothing_to_count():
    with pytest.raises(NothingToMeasure, match="nobody could tell about seal, lamp") as caught:
        counted(["housing=yes", "seal=cannot tell", "lamp=CANNOT  TELL"])

    assert caught.value.exit_status == 3


def test_one_no_decides_even_beside_items_that_nobody_could_judge():
    counts, warnings = counted(["housing=no", "seal=cannot tell"])

    assert counts["items_nonconforming"].value == 1
    assert counts["items_seen"].value == 1
    assert "Could not be told: seal." in warnings


def test_a_name_may_hold_the_sign_that_parts_it_from_its_answer():
    _, warnings = counted(["gain=1 label=no"])

    assert warnings == ("Not as ordered: gain=1 label.",)


@pytest.mark.parametrize(
    ("items", "seen"),
    [
        ([], "item"),
        (["strap"], "written NAME=yes"),
        (["=yes"], "1 to 120 letters"),
        (["strap=maybe"], "is yes, no or cannot tell"),
        (["strap=yes", "Strap=no"], "the item strap is answered twice"),
        (["x" * 121 + "=yes"], "1 to 120 letters"),
    ],
)
def test_an_answer_that_cannot_be_understood_is_refused(items, seen):
    with pytest.raises(UnusableInput, match=seen):
        counted(items)


@given(st.dictionaries(st.text("abcdefgh ", min_size=1).filter(str.strip), ANSWERS, min_size=1, max_size=12))
def test_the_order_of_the_items_does_not_matter(answers):
    """Property: a checklist read backwards gives the same counts, or the same refusal."""
    items = list({" ".join(name.split()): answer for name, answer in answers.items()}.items())

    assert outcome(items) == outcome(items[::-1])


@given(st.lists(ANSWERS, min_size=1, max_size=12), st.integers(0, 11))
def test_turning_an_answer_to_no_never_lowers_the_count(answers, place):
    """Property: the count is at least what it was, and one at least."""
    items = [(f"item {number}", answer) for number, answer in enumerate(answers)]
    worse = [(name, "no" if number == place % len(items) else answer) for number, (name, answer) in enumerate(items)]

    assert outcome(worse)[0] >= max(1, outcome(items)[0])


def outcome(items):
    """Return nonconforming and seen; zero and none where there is nothing to count."""
    try:
        counts, _ = counted([f"{name}={answer}" for name, answer in items])
    except NothingToMeasure:
        return 0, None
    return counts["items_nonconforming"].value, counts["items_seen"].value


def test_counts_hold_the_truth_in_every_one_of_200_checklists():
    """Coverage: an exact count has no doubt, so the truth drawn from a seed must come out each time."""
    draw = np.random.default_rng(11)
    for _ in range(200):
        answers = draw.choice(["yes", "no"], size=draw.integers(1, 20))

        counts, _ = counted([f"item {number}={answer}" for number, answer in enumerate(answers)])

        assert counts["items_nonconforming"].value == np.count_nonzero(answers == "no")


def test_photographs_are_kept_and_not_measured(tmp_path):
    photo = tmp_path / "front.png"
    photo.write_bytes(imagecodecs.png_encode(np.zeros((4, 5), np.uint8)))

    found = measure("look", {"scene": [photo]}, {"item": ["housing=yes"]})

    assert [file.name for file in found.files] == ["front.png"]
    assert found.results == measure("look", {}, {"item": ["housing=yes"]}).results
