"""The battery check against logs whose runtime, charge and energy are known, and against real ones."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.capture.table import read_table
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure
from tests.truth.discharge import Discharge, write_log

REAL = Path(__file__).parents[3] / "shared" / "data" / "battery"


def found_in(path, cutoff_v, **options):
    measured = measure("battery", {"scene": [path]}, {"cutoff_v": cutoff_v, **options})
    return {result.quantity_name: result.quantity for result in measured.results}, measured.warnings


def test_the_worked_example_is_interpolated_between_its_rows(tmp_path):
    """Worked by hand: 2.18 V at 5.5 h and 1.60 V at 6 h cross 2.0 V at 5.5 + 0.18 / 0.58 / 2 = 5.6552 h; 0.25 A."""
    times = np.arange(0, 6.01, 0.5) * 3600
    volts = np.array([3.0, 2.95, 2.9, 2.87, 2.84, 2.8, 2.76, 2.72, 2.66, 2.58, 2.48, 2.18, 1.6])

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, np.full(13, 0.25)), "2 V")

    assert found["runtime"].value == pytest.approx(5.65517 * 60, abs=0.001)
    assert found["capacity"].value == pytest.approx(1413.79, abs=0.01)


@pytest.mark.parametrize("mark", [".", ","])
def test_a_smooth_discharge_gives_its_closed_form(tmp_path, mark):
    """Closed form: crossing by bisection, integrals by Gauss-Legendre quadrature; decimal point and comma."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)

    found, _ = found_in(
        write_log(tmp_path / "a.csv", times, truth.voltage(times), truth.current(times), mark=mark), 3.2
    )

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.01)
    assert found["capacity"].value == pytest.approx(truth.capacity_mah(3.2), abs=0.1)
    assert found["energy"].value == pytest.approx(truth.energy_wh(3.2), abs=0.001)


def test_a_load_resistance_stands_in_for_the_current(tmp_path):
    """Closed form: the current is v / R."""
    truth = Discharge(load_ohm=10.0)
    times = np.arange(0, 16_000.0, 10)

    found, _ = found_in(write_log(tmp_path / "a.csv", times, truth.voltage(times)), 3.2, load_ohm=10)

    assert found["capacity"].value == pytest.approx(truth.capacity_mah(3.2), rel=1e-4)
    assert found["energy"].value == pytest.approx(truth.energy_wh(3.2), rel=1e-4)


def test_without_current_or_load_only_the_runtime_is_given(tmp_path):
    times = np.arange(0, 16_000.0, 10)

    found, warnings = found_in(write_log(tmp_path / "a.csv", times, Discharge().voltage(times)), 3.2)

    assert list(found) == ["runtime"]
    assert any("no capacity" in warning for warning in warnings)


