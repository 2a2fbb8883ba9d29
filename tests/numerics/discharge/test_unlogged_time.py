"""How long a logger stood, on falls that are known in closed form."""

import numpy as np
import pytest

from inspect_app.numerics.discharge.unlogged_time import chance_set_on, unlogged_time
from tests.truth.discharge import Discharge


def interrupted(fall, first_s, pause_s, step_s=10.0, rows=300):
    """Return a fall before and after a pause, each by a clock of its own."""
    clock = step_s * np.arange(rows)
    return (clock, fall(first_s + clock)), (clock, fall(first_s + clock[-1] + pause_s + clock))


@pytest.mark.parametrize("pause_s", [10.0, 75.0, 400.0, 2000.0])
def test_a_quiet_parabola_tells_its_pause(pause_s):
    """Algebra: 4 V less 40 µV/s less 4 nV/s², without noise."""
    sides = interrupted(lambda t: 4 - 4e-5 * t - 4e-9 * t**2, 0.0, pause_s)

    found = unlogged_time(*sides, 10.0, 0.0)

    assert found.seconds == pytest.approx(pause_s, rel=0.01 if pause_s < 1000 else 0.05, abs=1.0)
    assert abs(found.seconds - pause_s) <= 2 * found.seconds_u < 0.7 * max(pause_s, 10)
    assert found.falls


@pytest.mark.parametrize("seed", range(4))
def test_a_restart_that_lost_nothing_before_a_sharp_knee_is_no_gap(seed):
    """Truth by construction: one interval of 10 s of 4760 s, 1 mV of noise; four minutes to an hour were told.

    A path that stood still for long and was a rougher one afterwards explained the knee better than none.
    """
    share = np.linspace(0, 1.05, 500)
    fall = 4.1 - 0.45 * share - 0.08 * (1 - np.exp(-25 * share)) - 0.8 * np.exp(25 * (share - 1))
    readings = fall + 0.001 * np.random.default_rng(seed).standard_normal(500)
    clock = 10.0 * np.arange(500)

    found = unlogged_time((clock[:375], readings[:375]), (clock[:125], readings[375:]), 10.0, 0.0)

    assert abs(found.seconds - 10) <= 2 * found.seconds_u
    assert found.seconds_u < 60


def test_what_noise_hides_is_one_interval_with_a_doubt_that_holds_more():
    """Truth by construction: 90 s, in which the voltage falls by 1 mV, under noise of 10 mV."""
    before, after = interrupted(lambda t: 4 - 1.2e-5 * t, 0.0, 90.0, rows=60)
    rng = np.random.default_rng(1)

    found = unlogged_time(*((t, v + 0.01 * rng.standard_normal(60)) for t, v in (before, after)), 10.0, 0.0)

    assert found.seconds == 10
    assert abs(found.seconds - 90) <= 2 * found.seconds_u


def test_readings_that_rounding_holds_level_tell_no_more_than_their_steps():
    """Truth by construction: 100 s at 20 µV/s, rounded to 10 mV: a step lasts 500 s."""
    sides = interrupted(lambda t: np.round(4.003 - 2e-5 * t, 2), 0.0, 100.0)

    found = unlogged_time(*sides, 10.0, 0.0)

    assert 50 < found.seconds_u < 500
    assert abs(found.seconds - 100) <= 2 * found.seconds_u


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_knee_that_began_meanwhile_is_in_the_doubt(seed):
    """Closed form plus noise of 1 mV: of 1200 s, in which the fall grows by the factor exp 4.8."""
    truth, rng = Discharge(knee_s=250.0), np.random.default_rng(seed)
    before, after = np.arange(0, 12_600, 10.0), np.arange(13_790, 14_390, 10.0)
    sides = [(t - t[0], truth.voltage(t) + 1e-3 * rng.standard_normal(len(t))) for t in (before, after)]

    found = unlogged_time(*sides, 10.0, 0.0)

    assert abs(found.seconds - 1200) <= 2 * found.seconds_u < 1200


def test_a_pulse_of_the_load_beside_the_pause_is_left_out():
    """Truth by construction: 300 s; one row before and one after stand 0.3 V below the others."""
    (t, before), (_, after) = interrupted(lambda t: 4 - 4e-5 * t, 0.0, 300.0)
    before[-6] -= 0.3
    after[4] -= 0.3

    found = unlogged_time((t, before), (t, after), 10.0, 0.0)

    assert found.seconds == pytest.approx(300, abs=5)


@pytest.mark.parametrize(("slope_v_per_s", "falls"), [(-4e-5, True), (4e-5, False)])
def test_readings_that_rise_tell_no_time(slope_v_per_s, falls):
    found = unlogged_time(*interrupted(lambda t: 3.5 + slope_v_per_s * t, 0.0, 10.0), 10.0, 0.0)

    assert found.falls is falls


def test_three_readings_before_the_pause_are_too_few():
    t = np.arange(3.0)

    assert unlogged_time((t, 4 - t), (t, 1 - t), 1.0, 0.0) is None


@pytest.mark.parametrize("unit", [1e-3, 1.0, 1e3])
def test_the_unit_of_the_readings_does_not_matter(unit):
    """Invariance: volts, millivolts or kilovolts."""
    truth, rng = Discharge(), np.random.default_rng(2)
    sides = interrupted(lambda t: truth.voltage(t) + 1e-3 * rng.standard_normal(len(t)), 9000.0, 200.0)
    plain = unlogged_time(*sides, 10.0, 0.0)

    scaled = unlogged_time(*((t, unit * v) for t, v in sides), 10.0, 0.0)

    assert scaled.seconds == pytest.approx(plain.seconds, rel=1e-3)
    assert scaled.seconds_u == pytest.approx(plain.seconds_u, rel=1e-3)


