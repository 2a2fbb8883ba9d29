"""What a plan lets through, compared with published points, handbook lists, counting by hand and its own inverse."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.judge.characteristic import (
    CURVE_PROBABILITIES,
    WrongVerdicts,
    average_outgoing_quality,
    average_total_inspection,
    lot_acceptance,
    process_acceptance,
    process_quality,
    rate_interval,
    risk_points,
)
from inspect_app.judge.sampling import single_plan
from inspect_app.model import Edition, SamplingPlan, Stringency


def plan_of(size, acceptance, *, rejection=None, counts_nonconformities=False):
    return SamplingPlan(
        code_letter="",
        final_letter="",
        size=size,
        acceptance_number=acceptance,
        rejection_number=acceptance + 1 if rejection is None else rejection,
        counts_nonconformities=counts_nonconformities,
    )


# Plan (letter/AQL), n, Ac, and the percent nonconforming at 99, 95, 90, 75, 50, 25, 10, 5, 1 % accepted. J/0.15, 0.65,
# 1.0 and F/0.65, 2.5, 4.0 agree with MIL-STD-105E, Tables X-J-1 and X-F-1, as far as these were recalled (54
# values, within 0.36 %); the others were computed with another library.
PUBLISHED = [
    ("F/0.65", 20, 0, (0.0502, 0.256, 0.525, 1.43, 3.41, 6.7, 10.9, 13.9, 20.6)),
    ("F/2.5", 20, 1, (0.759, 1.81, 2.69, 4.81, 8.25, 12.9, 18.1, 21.6, 28.9)),
    ("F/4.0", 20, 2, (2.27, 4.22, 5.64, 8.7, 13.2, 18.7, 24.5, 28.3, 35.8)),
    ("G/1.5", 32, 1, (0.471, 1.12, 1.67, 3.01, 5.19, 8.2, 11.6, 14, 19)),
    ("G/4.0", 32, 3, (2.67, 4.38, 5.57, 7.98, 11.4, 15.4, 19.7, 22.5, 28.1)),
    ("H/1.0", 50, 1, (0.3, 0.715, 1.07, 1.92, 3.33, 5.29, 7.56, 9.14, 12.6)),
    ("H/2.5", 50, 3, (1.68, 2.78, 3.54, 5.09, 7.29, 10, 12.9, 14.8, 18.7)),
    ("J/0.15", 80, 0, (0.0126, 0.0641, 0.132, 0.359, 0.863, 1.72, 2.84, 3.67, 5.59)),
    ("J/0.65", 80, 1, (0.187, 0.446, 0.667, 1.2, 2.09, 3.33, 4.78, 5.79, 8.01)),
    ("J/1.0", 80, 2, (0.55, 1.03, 1.39, 2.16, 3.33, 4.84, 6.52, 7.66, 10.1)),
    ("J/1.5", 80, 3, (1.04, 1.73, 2.2, 3.18, 4.57, 6.3, 8.16, 9.41, 12)),
    ("J/2.5", 80, 5, (2.28, 3.32, 3.99, 5.3, 7.06, 9.14, 11.3, 12.7, 15.6)),
    ("J/4.0", 80, 7, (3.73, 5.07, 5.91, 7.5, 9.55, 11.9, 14.3, 15.8, 18.9)),
    ("J/6.5", 80, 10, (6.17, 7.91, 8.95, 10.9, 13.3, 16, 18.6, 20.3, 23.6)),
    ("J/10", 80, 14, (9.76, 11.9, 13.2, 15.5, 18.3, 21.3, 24.2, 26, 29.5)),
    ("K/1.0", 125, 3, (0.664, 1.1, 1.4, 2.03, 2.93, 4.05, 5.27, 6.09, 7.81)),
    ("L/1.0", 200, 5, (0.9, 1.31, 1.58, 2.11, 2.83, 3.69, 4.59, 5.18, 6.42)),
    ("E/1.0", 13, 0, (0.0773, 0.394, 0.807, 2.19, 5.19, 10.1, 16.2, 20.6, 29.8)),
    ("D/1.5", 8, 0, (0.126, 0.639, 1.31, 3.53, 8.3, 15.9, 25, 31.2, 43.8)),
    ("C/2.5", 5, 0, (0.201, 1.02, 2.08, 5.59, 12.9, 24.2, 36.9, 45.1, 60.2)),
    ("B/4.0", 3, 0, (0.335, 1.7, 3.45, 9.14, 20.6, 37, 53.6, 63.2, 78.5)),
    ("A/6.5", 2, 0, (0.501, 2.53, 5.13, 13.4, 29.3, 50, 68.4, 77.6, 90)),
    ("K/0.10", 125, 0, (0.00804, 0.041, 0.0843, 0.23, 0.553, 1.1, 1.82, 2.37, 3.62)),
    ("N/0.65", 500, 7, (0.584, 0.799, 0.933, 1.19, 1.53, 1.93, 2.34, 2.61, 3.17)),
    ("E/4.0", 13, 1, (1.18, 2.81, 4.17, 7.41, 12.6, 19.4, 26.8, 31.6, 41.3)),
]


@pytest.mark.parametrize(("name", "size", "acceptance", "percents"), PUBLISHED)
def test_the_curve_goes_through_the_published_points(name, size, acceptance, percents):
    """Truth: MIL-STD-105E, Table X, three digits."""
    qualities = process_quality(plan_of(size, acceptance), CURVE_PROBABILITIES)

    assert [100 * quality for quality in qualities] == pytest.approx(percents, rel=0.005)


def test_the_points_of_a_plan_belong_to_the_plan_of_the_tables():
    for name, size, acceptance, _ in PUBLISHED:
        letter, aql = name.split("/")
        lot = {"A": 2, "B": 9, "C": 16, "D": 26, "E": 51, "F": 91, "G": 151, "H": 281, "J": 501, "K": 1201}.get(letter)
        if lot is not None:
            plan = single_plan(lot, "II", float(aql))

            assert (plan.final_letter, plan.size, plan.acceptance_number) == (letter, size, acceptance)


def test_a_handbook_list_of_a_curve_is_met():
    """Truth: NIST/SEMATECH e-Handbook, 6.2.3.2, n = 52, c = 3, from memory; it cuts, not rounds, the third digit."""
    listed = (0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115)

    accepted = process_acceptance(plan_of(52, 3), [percent / 100 for percent in range(1, 13)])

    assert accepted == pytest.approx(listed, abs=0.001)


def test_a_handbook_list_of_total_inspection_is_met():
    """Truth: NIST/SEMATECH e-Handbook, 6.2.3.2, N = 10 000, n = 52, c = 3, from memory, whole devices."""
    listed = (70, 253, 753, 1584, 2655, 3836, 5007, 6083, 7012, 7779, 8388, 8854, 9201, 9453)

    inspected = average_total_inspection(plan_of(52, 3), 10_000, [percent / 100 for percent in range(1, 15)])

    assert inspected == pytest.approx(listed, abs=1)


@pytest.mark.parametrize(
    ("acceptance", "at_95", "at_50", "at_10"),
    [(0, 0.05129, 0.69315, 2.30259), (1, 0.35536, 1.67835, 3.88972), (2, 0.81769, 2.67406, 5.32232),
     (3, 1.36632, 3.67206, 6.68078), (5, 2.61301, 5.67016, 9.27467)],
)  # fmt: skip
def test_counting_nonconformities_has_the_unity_values(acceptance, at_95, at_50, at_10):
    """Truth: n p at 95, 50 and 10 % accepted, Cameron's table of unity values (1952), from memory."""
    points = risk_points(plan_of(100, acceptance, counts_nonconformities=True))

    unity = [100 * one for one in (points.producer_quality, points.indifference_quality, points.consumer_quality)]
    assert unity == pytest.approx((at_95, at_50, at_10), abs=6e-5)


