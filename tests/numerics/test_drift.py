"""Drift on series whose course is known, by hand and in simulated fleets."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.numerics.drift import DatedResult, course, find_change, reach, since


def series(values: Sequence[float], doubt: float = 0.5, times: Sequence[float] | None = None) -> list[DatedResult]:
    """Return results at times 0, 1, 2 … of equal doubt."""
    return [
        DatedResult(time=time, value=value, standard_uncertainty=doubt)
        for time, value in zip(times or range(len(values)), values, strict=True)
    ]


def simulated(
    random: np.random.Generator, count: int, slope: float, scatter: float = 0.0, step: float = 0.0
) -> list[DatedResult]:
    """Return results at random times with doubts that differ by a factor of four."""
    times = np.sort(random.uniform(0, 5, count))
    doubts = np.exp(random.uniform(-0.7, 0.7, count))
    values = 40 + slope * times + step * (times > 2.5) + random.normal(size=count) * np.hypot(doubts, scatter)
    return [DatedResult(time=t, value=v, standard_uncertainty=u) for t, v, u in zip(times, values, doubts, strict=True)]


def test_a_line_by_hand() -> None:
    """Values 1, 2, 4, 5 at 0 to 3 with u = 1: slope 1.4, its u = 1 / √5, the level 3 at 1.5, its u = 1 / 2."""
    line = course(series([1, 2, 4, 5], doubt=1.0))

    assert (line.slope, line.at(1.5)) == pytest.approx((1.4, 3.0))
    assert line.slope_uncertainty == pytest.approx(1 / math.sqrt(5))
    assert line.uncertainty_at(1.5) == pytest.approx(0.5)
    assert line.uncertainty_at(3.5) == pytest.approx(math.hypot(0.5, 2 / math.sqrt(5)))


@pytest.mark.parametrize(("count", "scatter"), [(4, 0.0), (8, 0.0), (8, 1.0), (16, 1.0), (16, 3.0)])
def test_the_interval_of_the_slope_holds_a_known_drift(count: int, scatter: float) -> None:
    """Of 300 fleets 279 to 300: 95 % with three binomial deviations below."""
    random = np.random.default_rng(count)
    lines = [course(simulated(random, count, -1.5, scatter)) for _ in range(300)]

    held = sum(abs(line.slope + 1.5) <= line.coverage_factor * line.slope_uncertainty for line in lines)

    assert held >= 273


def test_a_steady_fleet_drifts_as_seldom_as_said() -> None:
    """One series in twenty at most: of 300 at most 26 (15 and three binomial deviations)."""
    random = np.random.default_rng(7)

    found = sum(course(simulated(random, 8, 0.0)).drifts for _ in range(300))

    assert found <= 26


def test_the_time_to_a_limit_is_held() -> None:
    """40 - 1.5 t meets 20 after 13.33; of those foretold 93 of 100 hold it."""
    random = np.random.default_rng(11)
    foretold = [found for _ in range(200) if (found := reach(course(simulated(random, 10, -1.5)), 20.0, now=5.0))]

    held = sum(found.earliest <= 40 / 3 <= found.latest for found in foretold)

    assert len(foretold) > 100
    assert held >= 0.93 * len(foretold)


def test_a_limit_is_met_where_the_band_of_the_line_holds_it() -> None:
    """Both ends of the interval lie where level ± k u is the limit (Fieller)."""
    line = course(series([10, 9.2, 8.1, 6.9, 6.1], doubt=0.1))

    found = reach(line, 2.0, now=4.0)

    assert found is not None
    for time in (found.earliest, found.latest):
        assert abs(line.at(time) - 2.0) == pytest.approx(line.coverage_factor * line.uncertainty_at(time))
    assert found.earliest < found.expected < found.latest


@pytest.mark.parametrize("limit", [20.0, 9.0])
def test_a_limit_behind_or_already_passed_is_not_foretold(limit: float) -> None:
    assert reach(course(series([10, 9.2, 8.1, 6.9, 6.1], doubt=0.1)), limit, now=4.0) is None


def test_what_does_not_drift_meets_nothing() -> None:
    assert reach(course(series([10, 9.9, 10.1, 10.0], doubt=0.3)), 2.0, now=4.0) is None


def test_a_change_is_found_where_it_is() -> None:
    """A step of 4 between times 5 and 6, with u = 0.5."""
    random = np.random.default_rng(3)
    values = [10 + 4 * (time > 5) + random.normal(0, 0.3) for time in range(12)]

    change = find_change(series(values))

    assert change is not None
    assert (change.after, change.before) == (5, 6)
    assert abs(change.step - 4) <= 3 * change.step_uncertainty
    assert change.chance <= 0.01
    assert [result.time for result in since(series(values), change)] == [6, 7, 8, 9, 10, 11]


@pytest.mark.parametrize("scatter", [0.0, 3.0])
def test_steady_series_seldom_raise_a_false_alarm(scatter: float) -> None:
    """At most 1 in 100: of 300 series 10 at most (3 and four binomial deviations), whatever else scatters."""
    random = np.random.default_rng(5)

    alarms = sum(find_change(simulated(random, 9, -0.8, scatter)) is not None for _ in range(300))

    assert alarms <= 10


def test_a_steady_drift_is_no_change() -> None:
    assert find_change(series([20 - 1.5 * time for time in range(14)])) is None


def test_four_results_show_no_change() -> None:
    assert find_change(series([1, 1, 9, 9])) is None


def test_results_of_one_day_show_no_drift() -> None:
    with pytest.raises(NothingToMeasure):
        course(series([1, 2, 3], times=[2.0, 2.0, 2.0]))


def test_two_results_show_no_drift() -> None:
    with pytest.raises(NothingToMeasure):
        course(series([1, 2]))


@given(st.integers(0, 10_000), st.floats(0.1, 10), st.floats(-50, 50))
def test_another_clock_shows_the_same_drift(seed: int, pace: float, start: float) -> None:
    results = simulated(np.random.default_rng(seed), 6, 0.5)
    moved = [
        DatedResult(time=start + pace * r.time, value=r.value, standard_uncertainty=r.standard_uncertainty)
        for r in results
    ]

    here, there = course(results), course(moved)

    assert there.slope * pace == pytest.approx(here.slope, rel=1e-4, abs=1e-6)
    assert there.slope_uncertainty * pace == pytest.approx(here.slope_uncertainty, rel=1e-4)


def test_a_result_without_doubt_is_refused() -> None:
    with pytest.raises(UnusableInput):
        course(series([1, 2, 3], doubt=0.0))
