"""Blinded trials: every part in every round, no code twice, the same layout from the same number."""

import itertools
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import UnusableInput
from inspect_app.judge.blinding import blinded_trials


@given(st.integers(2, 12), st.integers(2, 4), st.integers(2, 4), st.integers(0, 10**6))
def test_every_reader_reads_every_part_equally_often_and_never_twice_in_a_row(parts, readers, repeats, seed):
    names, people = [f"P{n}" for n in range(parts)], [f"R{n}" for n in range(readers)]

    laid_out = blinded_trials(names, people, repeats, seed=seed)

    assert Counter((trial.part, trial.reader) for trial in laid_out) == {(p, r): repeats for p in names for r in people}
    assert len({trial.code for trial in laid_out}) == len(laid_out)
    assert not any(a.part == b.part and a.reader == b.reader for a, b in itertools.pairwise(laid_out))
    assert laid_out == blinded_trials(names, people, repeats, seed=seed)


def test_another_number_gives_another_order():
    names = [f"P{n}" for n in range(10)]

    one, other = (blinded_trials(names, ["A", "B"], 2, seed=seed) for seed in (1, 2))

    assert [trial.part for trial in one] != [trial.part for trial in other]


@pytest.mark.parametrize(
    ("parts", "readers", "repeats"),
    [
        (["P"], ["A", "B"], 2),
        (["P", "P"], ["A", "B"], 2),
        (["P", "Q"], ["A", "B"], 11),
        ([str(n) for n in range(300)], ["A", "B"], 2),
    ],
)
def test_a_design_that_tells_nothing_is_refused(parts, readers, repeats):
    with pytest.raises(UnusableInput):
        blinded_trials(parts, readers, repeats, seed=1)
