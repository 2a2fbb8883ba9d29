"""Repeats: type A with the floor of the last digit, whichever check pools them (JCGM 100:2008, 4.2, 4.3.9, F.2.2.1)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.measure import measure
from inspect_app.measure._budget import counting, read_off, scaled
from inspect_app.quantity import combine, coverage_factor

AGREEING = {
    "latency": {"frames_counted": ["10"] * 3, "frame_interval_ms": "5"},
    "frame-rate": {"frames_counted": ["300"] * 3, "duration_s": "10"},
    "readout": {"bands_counted": ["3.7"] * 3, "strobe_hz": "500", "rows": "960"},
    "step-wedge": {"steps_counted": ["12"] * 3, "steps": "21", "stops_per_step": "1"},
    "noise": {"snr_reading": ["5.1"] * 3},
    "slanted-edge": {"mtf50_reading": ["0.2"] * 3, "axis": "horizontal"},
    "distortion": {"point": ["10,10", "20,20", "30,30"]},
    "battery": {"runtime_min": ["240"] * 3, "polling_interval_min": "5"},
    "bar-target": {"axis": "horizontal", "reading": ["1,4"] * 3, "distance_m": "3"},
}


@pytest.mark.parametrize("check", AGREEING)
def test_agreement_of_repeats_never_gives_a_result_without_uncertainty(check):
    for result in measure(check, {}, AGREEING[check]).results:
        assert result.quantity.standard_uncertainty > 0, result.quantity_name


def test_counts_that_agree_keep_the_doubt_of_one_count():
    """A frame of 1000 / 240 ms: T / √6 = 1.70 ms, however often the same count is repeated in step."""
    given_counts = {"frames_counted": ["9"] * 20, "frame_interval_ms": str(1000 / 240)}

    quantity = measure("latency", {}, given_counts).results[0].quantity

    assert quantity.standard_uncertainty == pytest.approx(1.70, abs=0.005)


@pytest.mark.parametrize("share", np.linspace(0, 0.999, 8))
def test_counts_locked_in_phase_hold_the_truth_within_their_uncertainty(share):
    """A latency of (7 + share) frames counted in step gives 7 or 8 every time; U = 0.816 frames about either."""
    for phase in np.linspace(0, 0.999, 9):
        count = math.floor(7 + share + phase)
        line = counting([count] * 5, 1.0, "ends")

        assert abs(count - (7 + share)) <= 2.5 * line.standard_uncertainty


def test_counts_of_free_phase_hold_the_truth_about_95_times_in_100():
    """5 counts each of 400 latencies, seeded: of 400 trials at 95.45 % between 370 and 392 hold (0.1 % either side).

    The floor of one frame makes the claim wider than that: no upper bound is asked.
    """
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(400):
        truth = rng.uniform(5, 9)
        counts = np.floor(truth + rng.uniform(0, 1, 5))
        line = counting(counts.tolist(), 1.0, "ends")
        expanded = coverage_factor(line.degrees_of_freedom) * line.standard_uncertainty
        held += bool(abs(counts.mean() - truth) <= expanded)

    assert held >= 370


@given(st.lists(st.integers(0, 1000), min_size=2, max_size=9))
def test_pooled_counts_never_claim_less_than_their_digit_over_the_root_of_their_number(counts):
    line = counting(counts, 1.0, "ends")

    assert line.standard_uncertainty >= 1 / math.sqrt(6) / math.sqrt(len(counts)) * (1 - 1e-12)


@given(st.lists(st.integers(1, 50), min_size=2, max_size=9), st.sampled_from([1, 10, 100]))
def test_readings_pool_alike_in_whatever_decimals_they_are_written(counts, per_digit):
    """Scaling the readings scales their doubt: the floor goes with the last decimal."""
    whole = read_off(counts, "read")
    finer = read_off([count / per_digit for count in counts], "read")
    if all(count % 10 for count in counts) or per_digit == 1:
        assert finer.standard_uncertainty == pytest.approx(whole.standard_uncertainty / per_digit, rel=1e-9)


def test_a_spread_below_the_digit_is_not_believed():
    """Nine readings of 10 and one of 11 in whole digits: s = 0.316, above 0.29; of 100 with one off, s = 0.1."""
    near = read_off([10.0] * 9 + [11.0], "read")
    nearer = read_off([10.0] * 99 + [11.0], "read")

    assert near.standard_uncertainty == pytest.approx(math.sqrt(0.1) / math.sqrt(10), rel=1e-6)
    assert nearer.standard_uncertainty == pytest.approx(1 / math.sqrt(12) / 10, rel=1e-6)


def test_counted_frame_rates_keep_the_degrees_of_freedom_of_their_counts():
    """Three counts over 10 s: two degrees of freedom for the spread, and the clock's doubt is small beside it."""
    quantity = (
        measure("frame-rate", {}, {"frames_counted": ["290", "300", "310"], "duration_s": "10"}).results[0].quantity
    )

    assert quantity.standard_uncertainty == pytest.approx(10 / math.sqrt(3) / 10, rel=0.01)
    assert 2 <= quantity.degrees_of_freedom < 2.1


def test_a_budget_line_tells_input_divisor_and_sensitivity():
    """Half a frame either way twice over is triangular with half-width one frame: 1 / √6 frames, times 5 ms."""
    (line,) = scaled([counting([10], 1.0, "ends")], 5.0)

    assert (line.input, line.divisor, line.sensitivity) == pytest.approx((1.0, math.sqrt(6), 5.0))
    assert combine([line])[0] == pytest.approx(5 / math.sqrt(6))
