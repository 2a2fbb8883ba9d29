"""Crossings in gaps: of paths in closed form."""

import numpy as np
import pytest

from inspect_app.numerics.discharge.gap_crossings import crossing_in_gap


def halves(path, start_s: float, stop_s: float, end_s: float = 2000.0, noise: float = 0.0):
    """Return the readings of a path every 5 s, before a gap and after it."""
    t = np.arange(0, end_s, 5.0)
    v = path(t) + noise * np.random.default_rng(1).standard_normal(len(t))
    before, after = t <= start_s, t >= stop_s
    return (t[before], v[before]), (t[after], v[after])


def test_a_straight_path_crosses_where_the_line_does():
    """Truth by algebra: 4 V less 1 mV/s is 2.95 V after 1050 s, 50 s after the last reading."""
    found = crossing_in_gap(*halves(lambda t: 4 - 1e-3 * t, 1000.0, 1200.0), 2.95)

    assert found.after_s == pytest.approx(50.0, abs=0.05)
    assert found.after_u_s < 0.5


@pytest.mark.parametrize("gap_s", [50.0, 400.0])
def test_a_knee_is_crossed_where_its_exponential_is(gap_s):
    """Truth by algebra: 4 - exp((t - 1500) / 300) is 3.6 at 1500 + 300 ln 0.4 = 1225.1 s."""
    crossing_s = 1500 + 300 * np.log(0.4)

    found = crossing_in_gap(
        *halves(lambda t: 4 - np.exp((t - 1500) / 300), crossing_s - gap_s / 2, crossing_s + gap_s / 2), 3.6
    )

    start_s = 5 * np.floor((crossing_s - gap_s / 2) / 5)
    assert start_s + found.after_s == pytest.approx(crossing_s, abs=max(2 * found.after_u_s, 0.1))
    assert found.after_u_s < 0.02 * gap_s


@pytest.mark.parametrize(("turns_s", "bend"), [(1105.0, 2e-4), (1110.0, 4e-5)])
def test_a_bend_that_begins_just_beside_the_gap_is_not_carried_through_it(turns_s, bend):
    """Truth by construction: a straight fall through the gap, of 100 s, which begins to bend soon after."""
    found = crossing_in_gap(
        *halves(
            lambda t: 4 - 1e-3 * t - bend / 2 * np.maximum(t - turns_s, 0) ** 2, 1000.0, 1100.0, 1250.0, noise=3e-4
        ),
        4 - 1e-3 * 1060.0,
    )

    assert abs(found.after_s - 60) <= 2 * found.after_u_s
    assert abs(found.after_s - 60) < 3


def test_a_longer_gap_and_more_noise_leave_more_doubt():
    def doubt(gap_s: float, noise: float) -> float:
        sides = halves(lambda t: 4 - np.exp((t - 1500) / 300), 1225 - gap_s / 2, 1225 + gap_s / 2, noise=noise)
        return crossing_in_gap(*sides, 3.6).after_u_s

    assert doubt(100.0, 1e-3) < doubt(600.0, 1e-3)
    assert doubt(300.0, 1e-3) < doubt(300.0, 2e-3) < doubt(300.0, 4e-3)


def test_noise_is_never_more_than_the_whole_doubt():
    found = crossing_in_gap(*halves(lambda t: 4 - 1e-3 * t, 1000.0, 1200.0, noise=2e-3), 2.95)

    assert 0 < found.from_noise_s <= found.after_u_s


@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("width_s", [1.0, 20.0])
def test_a_fall_that_begins_and_ends_in_the_gap_may_lie_anywhere_in_it(place, width_s):
    """Truth by construction: half of a fall of 0.5 V is at a place in the gap that neither side tells of."""
    fallen_s = 1000 + 300 * place

    def path(t):
        return 4 - 1e-5 * t - 0.25 * (1 + np.tanh((t - fallen_s) / width_s))

    found = crossing_in_gap(*halves(path, 1000.0, 1300.0, noise=2e-3), 3.74)

    assert found.after_s == pytest.approx(300 * place, abs=2.5 * found.after_u_s)
    assert found.after_u_s < 300 / 12**0.5 + 1


def test_too_few_readings_to_one_side_tell_nothing():
    before, after = halves(lambda t: 4 - 1e-3 * t, 1000.0, 1200.0)

    assert crossing_in_gap(before, (after[0][:3], after[1][:3]), 2.95) is None


@pytest.mark.parametrize("gap_s", [50.0, 5e4, 5e6])
def test_rounding_of_a_quiet_log_loses_no_crossing(gap_s):
    """Truth by construction: without noise, and up to a million intervals long, the crossing lies within the gap."""
    before = np.arange(0, 500.0, 5.0)
    after = before[-1] + gap_s + np.arange(0, 200.0, 5.0)

    found = crossing_in_gap((before, 4 - 1e-6 * before), (after, 2 - 1e-3 * (after - after[0])), 3.0)

    assert 0 < found.after_s < gap_s
    assert 0 < found.after_u_s < gap_s
