"""Falls of readings that are rounded more coarsely than they scatter: straight lines, whose crossings are known."""

import numpy as np
import pytest

from inspect_app.numerics.discharge.crossings import lasting_crossing
from inspect_app.numerics.discharge.rounded_falls import passages, rounded_away

T = np.arange(4000.0)
CODE = 0.01


def falling(rng, noise, begin=1.5, slope=1e-4):
    """Return a fall that is read every second and rounded to 10 mV."""
    return np.rint((begin - slope * T + rng.normal(0, noise, len(T))) / CODE) * CODE


@pytest.mark.parametrize("noise", [0.0, 0.001, 0.002])
def test_a_reading_passes_to_the_next_code_half_way_between_both(noise):
    found = passages(T, falling(np.random.default_rng(1), noise), 2000)

    assert found is not None
    off_s = found.times_s - (1.5 - found.values) / 1e-4
    assert np.abs(off_s - off_s.mean()).std() <= 2 * found.noise / 1e-4
    assert abs(off_s.mean()) < 3 * found.noise / 1e-4 / len(off_s) ** 0.5 + 0.5


@pytest.mark.parametrize("noise", [0.02, 0.006])
def test_noise_that_spreads_readings_over_codes_leaves_no_passages(noise):
    assert passages(T, falling(np.random.default_rng(2), noise), 2000) is None


def test_readings_that_go_up_and_down_by_codes_have_no_passages():
    pulsed = falling(np.random.default_rng(3), 0.0) - 0.05 * (T % 100 < 20)

    assert passages(T, pulsed, 2000) is None


def test_what_is_passed_in_a_gap_is_left_out():
    kept = (T < 1480) | (T > 1560)  # holds 1.35 V, at 1500 s, and 1.345 V, where codes change, at 1550 s
    found = passages(T[kept], falling(np.random.default_rng(4), 0.0)[kept], 1000)

    assert found is not None
    assert np.abs(found.values - 1.345).min() > 0.004
    assert np.abs(found.times_s - (1.5 - found.values) / 1e-4).max() <= 1


@pytest.mark.parametrize("share", [0.1, 0.35, 0.5, 0.8])
def test_a_level_between_codes_is_crossed_where_the_line_crosses_it(share):
    """Rounding to the nearest shows only the passages, 100 s apart; between them it is straight."""
    rng = np.random.default_rng(5)
    level = 1.3 + share * CODE
    found = lasting_crossing(T, falling(rng, 0.0003), level)

    assert found is not None
    error_s = found.time_s - (1.5 - level) / 1e-4
    u_s = np.hypot(found.from_noise_s, found.from_gap_s)
    assert abs(error_s) < 2 * u_s < 10


def test_the_sum_of_rounded_readings_is_held():
    rng, off = np.random.default_rng(6), []
    for _ in range(200):
        begin, slope = rng.uniform(1.4, 1.6), rng.uniform(0.5e-4, 2e-4)
        rounded = falling(rng, 0.0, begin, slope)
        exact = np.trapezoid(begin - slope * T, T)
        off.append((np.trapezoid(rounded, T) - exact) / rounded_away(T, rounded))

    assert np.mean(np.abs(off) <= 2) > 0.93
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.1
    assert rounded_away(T, falling(rng, 0.02)) == 0