@pytest.mark.parametrize(
    ("lot", "size", "acceptance", "bad", "accepted", "of_process"),
    [(50, 8, 0, 2, 0.7029, 0.7214), (90, 13, 1, 4, 0.9018, 0.8886),
     (150, 20, 1, 6, 0.8175, 0.8103), (500, 50, 3, 25, 0.7671, 0.7604)],
)  # fmt: skip
def test_the_lot_at_hand_is_not_a_process(lot, size, acceptance, bad, accepted, of_process):
    """Truth: the hypergeometric and the binomial sum, computed with another library."""
    plan = plan_of(size, acceptance)

    assert lot_acceptance(plan, lot, [bad])[0] == pytest.approx(accepted, abs=6e-5)
    assert process_acceptance(plan, [bad / lot])[0] == pytest.approx(of_process, abs=6e-5)


@pytest.mark.parametrize(("lot", "size", "acceptance"), [(7, 3, 0), (8, 4, 1), (8, 8, 2), (6, 5, 3)])
def test_the_lot_is_accepted_as_often_as_samples_taken_one_by_one_say(lot, size, acceptance):
    """Truth: all samples of a small lot, counted."""
    for bad in range(lot + 1):
        samples = list(itertools.combinations([True] * bad + [False] * (lot - bad), size))
        good = sum(sum(sample) <= acceptance for sample in samples)

        assert lot_acceptance(plan_of(size, acceptance), lot, [bad]) == (good / len(samples),)