def test_a_dip_of_the_load_does_not_end_the_run(tmp_path):
    """Debounce: two rows far below the cut-off, an hour before the end."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)
    volts = truth.voltage(times)
    volts[900:902] -= 1.5

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, truth.current(times)), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.05)


@pytest.mark.parametrize("with_current", [True, False])
def test_single_dips_out_of_a_level_voltage_are_no_end_of_the_run(tmp_path, with_current):
    """Nothing falls before or after them: no battery ends so, and none recovers so."""
    times = np.arange(0, 6000.0, 10)
    volts, amperes = np.full(600, 3.6), np.full(600, 0.2)
    volts[[100, 400]] = 2.8, 2.9

    with pytest.raises(NothingToMeasure, match="never stays below"):
        found_in(write_log(tmp_path / "a.csv", times, volts, amperes if with_current else None), 3.0)


def test_single_readings_that_no_battery_has_are_left_out_and_told(tmp_path):
    """Closed form; with the readings of 9.99 and 0 V the energy would be off by half a percent."""
    truth = Discharge()
    times = np.arange(0.0, 1.1 * truth.end_s, 50.0)
    volts = truth.voltage(times)
    volts[[40, 91, 200]] = 9.99, 0.0, 9.99

    found, warnings = found_in(write_log(tmp_path / "a.csv", times, volts, truth.current(times)), 3.2)

    assert found["energy"].value == pytest.approx(truth.energy_wh(3.2), rel=2e-4)
    assert any("3 single readings" in warning and "9.99 V at 2000 s" in warning for warning in warnings)


def test_pulses_of_the_load_of_one_row_are_readings_like_all_others(tmp_path):
    truth = Discharge()
    times = np.arange(0.0, 1.1 * truth.end_s, 50.0)
    volts = truth.voltage(times)
    volts[[40, 91, 200]] *= 0.6

    _, warnings = found_in(write_log(tmp_path / "a.csv", times, volts, truth.current(times)), 3.2)

    assert not any("left out" in warning for warning in warnings)


def test_one_row_below_in_a_fast_fall_ends_the_run_though_the_voltage_recovers(tmp_path):
    """It falls by 0.1 V a row, crosses 3.0 V half way between rows 100 and 101, and rests at its old height."""
    times = np.arange(0, 3000.0, 10)
    volts = np.concatenate([np.full(96, 3.5), [3.45, 3.35, 3.25, 3.15, 3.05, 2.95], np.full(198, 3.1)])

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts), 3.0)

    assert found["runtime"].value == pytest.approx(1005 / 60, abs=3 * found["runtime"].standard_uncertainty)


@pytest.mark.parametrize("with_current", [True, False])
def test_noise_does_not_mix_the_rebound_into_the_crossing(tmp_path, with_current):
    """Closed form plus noise of 3 mV; the device switches off a minute after the cut-off, and the voltage recovers."""
    truth, rng = Discharge(), np.random.default_rng(3)
    times = np.arange(0, 18_000.0, 5)
    volts, amperes = truth.voltage(times), truth.current(times)
    end = int(np.searchsorted(times, truth.crossing_s(3.2) + 60))
    volts[end:] = 3.6 - 0.2 * np.exp(-np.arange(len(times) - end) / 40)
    amperes[end:] = 0.0
    volts += 0.003 * rng.standard_normal(len(times))

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, amperes if with_current else None), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.15)
    assert abs(found["runtime"].value - truth.crossing_s(3.2) / 60) <= 3 * found["runtime"].standard_uncertainty


@pytest.mark.parametrize("seed", range(4))
def test_noise_as_deep_as_the_fall_before_a_rebound_makes_no_later_row_the_end(tmp_path, seed):
    """Closed form plus noise of 28 mV; the device switches off 20 mV below the cut-off, told by no current."""
    truth, rng = Discharge(), np.random.default_rng(seed)
    times = np.arange(0, 18_000.0, 2)
    volts = truth.voltage(times)
    end = int(np.searchsorted(times, truth.crossing_s(3.18)))
    times, volts = times[: end + 60], volts[: end + 60]
    volts[end:] = 3.28 - 0.1 * np.exp(-np.arange(60) / 8)
    volts += 0.028 * rng.standard_normal(len(times))

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts), 3.2)

    off_min = found["runtime"].value - truth.crossing_s(3.2) / 60
    assert abs(off_min) <= min(3 * found["runtime"].standard_uncertainty, 1.2)


@pytest.mark.parametrize("seed", [2, 4, 11])
def test_no_curve_crosses_after_the_load_has_gone(tmp_path, seed):
    """Closed form plus noise of 30 mV; a steep knee, of which one row of 30 s lies below the cut-off under load."""
    truth, rng = Discharge(knee_s=80.0), np.random.default_rng(seed)
    times = np.arange(0, 18_000.0, 30)
    end = int(np.searchsorted(times, truth.crossing_s(3.4))) + 1
    times, amperes = times[: end + 60], np.where(np.arange(end + 60) < end, 0.35, 0.0)
    volts = np.concatenate([truth.voltage(times[:end]), 3.5 - 0.1 * np.exp(-np.arange(60) / 10)])
    volts += 0.03 * rng.standard_normal(len(times))

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, amperes), 3.4)

    assert abs(found["runtime"].value - truth.crossing_s(3.4) / 60) <= 3 * found["runtime"].standard_uncertainty
    assert found["runtime"].standard_uncertainty < 1.5


def test_a_battery_that_is_dead_in_the_next_row_ended_between_two_rows(tmp_path):
    """Closed form: last seen under load just above the cut-off; then there is neither current nor voltage."""
    truth = Discharge(knee_s=150.0)
    times = np.arange(0, 16_000.0, 30)
    is_on = times < truth.crossing_s(3.2)
    log = write_log(tmp_path / "a.csv", times, np.where(is_on, truth.voltage(times), 0.05), np.where(is_on, 0.35, 0.0))

    found, _ = found_in(log, 3.2)

    runtime = found["runtime"]
    assert abs(runtime.value - truth.crossing_s(3.2) / 60) <= 3 * runtime.standard_uncertainty < 0.25


def test_a_load_that_steps_between_two_rows_may_have_done_so_at_any_moment(tmp_path):
    """Algebra: 0.35 A more from a moment within 30 s is 10.5 As, half of it to either side of what the rule takes."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 30)
    amperes = truth.current(times) + np.where(times >= 6000, 0.35, 0.0)
    end_s = truth.crossing_s(3.2)

    found, _ = found_in(write_log(tmp_path / "a.csv", times, truth.voltage(times), amperes), 3.2)

    capacity = found["capacity"]
    for stepped_s in (5970.1, 5999.9):
        truth_mah = (0.35 * end_s + 0.35 * (end_s - stepped_s)) / 3.6
        assert abs(capacity.value - truth_mah) <= 2 * capacity.standard_uncertainty
    assert capacity.standard_uncertainty * 3.6 < 4.0


