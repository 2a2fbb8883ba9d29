"""Charge across gaps of a log: what a straight line misses is told by the rest of the log."""

import numpy as np
import pytest

from inspect_app.numerics.discharge.crossings import Crossing
from inspect_app.numerics.discharge.integrals import integral_to

END_S, PERIOD_S = 10_000.0, 1_000.0


def summed(rate, without):
    times_s = np.arange(0.0, END_S + 11, 10.0)
    times_s = times_s[(times_s <= without[0]) | (times_s >= without[1])]
    crossing = Crossing(time_s=END_S, index=int(np.searchsorted(times_s, END_S)), from_noise_s=0.0, from_gap_s=0.0)
    return integral_to(times_s, rate(times_s), crossing)


@pytest.mark.parametrize("start_s", [4_000.0, 4_100.0, 4_250.0, 4_500.0, 4_700.0])
def test_a_gap_under_a_load_that_waves_is_doubted_by_how_it_waves_elsewhere(start_s):
    found = summed(lambda t: 1 + 0.2 * np.sin(2 * np.pi * t / PERIOD_S), (start_s, start_s + 500))

    assert abs(found.value - END_S) < 2 * found.from_gaps
    assert found.from_gaps < 0.2 * 500


def test_a_gap_under_a_load_that_changes_evenly_has_next_to_no_doubt():
    found = summed(lambda t: 1 + 1e-5 * t, (4_000.0, 4_500.0))

    assert found.value == pytest.approx(END_S + 500)
    assert found.from_gaps < 1e-6 * END_S


def test_a_load_that_steps_within_a_gap_may_have_done_so_at_any_moment_of_it():
    found = summed(lambda t: np.where(t < 4_200, 1.0, 1.1), (4_000.0, 4_500.0))

    assert found.from_gaps == pytest.approx(0.05 * 500 / 3**0.5)