def test_a_lot_larger_than_any_is_still_answered_exactly():
    """Truth: two of a million, 1000 drawn: none is found with C(999998, 1000) / C(1000000, 1000)."""
    expected = (999_000 * 998_999) / (1_000_000 * 999_999)

    assert lot_acceptance(plan_of(1000, 0), 1_000_000, [2])[0] == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("fraction", "false_reject", "false_accept", "seen", "accepted_2", "accepted_0"),
    [(0.01, 0, 0, 0.01, 0.9534, 0.4475), (0.01, 0.03, 0.05, 0.0392, 0.3886, 0.0408),
     (0.01, 0.01, 0.05, 0.0194, 0.7968, 0.2086), (0.005, 0.02, 0.1, 0.0244, 0.6898, 0.1386)],
)  # fmt: skip
def test_wrong_verdicts_move_the_curve(fraction, false_reject, false_accept, seen, accepted_2, accepted_0):
    """Truth: p (1 - PFA) + (1 - p) PFR in the binomial sum, computed with another library."""
    wrong = WrongVerdicts(false_reject=false_reject, false_accept=false_accept)

    assert wrong.fraction_seen(fraction) == pytest.approx(seen, abs=6e-5)
    assert process_acceptance(plan_of(80, 2), [fraction], wrong)[0] == pytest.approx(accepted_2, abs=6e-5)
    assert process_acceptance(plan_of(80, 0), [fraction], wrong)[0] == pytest.approx(accepted_0, abs=6e-5)


def test_the_gap_of_the_older_reduced_inspection_accepts_the_lot():
    """Truth: MIL-STD-105E, 4.7.4: between Ac and Re the lot is accepted, and normal inspection follows."""
    plan = single_plan(1000, "II", 0.65, Stringency.REDUCED, Edition.MIL_STD_105E)

    accepted = process_acceptance(plan, [0.02])[0]

    assert (plan.size, plan.acceptance_number, plan.rejection_number) == (32, 0, 2)
    assert accepted == pytest.approx(0.98**32 + 32 * 0.02 * 0.98**31, rel=1e-12)


def test_screening_rejected_lots_lets_less_leave_than_came():
    """Truth: p P_a (N - n) / N with right verdicts; with false accepts alone and every device inspected, p PFA."""
    plan = plan_of(80, 2)
    accepted = process_acceptance(plan, [0.01])[0]

    assert average_outgoing_quality(plan, 1000, [0.01])[0] == pytest.approx(0.01 * accepted * 0.92, rel=1e-12)
    everything = average_outgoing_quality(plan_of(1000, 2), 1000, [0.01], WrongVerdicts(false_accept=0.1))
    assert everything[0] == pytest.approx(0.001, rel=1e-12)


plans = st.builds(plan_of, st.integers(1, 500), st.integers(0, 50))
fractions = st.floats(0, 1)


@given(plan=plans, one=fractions, other=fractions)
def test_worse_quality_is_never_accepted_more_often(plan, one, other):
    better, worse = process_acceptance(plan, sorted((one, other)))

    assert better >= worse - 1e-12


@given(plan=plans, probability=st.floats(0.001, 0.999))
def test_the_quality_of_a_probability_has_that_probability(plan, probability):
    quality = process_quality(plan, [probability])

    if plan.accepts_up_to < plan.size:
        assert process_acceptance(plan, quality)[0] == pytest.approx(probability, abs=1e-9)


