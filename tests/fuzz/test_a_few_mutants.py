"""A short run of `python -m tests.fuzz`: damaged and odd captures give a result or one line, never anything else."""

import pytest

from tests.fuzz.trial import make, trial


@pytest.mark.parametrize(("kind", "count"), [("picture", 100), ("film", 20), ("log", 50)])
def test_a_mutated_capture_is_measured_or_refused_in_one_line(kind, count, tmp_path):
    """Property: exit status 0 with possible results, or 2 or 3 with one line, within 20 s and 1.5 GB."""
    outcomes = [trial(make(tmp_path, 12, number, [kind])) for number in range(count)]

    assert [outcome for outcome in outcomes if outcome.complaint] == []
    assert {outcome.status for outcome in outcomes} >= {0, 2}


def test_a_mutant_whose_edge_leaves_the_fall_off_of_light_untold_is_measured_without_it(tmp_path):
    """One region of this picture left the last step of the fit a variance below nought: a traceback once."""
    assert trial(make(tmp_path, 131, 668)).complaint == ""