def test_readings_rounded_to_ten_millivolts_keep_an_honest_uncertainty(tmp_path):
    """Closed form, rounded: neighbouring rows agree, which is no proof that there is no noise."""
    held = 0
    for number in range(12):
        truth = Discharge(knee_s=400.0 + 150 * number)
        times = np.arange(0, truth.crossing_s(2.8), 7.0)
        volts = np.round(truth.voltage(times), 2)
        found, _ = found_in(write_log(tmp_path / f"{number}.csv", times, volts), 3.2)
        held += abs(found["runtime"].value - truth.crossing_s(3.2) / 60) <= 2 * found["runtime"].standard_uncertainty

    assert held >= 9


@pytest.mark.parametrize("with_current", [True, False])
def test_the_rebound_after_shutdown_is_no_runtime(tmp_path, with_current):
    """The device switches off one row after the cut-off, and the voltage recovers above it."""
    truth = Discharge()
    times = np.arange(0, 18_000.0, 10)
    end = int(truth.crossing_s(3.2) // 10) + 2
    volts, amperes = truth.voltage(times), truth.current(times)
    volts[end:] = 3.5 - 0.2 * np.exp(-np.arange(len(times) - end) / 40)
    amperes[end:] = 0.0

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, amperes if with_current else None), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.05)


def test_noise_at_the_cutoff_does_not_pull_the_crossing_early(tmp_path):
    """Closed form plus noise of 5 mV: far more than the voltage falls between two rows."""
    truth, rng = Discharge(knee_s=3000.0), np.random.default_rng(1)
    times = np.arange(0, 16_000.0, 1)
    volts = truth.voltage(times) + 0.005 * rng.standard_normal(len(times))

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, truth.current(times)), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.1)


def test_the_uncertainty_grows_when_the_crossing_lies_in_a_gap(tmp_path):
    """Closed form: ten minutes around the crossing are missing from the log."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)
    kept_rows = np.abs(times - truth.crossing_s(3.2)) > 300
    whole, _ = found_in(write_log(tmp_path / "a.csv", times, truth.voltage(times), truth.current(times)), 3.2)
    times = times[kept_rows]

    found, warnings = found_in(write_log(tmp_path / "b.csv", times, truth.voltage(times), truth.current(times)), 3.2)

    assert found["runtime"].standard_uncertainty > 20 * whole["runtime"].standard_uncertainty / 10
    assert abs(found["runtime"].value - truth.crossing_s(3.2) / 60) <= 2 * found["runtime"].standard_uncertainty
    assert any("inside a gap" in warning for warning in warnings)


@pytest.mark.parametrize("seed", [0, 1, 6, 8])
def test_more_noise_never_shrinks_the_doubt_of_a_restart(tmp_path, seed):
    """Property: one log whose clock starts anew where the voltage falls slowly, ever more of the same noise."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 5)
    half = len(times) // 3
    clock = np.concatenate([times[:half], times[half:] - times[half]])
    noise = np.random.default_rng(seed).standard_normal(len(times))
    doubts = []
    for scatter_v in (0.0005, 0.001, 0.002, 0.004, 0.008):
        log = write_log(tmp_path / "a.csv", clock, truth.voltage(times) + scatter_v * noise, truth.current(times))
        budget = measure("battery", {"scene": [log]}, {"cutoff_v": 3.2}).results[0].budget
        doubts += [line.standard_uncertainty for line in budget if line.source.startswith("restarts")]

    assert len(doubts) == 5
    assert all(more > 0.98 * less for less, more in pairwise(doubts))