@given(size=st.integers(1, 60), extra=st.integers(0, 60), acceptance=st.integers(0, 8), data=st.data())
@settings(max_examples=60)
def test_a_smaller_acceptance_number_never_accepts_more(size, extra, acceptance, data):
    """Tightening at the same numbers: less allowed, or more looked at, accepts no more of any lot."""
    lot = size + extra
    bad = data.draw(st.integers(0, lot))
    accepted = lot_acceptance(plan_of(size, acceptance + 1), lot, [bad])[0]

    assert lot_acceptance(plan_of(size, acceptance), lot, [bad])[0] <= accepted
    assert lot_acceptance(plan_of(size + 1, acceptance + 1), lot, [bad])[0] <= accepted


@pytest.mark.parametrize(
    ("found", "of", "low", "high"),
    [(10, 100, 0.04900469, 0.17622260), (0, 50, 0, 1 - 0.025 ** (1 / 50)), (50, 50, 0.025 ** (1 / 50), 1)],
)
def test_the_interval_of_a_rate_is_the_exact_one(found, of, low, high):
    """Truth: 10 of 100 from memory of a statistics package's exact binomial test; none and all by algebra."""
    assert rate_interval(found, of) == pytest.approx((low, high), abs=5e-9)


@given(of=st.integers(1, 200), data=st.data())
def test_the_bounds_of_a_rate_leave_a_fortieth_on_each_side(of, data):
    """Truth: the definition by Clopper and Pearson (1934), summed."""
    found = data.draw(st.integers(0, of))
    low, high = rate_interval(found, of)

    def tail(rate, counts):
        return math.fsum(math.comb(of, count) * rate**count * (1 - rate) ** (of - count) for count in counts)

    if found:
        assert tail(low, range(found, of + 1)) == pytest.approx(0.025, rel=1e-6)
    if found < of:
        assert tail(high, range(found + 1)) == pytest.approx(0.025, rel=1e-6)


def test_what_no_plan_or_rate_can_be_is_refused():
    with pytest.raises(ValueError, match="11 of 10"):
        rate_interval(11, 10)
    with pytest.raises(ValueError, match="6 of 5"):
        lot_acceptance(plan_of(2, 0), 5, [6])
    with pytest.raises(ValueError, match="no probabilities"):
        WrongVerdicts(false_reject=1.2)


def by_drawing(plan, lot_size, bad, wrong, lots=40_000):
    """Return how many of many lots are accepted, drawn and judged at random as the definition says."""
    chance = np.random.default_rng(5)
    found = chance.hypergeometric(bad, lot_size - bad, plan.size, lots)
    seen = chance.binomial(found, 1 - wrong.false_accept) + chance.binomial(plan.size - found, wrong.false_reject)
    return float(np.mean(seen <= plan.accepts_up_to))


@pytest.mark.parametrize(("reject", "accept"), [(0.03, 0.05), (0.01, 0.05), (0.02, 0.10), (0.0, 1.0), (1.0, 0.0)])
@pytest.mark.parametrize(("lot", "level", "aql"), [(60, "II", 4.0), (1000, "II", 1.0)])
def test_a_lot_is_accepted_as_often_as_wrong_verdicts_let_it_be(lot, level, aql, reject, accept):
    """Definition: d of a hypergeometric draw, seen as B(d, 1 - PFA) + B(n - d, PFR); truth by 40 000 drawn lots."""
    plan, wrong = single_plan(lot, level, aql), WrongVerdicts(false_reject=reject, false_accept=accept)

    for bad in (0, lot // 20, lot):
        [found] = lot_acceptance(plan, lot, [bad], wrong)

        assert found == pytest.approx(by_drawing(plan, lot, bad, wrong), abs=0.012)  # four spreads of 40 000 trials


@settings(max_examples=30)
@given(st.integers(20, 300), st.data())
def test_verdicts_that_are_nearly_never_wrong_change_a_lot_next_to_nothing(lot, data):
    size = data.draw(st.integers(1, lot))
    plan = plan_of(size, data.draw(st.integers(0, size - 1)))
    bad = data.draw(st.integers(0, lot))

    nearly = lot_acceptance(plan, lot, [bad], WrongVerdicts(false_reject=1e-12))

    assert nearly == pytest.approx(lot_acceptance(plan, lot, [bad]), abs=1e-8)
