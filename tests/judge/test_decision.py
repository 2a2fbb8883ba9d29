"""One result against one limit: published and computed vectors, boundaries, and what must hold for any result.

Vectors: JCGM 106:2012, 7.3 (breaking strength, Zener voltage) and ILAC-G8:09/2019, Table 1, both from memory and
computed anew; the others from algebra, by hand or with scipy.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from inspect_app.errors import UnusableInput
from inspect_app.judge import decide, demand_in_words, device_verdict, probability_of_conformity
from inspect_app.model import DecisionRule, Finding, Limit, Outcome
from inspect_app.quantity import UNITS, Quantity

SIMPLE, GUARDED = DecisionRule.SIMPLE, DecisionRule.GUARDED
GUARDING = tuple(rule for rule in DecisionRule if rule is not SIMPLE)
OF_THREE_ZONES = (SIMPLE, GUARDED, DecisionRule.ISO14253_BUYER, DecisionRule.ISO14253_SUPPLIER)
BEST_FIRST = (
    Finding.CONFORMING,
    Finding.CONDITIONAL_PASS,
    Finding.INCONCLUSIVE,
    Finding.CONDITIONAL_FAIL,
    Finding.NONCONFORMING,
)

values = st.floats(-1e6, 1e6)
uncertainties = st.floats(0, 1e5)
freedoms = st.one_of(st.none(), st.integers(1, 60))
rules = st.sampled_from(DecisionRule)


def limit(at_least=None, at_most=None, unit="ms", rule=GUARDED, element=""):
    return Limit(
        clause="4.1",
        title="Demand",
        check="latency",
        quantity_name="latency_half",
        unit=unit,
        at_least=at_least,
        at_most=at_most,
        decision_rule=rule,
        element=element,
        p_min=0.95 if rule is DecisionRule.PROBABILITY else None,
    )


def seen(value, uncertainty=0.0, unit="ms", freedom=None):
    return Quantity(value=value, unit=unit, standard_uncertainty=uncertainty, degrees_of_freedom=freedom)


@st.composite
def limits(draw, rule=None):
    bounds = sorted([draw(values), draw(values)])
    kind = draw(st.sampled_from(["lower", "upper", "both"]))
    return limit(
        at_least=None if kind == "upper" else bounds[0],
        at_most=None if kind == "lower" else bounds[1],
        rule=rule or draw(rules),
    )


@pytest.mark.parametrize(
    ("value", "finding", "probability"),
    [
        (44.0, Finding.CONFORMING, 0.9987),
        (46.0, Finding.CONFORMING, 0.9772),
        (49.0, Finding.INCONCLUSIVE, 0.6915),
        (50.0, Finding.INCONCLUSIVE, 0.5),
        (54.0, Finding.INCONCLUSIVE, 0.0228),
        (56.0, Finding.NONCONFORMING, 0.0013),
    ],
)
def test_d08_latency_against_50_ms_with_a_guard_band_of_4_ms(value, finding, probability):
    """Four zones as ILAC-G8:09/2019, 4.2.3; both conditional ones are held. Probabilities by scipy."""
    judgement = decide(seen(value, 2), limit(at_most=50))

    assert judgement.finding is finding
    assert judgement.acceptance_at_most == 46
    assert judgement.guard_band == 4
    assert judgement.margin == pytest.approx(46 - value)
    assert judgement.probability_of_conformity == pytest.approx(probability, abs=1e-4)


@pytest.mark.parametrize(("value", "finding"), [(50.0, Finding.CONFORMING), (50.0001, Finding.NONCONFORMING)])
def test_the_simple_rule_takes_the_result_as_it_is(value, finding):
    judgement = decide(seen(value, 2), limit(at_most=50, rule=SIMPLE))

    assert judgement.finding is finding
    assert judgement.guard_band == 0
    assert judgement.acceptance_at_most == 50


def test_d01_breaking_strength():
    """JCGM 106:2012, 7.3: y = 509.7, u = 8.6, lower limit 490 gives 0.99."""
    assert probability_of_conformity(seen(509.7, 8.6), limit(at_least=490)) == pytest.approx(0.99, abs=0.005)


def test_d02_zener_voltage_is_negative_and_stays_so():
    """JCGM 106:2012, 7.3: y = -5.47 V, u = 0.05 V, upper limit -5.40 V gives 0.92."""
    judgement = decide(seen(-5.47, 0.05, "V"), limit(at_most=-5.40, unit="V", rule=SIMPLE))

    assert judgement.finding is Finding.CONFORMING
    assert judgement.probability_of_conformity == pytest.approx(0.92, abs=0.005)


@pytest.mark.parametrize(("z", "probability"), [(1.28, 0.90), (1.64, 0.95), (3.09, 0.999)])
def test_d06_the_table_of_one_sided_guard_bands(z, probability):
    """JCGM 106:2012, table of z for a one-sided limit, printed to two decimals."""
    assert probability_of_conformity(seen(0, 1), limit(at_most=z)) == pytest.approx(probability, abs=0.001)


def test_d07_the_risk_at_the_acceptance_limit_is_below_two_and_a_half_per_cent():
    """ILAC-G8:09/2019, Table 1, guard band U: less than 2.5 % probability of false accept."""
    judgement = decide(seen(46, 2), limit(at_most=50))

    assert judgement.finding is Finding.CONFORMING
    assert 0.02 < 1 - judgement.probability_of_conformity < 0.025


@pytest.mark.parametrize(("value", "probability"), [(72.0, 0.9999), (66.0, 0.825), (60.0, 0.0308)])
def test_d09_resolution_against_a_lower_limit(value, probability):
    """T_L = 64 lp/mm, u = 2.14 lp/mm; computed with scipy."""
    demand = limit(at_least=64, unit="lp/mm")

    assert probability_of_conformity(seen(value, 2.14, "lp/mm"), demand) == pytest.approx(probability, abs=1e-3)


@pytest.mark.parametrize(("uncertainty", "probability"), [(1, 0.9545), (2, 0.6827)])
def test_d10_two_limits_that_the_guard_bands_leave_no_room_between(uncertainty, probability):
    """±2 with u = 1 and 2: 95.45 % and 68.27 % of a normal distribution lie inside ±2 and ±1 of its spreads."""
    demand = limit(at_least=-2, at_most=2, unit="%")

    judgement = decide(seen(0.1, uncertainty, "%"), demand)

    assert judgement.finding is Finding.INCONCLUSIVE
    assert "no room between the limits" in judgement.reason
    assert probability_of_conformity(seen(0, uncertainty, "%"), demand) == pytest.approx(probability, abs=1e-4)


def test_d15_few_repeats_spread_as_student_s_t():
    """With y = 46, u = 2 of 4 degrees of freedom, upper limit 50: 0.942, where the normal would say 0.977."""
    judgement = decide(seen(46, 2, freedom=4), limit(at_most=50))

    assert judgement.probability_of_conformity == pytest.approx(0.9419, abs=1e-4)
    assert judgement.guard_band == pytest.approx(2 * 2.8693, abs=1e-3)
    assert judgement.finding is Finding.INCONCLUSIVE


@pytest.mark.parametrize(
    ("value", "at_most", "uncertainty"), [(0.1 + 0.2, 0.3, 0.0), (0.7, 0.8, 0.05), (46.0, 50, 2.0), (1.1 * 3, 3.3, 0.0)]
)
def test_a_result_on_the_acceptance_limit_is_accepted_whatever_the_rounding_of_floats(value, at_most, uncertainty):
    assert decide(seen(value, uncertainty), limit(at_most=at_most)).finding is Finding.CONFORMING


def test_a_result_in_another_unit_is_converted():
    judgement = decide(seen(0.044, 0.002, "s"), limit(at_most=50))

    assert judgement.finding is Finding.CONFORMING
    assert judgement.quantity == seen(44, 2)
    assert judgement.margin == pytest.approx(2)


def test_a_result_of_another_dimension_is_refused():
    with pytest.raises(UnusableInput, match="lp/mm measures spatial frequency"):
        decide(seen(44, 2, "lp/mm"), limit(at_most=50))


def test_condition_and_step_are_kept():
    judgement = decide(seen(44), limit(at_most=50), {"mode": "live view"}, "latency.live-view")

    assert judgement.condition == {"mode": "live view"}
    assert judgement.step_id == "latency.live-view"


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (44, "44.0 ± 4.0 ms meets at most 50 ms, its uncertainty allowed for."),
        (49, "49.0 ± 4.0 ms: the limit lies within the uncertainty, so neither can be shown (at most 50 ms)."),
        (56, "56.0 ± 4.0 ms does not meet at most 50 ms, even with its uncertainty allowed for."),
    ],
)
def test_the_reason_gives_result_uncertainty_and_limit(value, words):
    assert decide(seen(value, 2), limit(at_most=50)).reason == words


@pytest.mark.parametrize(
    ("demand", "words"),
    [
        (limit(at_least=2), "at least 2 ms"),
        (limit(at_most=0.005, unit="lx"), "at most 0.005 lx"),
        (limit(at_least=-2, at_most=2, unit="%"), "between \N{MINUS SIGN}2 and 2 %"),
        (limit(at_least=2 ** (37 / 6), unit="lp/mm", element="6,2"), "at least element 6,2 (71.84 lp/mm)"),
    ],
)
def test_a_demand_is_said_in_words(demand, words):
    assert demand_in_words(demand) == words


@pytest.mark.parametrize("bounds", [(None, None), (math.nan, None), (None, math.inf), (3, 2)])
def test_a_limit_without_a_possible_bound_cannot_be_made(bounds):
    with pytest.raises(ValueError, match=r"limit 4\.1"):
        limit(*bounds)


@given(values, uncertainties, st.floats(1, 100), freedoms, st.sampled_from(GUARDING).flatmap(limits))
def test_raising_the_uncertainty_never_turns_a_fail_into_a_pass_under_a_guarded_rule(
    value, uncertainty, factor, freedom, demand
):
    before = decide(seen(value, uncertainty, freedom=freedom), demand).finding
    after = decide(seen(value, uncertainty * factor, freedom=freedom), demand).finding

    if before in (Finding.NONCONFORMING, Finding.CONDITIONAL_FAIL):
        assert after not in (Finding.CONFORMING, Finding.CONDITIONAL_PASS)


@given(values, uncertainties, freedoms, limits())
def test_the_specific_risk_is_that_of_the_decision_taken(value, uncertainty, freedom, demand):
    """JCGM 106:2012, 9.3: conformity of what is rejected, nonconformity of what is not."""
    decided = decide(seen(value, uncertainty, freedom=freedom), demand)
    is_rejected = device_verdict([decided]).outcome is Outcome.REJECTED

    assert decided.specific_risk == pytest.approx(
        decided.probability_of_conformity if is_rejected else 1 - decided.probability_of_conformity, abs=1e-12
    )


@given(values, uncertainties, st.floats(1, 100), freedoms, st.sampled_from(OF_THREE_ZONES).flatmap(limits))
def test_raising_the_uncertainty_never_turns_doubt_into_a_verdict(value, uncertainty, factor, freedom, demand):
    before = decide(seen(value, uncertainty, freedom=freedom), demand).finding
    after = decide(seen(value, uncertainty * factor, freedom=freedom), demand).finding

    assert after is before or after is Finding.INCONCLUSIVE


@given(values, uncertainties, freedoms, limits(), st.floats(0, 1e5))
def test_tightening_a_limit_never_turns_fail_into_pass(value, uncertainty, freedom, demand, by):
    tighter_low = None if demand.at_least is None else demand.at_least + by
    tighter_high = None if demand.at_most is None else demand.at_most - by
    if tighter_low is not None and tighter_high is not None and tighter_low > tighter_high:
        tighter_low = tighter_high = (demand.at_least + demand.at_most) / 2
    tighter = limit(tighter_low, tighter_high, rule=demand.decision_rule)

    before, after = (decide(seen(value, uncertainty, freedom=freedom), one).finding for one in (demand, tighter))

    if demand.decision_rule in (DecisionRule.GUARD_U, DecisionRule.PROBABILITY):
        assert before is Finding.CONFORMING or after is not Finding.CONFORMING
    else:
        assert BEST_FIRST.index(after) >= BEST_FIRST.index(before)


@given(values, uncertainties, freedoms, limits())
def test_upper_and_lower_limits_mirror(value, uncertainty, freedom, demand):
    low = None if demand.at_most is None else -demand.at_most
    high = None if demand.at_least is None else -demand.at_least
    mirrored = limit(low, high, rule=demand.decision_rule)

    one = decide(seen(value, uncertainty, freedom=freedom), demand)
    other = decide(seen(-value, uncertainty, freedom=freedom), mirrored)

    assert other.finding is one.finding
    assert other.margin == pytest.approx(one.margin, rel=1e-9, abs=1e-6)
    assert other.probability_of_conformity == pytest.approx(one.probability_of_conformity, abs=1e-9)


@given(
    st.integers(-10_000, 10_000),
    st.integers(0, 500),
    st.integers(-10_000, 10_000),
    st.sampled_from([(unit, to) for unit in UNITS for to in UNITS if UNITS[unit][0] == UNITS[to][0]]),
    rules,
)
def test_units_of_measurement_do_not_matter(value, uncertainty, bound, units, rule):
    """Whole numbers, so that results often lie exactly on a limit."""
    unit, other = units

    plain = decide(seen(value, uncertainty, unit), limit(at_most=bound, unit=unit, rule=rule))
    converted = decide(seen(value, uncertainty, unit).to(other), limit(at_most=bound, unit=unit, rule=rule))

    assert converted.finding is plain.finding
    assert converted.probability_of_conformity == pytest.approx(plain.probability_of_conformity, abs=1e-6)


@given(values, st.floats(0.001, 1e5), limits())
def test_the_probability_of_conformity_agrees_with_scipy(value, uncertainty, demand):
    low = -math.inf if demand.at_least is None else demand.at_least
    high = math.inf if demand.at_most is None else demand.at_most
    spread = stats.norm(value, uncertainty)

    probability = probability_of_conformity(seen(value, uncertainty), demand)

    assert probability == pytest.approx(spread.cdf(high) - spread.cdf(low), abs=1e-9)


INWARDS = tuple(rule for rule in DecisionRule if rule is not DecisionRule.ISO14253_BUYER)


@given(values, uncertainties, freedoms, st.sampled_from(INWARDS).flatmap(limits))
def test_conforming_means_a_margin_that_is_not_negative(value, uncertainty, freedom, demand):
    judgement = decide(seen(value, uncertainty, freedom=freedom), demand)

    rounding = 1e-12 * (abs(value) + 1e6)
    if judgement.finding is Finding.CONFORMING:
        assert judgement.margin >= -rounding
    else:
        assert judgement.margin < rounding


@pytest.mark.parametrize("uncertainty", [5e-324, 9.276374155575609e-255, 8.348736740018048e-254, 1e-12])
def test_a_value_on_a_limit_is_not_probable_enough_however_small_the_uncertainty(uncertainty):
    """p_c is one half there, whatever the uncertainty; the other limit, 9 ms away, has no part in it."""
    demand = limit(0.0, 9.0, rule=DecisionRule.PROBABILITY)

    assert decide(seen(0.0, uncertainty), demand).finding is Finding.NONCONFORMING