@pytest.mark.parametrize(("gap_s", "most_percent"), [(300.0, 0.1), (1500.0, 0.5)])
def test_the_bend_of_a_knee_tells_where_it_is_crossed_in_a_gap(tmp_path, gap_s, most_percent):
    """Closed form: of 24 logs with 0.5 to 4 mV of noise at least 20 are held (binomial, chance below 0.01)."""
    truth, rng, off, held = Discharge(), np.random.default_rng(7), [], 0
    crossing_s = truth.crossing_s(3.2)
    for number in range(24):
        times = np.arange(0, crossing_s + 2500, 10.0)
        start_s = crossing_s - gap_s * rng.uniform(0.1, 0.9)
        times = times[(times < start_s) | (times > start_s + gap_s)]
        volts = truth.voltage(times) + rng.uniform(0.0005, 0.004) * rng.standard_normal(len(times))
        found, _ = found_in(write_log(tmp_path / f"{number}.csv", times, volts, truth.current(times)), 3.2)
        off.append(abs(found["runtime"].value * 60 - crossing_s) / crossing_s)
        held += off[-1] * crossing_s <= 2 * found["runtime"].standard_uncertainty * 60

    assert np.quantile(off, 0.9) < most_percent / 100
    assert held >= 20


@pytest.mark.parametrize("jump_s", [3600.0, 1e5, 3e7])
@pytest.mark.parametrize("share", [0.15, 0.999])
def test_a_clock_that_was_set_on_while_the_voltage_went_on_is_put_right(tmp_path, jump_s, share):
    """Closed form with 1 mV of noise: summer time, a day and a year, early and within a minute of the crossing."""
    truth = Discharge()
    times, rng = np.arange(0, 16_000.0, 10), np.random.default_rng(4)
    at_s = share * truth.crossing_s(3.2)
    volts = truth.voltage(times) + 1e-3 * rng.standard_normal(len(times))
    path = write_log(tmp_path / "a.csv", np.where(times > at_s, times + jump_s, times), volts, truth.current(times))

    found, warnings = found_in(path, 3.2)

    assert found["runtime"].value * 60 == pytest.approx(truth.crossing_s(3.2), abs=120)
    for name, value in (("runtime", truth.crossing_s(3.2) / 60), ("capacity", truth.capacity_mah(3.2))):
        assert abs(found[name].value - value) <= 2 * found[name].standard_uncertainty
    assert any(f"runs on by {jump_s + 10:.6g} s after row {int(at_s / 10) + 1} below" in each for each in warnings)


@pytest.mark.parametrize(("with_current", "volts"), [(True, 0.2), (False, 0.0)])
def test_a_gap_in_which_the_load_steps_or_the_voltage_falls_as_before_is_the_word_of_the_clock(
    tmp_path, with_current, volts
):
    """Truth by construction: an hour without a row, across which a smaller load lifts the voltage, or nothing does."""
    truth = Discharge()
    times = np.concatenate([np.arange(0, 5000.0, 10), np.arange(8600, 16_000.0, 10)])
    late = times > 6000
    log = write_log(
        tmp_path / "a.csv",
        times,
        truth.voltage(times) + volts * late,
        np.where(late, 0.2, 0.35) if with_current else None,
    )

    found, warnings = found_in(log, 3.2 + volts)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, abs=0.1)
    assert any("1 gap in the log is bridged, of 3610 s" in each for each in warnings)


def test_a_clock_that_was_set_a_year_ahead_under_a_level_voltage_is_not_bridged(tmp_path):
    """A voltage that stays, then falls within 40 s, does not tell how long it took."""
    times = np.arange(0, 4000.0, 10)
    volts = np.where(times < 3000, 4.0, np.maximum(4.0 - (times - 3000) / 20, 1.0))
    path = write_log(tmp_path / "a.csv", np.where(times > 2000, times + 3e7, times), volts)

    with pytest.raises(NothingToMeasure, match="row 201 below the names to the next, and all other rows"):
        found_in(path, 3.2)


def test_a_gap_whose_end_shows_a_dead_battery_alone_is_open_to_its_end(tmp_path):
    """Analytic: 3.976 V falling slowly, then 1 V a day later: the crossing may lie anywhere, 16 to 1500 min."""
    times = np.arange(0, 1000, 10.0)
    log = write_log(
        tmp_path / "a.csv", np.append(times, [90_000, 90_010]), np.append(4.1 - times / 8000, [1, 1]), np.full(102, 0.5)
    )

    found, warnings = found_in(log, "3 V")

    runtime = found["runtime"]
    assert runtime.value - 2 * runtime.standard_uncertainty < 16
    assert runtime.value + 2 * runtime.standard_uncertainty > 1000
    assert any("inside a gap" in warning for warning in warnings)


