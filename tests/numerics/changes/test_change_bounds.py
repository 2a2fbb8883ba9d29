"""What samples say of a change without any shape, against algebra."""

import numpy as np
import pytest

from inspect_app.numerics.changes.change_bounds import bounded, bounds_of
from tests.truth.films import exposed

ONSET = 40.3
TIMES = np.arange(100.0)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("kind", "width", "half"), [("step", 0.0, 0.0), ("decay", 3.0, 3 * np.log(2)), ("ramp", 9.0, 4.5)]
)
def test_bounds_hold_the_half_and_the_onset_of_any_shape(kind, width, half, sign):
    """At noise of 1 % and any place within a sample; upwards and downwards."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        onset = 40 + rng.random()
        values = sign * exposed(kind, width, onset, TIMES, 0.7) + 0.01 * rng.standard_normal(100)

        found = bounds_of(TIMES, values, round(onset + half), np.full((1, 100), 0.7))

        assert found.after[0] <= onset + half <= found.before[0] <= found.after[0] + 4
        assert onset <= found.begun[0]


def test_only_what_lies_beyond_its_bounds_is_moved():
    values = exposed("step", 0.0, ONSET, TIMES, 1.0)
    found = bounds_of(TIMES, values, 41, np.ones((1, 100)))  # its half in 40 to 41, begun by 41

    inside, outside = bounded(np.array([[[40.3, 40.3, 0.1, 0.1], [43.0, 47.0, 0.1, 0.1]]]), found)[0]

    assert inside.tolist() == [40.3, 40.3, 0.1, 0.1]
    assert outside[0] == pytest.approx(40.5)
    assert found.after[0] <= outside[1] <= found.before[0]
    assert outside[2] >= 0.5
    assert outside[3] > 0.25


def test_a_trace_without_a_second_level_sets_no_bounds():
    found = bounds_of(TIMES, np.zeros(100), 50, np.ones((2, 100)))

    assert np.isinf(found.before).all()
    assert np.isinf(found.after).all()
    assert np.isinf(found.begun).all()
