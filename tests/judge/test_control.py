"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods, chapter 6."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.judge.control import ControlLimits, Rule, limits_from, signals, weighted_means

UNIT = ControlLimits(centre=0.0, sigma=1.0)
FLOW_RATES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
# fmt: off
SMOOTHED = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
    53.6, 52.1,
)
PRINTED_MEANS = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
    49.92, 50.73, 51.23, 51.94, 51.99,
)
# fmt: on


def rules_at(values: list[float], index: int) -> set[Rule]:
    """Return the rules broken at one place of a series about 0 with sigma 1."""
    return {signal.rule for signal in signals(values, UNIT) if signal.index == index}


def test_limits_of_individuals_are_those_of_the_handbook() -> None:
    """Section 6.3.2.2: flow rates of ten batches, centre 50.81, limits 45.8159 and 55.8041, mean range 1.8778.

    The handbook takes d2 = 1.128; exactly it is 1.12838, which moves the limits by 0.002.
    """
    limits = limits_from(FLOW_RATES)

    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.lower == pytest.approx(45.8159, abs=2e-3)
    assert limits.upper == pytest.approx(55.8041, abs=2e-3)
    assert limits.upper_range == pytest.approx(3.267 * 1.8778, abs=2e-3)
    assert signals(FLOW_RATES, limits) == ()


def test_weighted_means_are_those_of_the_handbook() -> None:
    """Section 6.3.2.4: weight 0.3, centre 50, sigma 2.0539; settled limits 47.4115 and 52.5884, in control."""
    limits = ControlLimits(centre=50.0, sigma=2.0539)

    means = weighted_means(SMOOTHED, 50.0)

    np.testing.assert_allclose(means, PRINTED_MEANS, atol=0.0051)
    assert 50 + limits.width_of_mean(1000) == pytest.approx(52.5884, abs=5e-4)
    assert 50 - limits.width_of_mean(1000) == pytest.approx(47.4115, abs=5e-4)
    assert Rule.WEIGHTED_MEAN not in {signal.rule for signal in signals(SMOOTHED, limits)}


@pytest.mark.parametrize("sign", [1, -1])
def test_each_rule_signals_where_it_is_completed(sign: int) -> None:
    assert Rule.BEYOND_THREE in rules_at([0.0, sign * 3.01], 1)
    assert Rule.BEYOND_THREE not in rules_at([0.0, sign * 3.0], 1)
    assert Rule.TWO_OF_THREE in rules_at([sign * 2.1, 0.0, sign * 2.1], 2)
    assert Rule.TWO_OF_THREE not in rules_at([sign * 2.1, 0.0, -sign * 2.1], 2)
    assert Rule.FOUR_OF_FIVE in rules_at([sign * 1.1, sign * 1.1, 0.0, sign * 1.1, sign * 1.1], 4)
    assert Rule.FOUR_OF_FIVE not in rules_at([sign * 1.1, sign * 1.1, 0.0, 0.0, sign * 1.1], 4)
    assert Rule.EIGHT_ON_ONE_SIDE in rules_at([sign * 0.1] * 8, 7)
    assert Rule.EIGHT_ON_ONE_SIDE not in rules_at([sign * 0.1] * 7, 6)
    assert Rule.MOVING_RANGE in rules_at([-sign * 2.0, sign * 2.0], 1)


def test_a_rule_is_completed_only_by_a_value_that_belongs_to_it() -> None:
    """Two high values are no news when the next lies at the centre."""
    assert rules_at([2.1, 2.1, 0.1], 2) <= {Rule.WEIGHTED_MEAN}


def test_a_small_lasting_step_shows_in_the_weighted_mean_first() -> None:
    """One and a half sigma: no single value is odd, the weighted mean soon is."""
    values = [0.0] * 5 + [1.5] * 10

    first = next(signal for signal in signals(values, UNIT) if signal.rule is Rule.WEIGHTED_MEAN)

    assert first.index < 12
    assert not any(signal.rule is Rule.BEYOND_THREE for signal in signals(values, UNIT))


def test_a_bench_in_control_signals_as_seldom_as_published() -> None:
    """Mean run length of the four zone rules: 91.75 (Champ and Woodall 1987); 400 runs tell it to about 4.5."""
    zones = {Rule.BEYOND_THREE, Rule.TWO_OF_THREE, Rule.FOUR_OF_FIVE, Rule.EIGHT_ON_ONE_SIDE}
    random = np.random.default_rng(1987)
    lengths = []
    for _ in range(400):
        values = random.normal(size=900).tolist()
        lengths.append(next((s.index + 1 for s in signals(values, UNIT) if s.rule in zones), 900))

    assert np.mean(lengths) == pytest.approx(91.75, abs=13)


@given(st.lists(st.floats(-5, 5), max_size=20), st.floats(0.1, 10), st.floats(-100, 100))
def test_another_unit_signals_the_same(values: list[float], sigma: float, centre: float) -> None:
    rounded = [round(value, 1) + 0.05 for value in values]  # away from the limits, where rounding decides

    here = signals(rounded, UNIT)
    there = signals([centre + sigma * value for value in rounded], ControlLimits(centre=centre, sigma=sigma))

    assert {s for s in here if s.rule is not Rule.WEIGHTED_MEAN} == {
        s for s in there if s.rule is not Rule.WEIGHTED_MEAN
    }


@pytest.mark.parametrize("values", [[1.0] * 9, [1.0] * 12])
def test_too_few_or_too_coarse_results_set_no_limits(values: list[float]) -> None:
    with pytest.raises(NothingToMeasure):
        limits_from(values)


def test_a_result_that_is_no_number_sets_no_limits() -> None:
    with pytest.raises(UnusableInput):
        limits_from([float("nan"), *FLOW_RATES])