def test_a_logger_that_starts_its_clock_again_is_joined_and_told(tmp_path):
    """Closed form; the clock starts at zero again at a third of the run, one interval later."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)
    clock = np.where(np.arange(len(times)) < 500, times, times - times[500])

    found, warnings = found_in(write_log(tmp_path / "a.csv", clock, truth.voltage(times), truth.current(times)), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, rel=0.002)
    assert any("clock again" in warning for warning in warnings)


def test_a_logger_that_writes_its_column_names_again_is_read_on(tmp_path):
    """Closed form; semicolons and decimal commas, and the names once more where the clock starts at zero again."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)
    rows = [f"{t:.1f};{v:.5f}" for t, v in zip(times, truth.voltage(times), strict=True)]
    again = [f"{t - times[500]:.1f};{v:.5f}" for t, v in zip(times[500:], truth.voltage(times[500:]), strict=True)]
    names = "time_s;voltage_v"
    path = tmp_path / "a.csv"
    path.write_text("\n".join([names, *rows[:500], names, *again, ""]).replace(".", ","))

    found, warnings = found_in(path, 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, rel=0.002)
    assert any("clock again" in warning for warning in warnings)


@pytest.mark.parametrize("pause_s", [40.0, 600.0, 2500.0])
def test_a_pause_before_the_clock_starts_again_is_read_from_the_fall_of_the_voltage(pause_s, tmp_path):
    """Closed form; rows of 10 s, and 0.1 mV of noise that hides a pause of a few seconds."""
    truth = Discharge()
    times = np.concatenate([np.arange(0, 5000.0, 10), np.arange(5000 + pause_s, 16_000.0, 10)])
    volts = truth.voltage(times) + np.random.default_rng(8).normal(0, 1e-4, len(times))
    clock = np.where(times <= 5000, times, times - times[500])

    found, warnings = found_in(write_log(tmp_path / "a.csv", clock, volts, truth.current(times)), 3.2)

    off_min = found["runtime"].value - truth.crossing_s(3.2) / 60
    assert abs(off_min) <= 2 * found["runtime"].standard_uncertainty < pause_s / 60
    assert any("by the fall of the voltage" in warning for warning in warnings)


def test_a_restart_after_another_battery_was_put_in_is_refused(tmp_path):
    """The voltage rises by a tenth across the restart: no fall says how long the logger stood."""
    times = np.arange(0, 16_000.0, 10)
    clock = np.where(np.arange(len(times)) < 1000, times, times - times[1000])
    volts = Discharge().voltage(times) + np.where(times < times[1000], 0.0, 0.4)

    with pytest.raises(UnusableInput, match="jumps after row 1000"):
        found_in(write_log(tmp_path / "a.csv", clock, volts), 3.2)


def test_a_restart_while_the_cell_recovers_after_the_cut_off_is_joined(tmp_path):
    """Closed form of the run; then the load is off, and the voltage rises by 4 % a row, over the restart as well."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 10)
    end_s = truth.crossing_s(3.2) + 200
    volts = truth.voltage(np.minimum(times, end_s))
    since_s = np.clip(times - end_s, 0, None)
    volts += (3.9 - volts) * (1 - np.exp(-since_s / 45)) * (times > end_s)
    row = int(end_s // 10) + 3
    clock = np.where(np.arange(len(times)) < row, times, times - times[row])
    assert volts[row] / volts[row - 1] > 1.025

    found, warnings = found_in(write_log(tmp_path / "a.csv", clock, volts), 3.2)

    assert found["runtime"].value == pytest.approx(truth.crossing_s(3.2) / 60, rel=0.002)
    assert any("clock again" in warning for warning in warnings)


def test_a_pulse_of_one_row_may_have_lasted_no_time_or_two_intervals(tmp_path):
    """Closed form: 0.5 V less at one row of 30 s, at 0.35 A, is 10.5 J between no time and two intervals."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 30)
    volts = truth.voltage(times) - np.where(times == 6000, 0.5, 0.0)

    found, _ = found_in(write_log(tmp_path / "a.csv", times, volts, truth.current(times)), 3.2)

    for pulse_ws in (0.0, 10.5):
        off_ws = 3600 * (found["energy"].value - truth.energy_wh(3.2)) + pulse_ws
        assert abs(off_ws) <= 2 * 3600 * found["energy"].standard_uncertainty
    assert found["energy"].standard_uncertainty * 3600 < 5.0


def test_a_restart_between_irregular_rows_is_doubted_by_their_scatter(tmp_path):
    """The time between two rows across a restart is any of the others: u holds their standard deviation."""
    truth = Discharge()
    steps = np.random.default_rng(5).exponential(10, 1600)
    times = np.concatenate([[0], np.cumsum(steps)])
    clock = np.where(np.arange(len(times)) < 500, times, times - times[500])

    found, _ = found_in(write_log(tmp_path / "a.csv", clock, truth.voltage(times), truth.current(times)), 3.2)

    assert found["runtime"].standard_uncertainty * 60 >= 0.9 * float(np.std(steps))