def test_the_doubt_of_pauses_covers_the_truth_as_often_as_it_claims():
    """Coverage at k = 2 over 30 seeded pauses of 60 to 150 s anywhere in a discharge, with noise of 0.2 to 5 mV.

    At least 25 hold the truth (binomial, p 0.95, chance below 0.01).
    """
    rng, held = np.random.default_rng(3), 0
    for _ in range(30):
        truth, pause_s = Discharge(knee_s=rng.uniform(400, 3000)), rng.uniform(60, 150)
        noise_v, at = np.exp(rng.uniform(np.log(2e-4), np.log(5e-3))), int(rng.uniform(50, 1350))
        clock = 10.0 * np.arange(1400)
        volts = truth.voltage(np.where(clock <= clock[at], clock, clock + pause_s - 10))
        volts += noise_v * rng.standard_normal(len(volts))
        found = unlogged_time(
            (clock[: at + 1], volts[: at + 1]), (clock[at + 1 :] - clock[at + 1], volts[at + 1 :]), 10.0, 0.0
        )
        held += abs(found.seconds - pause_s) <= 2 * found.seconds_u

    assert held >= 25


def _shape(number, rng):
    """Return a fall over the share of its runtime: flat with a knee, sloping, or with two plateaus."""
    knee, fall = np.exp(rng.uniform(np.log(0.015), np.log(0.08))), rng.uniform(0.1, 0.4)
    if number % 3 == 0:
        return lambda x: 4.1 - fall * x - 0.6 * np.exp((x - 1) / knee)
    if number % 3 == 1:
        return lambda x: 4.1 - 0.3 * x - fall * x**2 - 0.4 * x ** (1 + 0.3 / knee)
    at, width = rng.uniform(0.35, 0.75), rng.uniform(0.015, 0.05)
    return lambda x: 4.1 - fall * x - 0.2 / (1 + np.exp((at - x) / width)) - 0.6 * np.exp((x - 1) / knee)


def test_pauses_of_an_hour_in_falls_of_any_shape_are_held_as_often_as_claimed():
    """Coverage at k = 2 over 40 seeded pauses of 30 to 90 min in 2 to 8 h, noise of 0.2 to 5 mV, rows of 20 s.

    At least 34 hold the truth (binomial, p 0.95, chance below 0.01); one roughness for both sides held 29.
    """
    rng, held = np.random.default_rng(7), 0
    for number in range(40):
        voltage, run_s, pause_s = _shape(number, rng), 3600 * rng.uniform(2, 8), rng.uniform(1800, 5400)
        last_s = rng.uniform(0.1 * run_s, 0.97 * run_s - pause_s)
        before = np.arange(0, last_s, 20.0)
        after = np.arange(before[-1] + pause_s, run_s, 20.0)
        noise_v = np.exp(rng.uniform(np.log(2e-4), np.log(5e-3)))
        sides = [(t - t[0], voltage(t / run_s) + noise_v * rng.standard_normal(len(t))) for t in (before, after)]
        found = unlogged_time(*sides, 20.0, 0.0)
        held += abs(found.seconds - pause_s) <= 2 * found.seconds_u

    assert held >= 34


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("step_s", [0.0, 1e-9, 1e-5])
def test_a_clock_that_hardly_moves_tells_no_time(step_s):
    """Truth by construction: 40 rows to either side that cover less than the usual interval of the log."""
    assert unlogged_time(*interrupted(lambda t: 4 - 1e-5 * t, 0.0, 10.0, step_s=step_s, rows=40), 10.0, 0.0) is None


@pytest.mark.parametrize(
    ("told_s", "noise_v", "is_told"), [(3610.0, 0.015, True), (3200.0, 0.015, False), (3200.0, 0.001, True)]
)
def test_under_noise_only_whole_hours_are_told_as_a_clock_that_was_set(told_s, noise_v, is_told):
    """Truth by construction: one interval of 10 s, whatever a clock tells of; 150 rows at 36 uV/s to either side."""
    before, after = interrupted(lambda t: 4 - 3.6e-5 * t, 0.0, 10.0, rows=150)
    rng = np.random.default_rng(3)

    sides = [(t, v + noise_v * rng.standard_normal(150)) for t, v in (before, after)]

    assert (chance_set_on(*sides, 10.0, told_s) > 0.95) == is_told


@pytest.mark.parametrize("pause_s", [610.0, 3610.0])
def test_what_fell_while_nothing_was_read_is_no_clock_that_was_set(pause_s):
    """Truth by construction: the pause is as long as told."""
    before, after = interrupted(lambda t: 4 - 3.6e-5 * t, 0.0, pause_s, rows=150)
    rng = np.random.default_rng(4)

    sides = [(t, v + 0.005 * rng.standard_normal(150)) for t, v in (before, after)]

    assert chance_set_on(*sides, 10.0, pause_s) < 0.05


@pytest.mark.parametrize(("told_s", "least", "most"), [(3610.0, 0.5, 0.995), (3200.0, 0.0, 0.0)])
def test_where_nothing_falls_whole_hours_are_in_doubt_and_other_times_the_word_of_the_clock(told_s, least, most):
    """Algebra: level readings are likelier after an interval than after an hour, in which they might stray."""
    before, after = interrupted(lambda t: 4 + 0 * t, 0.0, 10.0, rows=150)
    rng = np.random.default_rng(5)

    sides = [(t, v + 0.003 * rng.standard_normal(150)) for t, v in (before, after)]

    assert least <= chance_set_on(*sides, 10.0, told_s) <= most