def test_a_clock_that_jumps_back_is_refused_with_its_row(tmp_path):
    times = np.arange(0, 16_000.0, 10)
    times[800:] -= 3000

    with pytest.raises(UnusableInput, match="jumps after row 800"):
        found_in(write_log(tmp_path / "a.csv", times, Discharge().voltage(np.arange(0, 16_000.0, 10))), 3.2)


def test_a_noisy_log_that_starts_at_the_cutoff_is_refused(tmp_path):
    """Closed form: without its noise of 4 mV it starts 0.1 µV below 4.1 V; seed 50 lifts the first rows above."""
    truth, times = Discharge(), np.arange(0, 9000.0, 30)
    volts = truth.voltage(times) + np.random.default_rng(50).normal(0, 4e-3, len(times))

    with pytest.raises(NothingToMeasure, match="starts at"):
        found_in(write_log(tmp_path / "a.csv", times, volts), 4.1)


def test_a_dip_after_which_the_logged_load_goes_on_is_no_end_however_flat_the_voltage_is(tmp_path):
    """Truth by construction: 3.6 V throughout at 0.2 A, but for one row; the cut-off is never reached."""
    volts = np.full(600, 3.6)
    volts[400] = 2.9

    with pytest.raises(NothingToMeasure, match="never stays below"):
        found_in(write_log(tmp_path / "a.csv", 10.0 * np.arange(600), volts, np.full(600, 0.2)), 3.0)


def test_noise_that_crosses_the_cutoff_from_the_start_is_refused(tmp_path):
    """Truth by construction: a voltage that never falls, and noise of 0.5 V that crosses a cut-off 0.3 V below it."""
    volts = 3.3 + np.random.default_rng(51).normal(0, 0.5, 600)

    with pytest.raises(NothingToMeasure, match="scatter by"):
        found_in(write_log(tmp_path / "a.csv", 10.0 * np.arange(600), volts), 3.0)


def test_a_reading_of_current_that_dwarfs_the_load_is_named_and_not_the_start_of_the_log(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"{10 * row},{3 - row / 100:g},0.5" for row in range(100)] + [
        "1000,0.01,90",
        "1010,0.01,90",
        "1020,0.01,90",
    ]
    path.write_text("time_s,voltage_v,current_a\n" + "\n".join(rows) + "\n")

    with pytest.raises(NothingToMeasure, match=r"first passes 4\.5 A, .*, 1000 s into the log, at 0\.01 V"):
        found_in(path, 2.0)


def test_a_log_that_goes_on_below_zero_volts_under_constant_power_keeps_its_load(tmp_path):
    """Truth by construction: 1 W from 3.0 V, 1 mV a row, then 0.1 V; near 0 V the current dwarfs that of the run."""
    times = 10.0 * np.arange(1200)
    volts = 3.0005 - times / 10_000 - np.maximum(times - 11_000, 0) / 100
    path = write_log(tmp_path / "on.csv", times, volts, 1 / volts)

    found, _ = found_in(path, 2.0)

    assert found["runtime"].value == pytest.approx(10_005 / 60, abs=0.01)
    assert found["energy"].value == pytest.approx(10_005 / 3600, rel=1e-3)


def test_negative_current_and_a_log_that_ends_at_the_crossing_are_told(tmp_path):
    truth, times = Discharge(), np.arange(0, 16_000.0, 10)
    times = times[: int(np.searchsorted(times, truth.crossing_s(3.2))) + 1]

    path = write_log(tmp_path / "a.csv", times, truth.voltage(times), -truth.current(times))
    _, warnings = found_in(path, 3.2)

    assert any("negative current" in warning for warning in warnings)
    assert any("ends 1 rows after the crossing" in warning for warning in warnings)


@pytest.mark.parametrize(("cutoff", "problem"), [(4.5, "already below"), (0.5, "never stays below")])
def test_a_cutoff_outside_the_log_is_told(tmp_path, cutoff, problem):
    times = np.arange(0, 12_000.0, 10)

    with pytest.raises(NothingToMeasure, match=problem):
        found_in(write_log(tmp_path / "a.csv", times, Discharge().voltage(times)), cutoff)


@pytest.mark.parametrize(
    ("names", "factors"),
    [
        ("Time,Voltage,Current\nms,mV,mA", (1e3, 1e3, 1e3)),
        ("time_h,voltage_v,current_ma", (1 / 3600, 1, 1e3)),
        ("Logger type,DL-20\nStart,2026-03-04 08:00:00\n\ntime,voltage,current\n[min],[V],[A]", (1 / 60, 1, 1)),
    ],
)
def test_a_log_in_other_units_gives_the_same_as_one_in_seconds_volts_and_amperes(tmp_path, names, factors):
    """Property: only the way of writing differs."""
    truth = Discharge()
    times = np.arange(0, 16_000.0, 60)
    columns = (times, truth.voltage(times), truth.current(times))
    plain = np.column_stack(columns)
    path, other = tmp_path / "a.csv", tmp_path / "b.csv"
    np.savetxt(path, plain, delimiter=",", header="time_s,voltage_v,current_a", comments="", fmt="%.12g")
    np.savetxt(other, plain * factors, delimiter=",", header=names, comments="", fmt="%.12g")

    expected, _ = found_in(path, 3.2)
    found, _ = found_in(other, 3.2)

    for name, quantity in expected.items():
        assert found[name].value == pytest.approx(quantity.value, rel=1e-6)


@pytest.mark.parametrize(
    ("names", "problem"),
    [
        ("time_s,voltage_v,current_a\nms,V,A", r"time_s \[ms\] does not tell its unit"),
        ("time,voltage,current\ns,hV,A", r"voltage \[hV\] does not tell"),
        ("time,voltage,current\ns,V,V", "current_v does not tell its unit, or tells two or another kind"),
        ("time,voltage_v,current_a", "time does not tell its unit"),
    ],
)
def test_a_unit_that_is_not_clear_is_refused_with_the_way_out(tmp_path, names, problem):
    path = tmp_path / "a.csv"
    path.write_text(names + "\n" + "\n".join(f"{row * 60},{4 - row / 10:.1f},0.2" for row in range(20)))

    with pytest.raises(UnusableInput, match=problem) as refused:
        found_in(path, 3.2)

    assert "name no other unit" in str(refused.value)


def test_a_missing_column_is_told_with_those_that_are_there(tmp_path):
    path = write_log(tmp_path / "a.csv", [0, 1], [3, 2], header=["t", "u"])

    with pytest.raises(UnusableInput, match="time_s is missing; there are t, u"):
        found_in(path, 3)


def test_the_uncertainty_covers_the_truth_as_often_as_it_claims(tmp_path):
    """Coverage at k = 2 over 60 seeded logs with noise, gaps and irregular rows (binomial, chance below 0.01)."""
    rng = np.random.default_rng(2)
    held = np.zeros(2)
    for number in range(60):
        truth = Discharge(knee_s=rng.uniform(400, 3000), current_a=rng.uniform(0.1, 1))
        times = np.cumsum(rng.uniform(5, 15, 1800))
        times = times[(times < rng.uniform(2000, 12000)) | ((times > 12500) & (times < 15500))]
        noise = rng.uniform(0.0005, 0.005)
        volts = truth.voltage(times) + noise * rng.standard_normal(len(times))
        amperes = truth.current(times) + 0.003 * rng.standard_normal(len(times))
        shift = times[0]
        found, _ = found_in(write_log(tmp_path / f"{number}.csv", times, volts, amperes), 3.2)
        runtime = (truth.crossing_s(3.2) - shift) / 60
        held[0] += abs(found["runtime"].value - runtime) <= 2 * found["runtime"].standard_uncertainty
        capacity = truth.current_a * runtime * 60 / 3.6
        held[1] += abs(found["capacity"].value - capacity) <= 2 * found["capacity"].standard_uncertainty

    assert (held >= 52).all()


def test_noise_far_above_the_fall_between_rows_is_covered_as_often_as_claimed(tmp_path):
    """Coverage at k = 2 over 40 seeded logs of 5 to 20 mV of noise (binomial, chance below 0.01), none far off."""
    rng, held, off = np.random.default_rng(6), 0, []
    for number in range(40):
        truth, cutoff_v = Discharge(knee_s=rng.uniform(1000, 3000)), round(rng.uniform(3.0, 3.4), 2)
        times = np.linspace(0, 1.1 * truth.crossing_s(cutoff_v), int(rng.choice([300, 1000])))
        volts = truth.voltage(times) + rng.choice([0.005, 0.01, 0.02]) * rng.standard_normal(len(times))
        found, _ = found_in(write_log(tmp_path / f"{number}.csv", times, volts), cutoff_v)
        off.append(60 * found["runtime"].value / truth.crossing_s(cutoff_v) - 1)
        held += abs(off[-1]) * truth.crossing_s(cutoff_v) <= 120 * found["runtime"].standard_uncertainty

    assert held >= 34
    assert np.abs(off).max() < 0.01


@pytest.mark.parametrize("seed", [21, 22, 23, 24])
def test_more_noise_never_shrinks_the_uncertainty(tmp_path, seed):
    """Property: logs with ever more of the same noise, from far below the fall between rows to far above; two gaps.

    A tenth is allowed: the 12 rows of the shortest cubic tell their scatter to 1 / sqrt(2 · 8), a quarter (GUM E.4.3).
    """
    truth, times = Discharge(), np.arange(0, 16_000.0, 20)
    times = times[((times < 3000) | (times > 3400)) & ((times < 9000) | (times > 9100))]
    noise = np.random.default_rng(seed).standard_normal(len(times))

    doubts = []
    for noise_v in (0.0002, 0.0003, 0.0005, 0.001, 0.002, 0.004, 0.008):
        volts = truth.voltage(times) + noise_v * noise
        found, _ = found_in(write_log(tmp_path / f"{noise_v}.csv", times, volts, truth.current(times)), 3.2)
        doubts.append([found[name].standard_uncertainty for name in ("runtime", "capacity", "energy")])

    assert (np.diff(np.log(doubts), axis=0) > -0.1).all()


@settings(max_examples=15, deadline=None)
@given(share=st.floats(0.1, 3), start_s=st.floats(0, 1e5))
def test_capacity_follows_the_current_and_the_start_of_the_clock_does_not_matter(share, start_s, tmp_path_factory):
    """Property: the same voltages, the current scaled and the clock shifted."""
    times = np.arange(0, 16_000.0, 40)
    volts, amperes = Discharge().voltage(times), Discharge().current(times)
    folder = tmp_path_factory.mktemp("log")

    plain, _ = found_in(write_log(folder / "plain.csv", times, volts, amperes), 3.2)
    changed, _ = found_in(write_log(folder / "changed.csv", times + start_s, volts, share * amperes), 3.2)

    assert changed["runtime"].value == pytest.approx(plain["runtime"].value, abs=0.01)
    assert changed["capacity"].value == pytest.approx(share * plain["capacity"].value, rel=1e-4)


def real_columns(name):
    if not (REAL / name).exists():
        pytest.skip("the real logs lie in ../shared/data, which is not here")
    columns = read_table(REAL / name, name=name, role="scene", sha256="").columns
    return columns["test_time_second"], columns["voltage_volt"], columns["current_ampere"]


@pytest.mark.parametrize(("thinned", "hours", "tolerance_h"), [(1, 23.2534, 0.0002), (30, 23.2502, 0.004)])
def test_a_real_slow_discharge_gives_its_charge_and_runtime(tmp_path, thinned, hours, tolerance_h):
    """Real log (Battery Data Alliance examples, Apache-2.0): 3.855171 Ah, 14.8003 Wh, 3.2 V at 23.2534 h."""
    times, volts, amperes = real_columns("cell-21700-c30-25degC.csv")
    whole = write_log(tmp_path / "a.csv", times[::thinned], volts[::thinned], amperes[::thinned])

    found, _ = found_in(whole, 3.2)

    assert found["runtime"].value / 60 == pytest.approx(hours, abs=tolerance_h + 2 * (thinned > 1) * 300 / 3600)
    if thinned == 1:
        found, _ = found_in(whole, 3.0)
        assert found["capacity"].value == pytest.approx(3855.171, abs=0.05)
        assert found["energy"].value == pytest.approx(14.8003, abs=0.0005)


def test_a_real_log_with_a_broken_clock_is_refused_by_name_of_the_jump(tmp_path):
    """Real log (the same source): its clock jumps; naive sums give 137 to 997 Ah for a pack of 10 Ah."""
    times, volts, amperes = real_columns("pack-10ah-broken-clock.csv")

    with pytest.raises(UnusableInput, match="clock jumps after row 722"):
        found_in(write_log(tmp_path / "a.csv", times, volts, amperes), 3.1)


def test_clock_times_give_the_middle_between_the_last_two_looks():
    """GUM 4.3.7 (from memory): the end is anywhere in the polling interval; over midnight the day is added."""
    measured = measure("battery", {}, {"start": "20:00", "end": "04:30", "polling_interval_min": "10"})

    runtime = measured.results[0].quantity
    assert runtime.value == pytest.approx(510 - 5)
    assert runtime.standard_uncertainty == pytest.approx(10 / 12**0.5)


def test_runs_that_agree_keep_the_uncertainty_of_the_polling():
    found = measure("battery", {}, {"runtime_min": ["300", "300", "300"], "polling_interval_min": 10}).results[0]

    assert found.quantity.standard_uncertainty == pytest.approx(10 / 12**0.5)


@pytest.mark.parametrize("options", [{}, {"start": "12:00"}, {"start": "noon", "end": "13:00"}])
def test_incomplete_clock_times_are_told(options):
    with pytest.raises(UnusableInput):
        measure("battery", {}, options)
