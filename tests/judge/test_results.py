"""Which results a demand speaks of, and what several of them amount to; figures by hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.judge import StepResults, can_answer, judge_results
from inspect_app.model import (
    DecisionRule,
    Feature,
    Finding,
    Limit,
    Measured,
    Over,
    Result,
    Severity,
    SpotAllowance,
    SpotClass,
)
from inspect_app.quantity import Quantity


def limit(at_least=None, at_most=None, over=Over.WORST, rule=DecisionRule.GUARDED, **condition):
    return Limit(
        clause="4.5",
        title="Latency",
        check="latency",
        quantity_name="latency_half",
        unit="ms",
        at_least=at_least,
        at_most=at_most,
        condition=condition,
        over=over,
        decision_rule=rule,
        severity=Severity.MAJOR,
    )


def result(value, uncertainty=1.0, freedom=None, unit="ms", quantity_name="latency_half", **condition):
    quantity = Quantity(value=value, unit=unit, standard_uncertainty=uncertainty, degrees_of_freedom=freedom)
    return Result(quantity_name=quantity_name, quantity=quantity, condition=condition)


def step(step_id, *results, check="latency", problem=None, features=(), is_done=True, **condition):
    measured = Measured(check=check, method="", results=results, features=features) if is_done else None
    return StepResults(step_id=step_id, check=check, condition=condition, measured=measured, problem=problem)


def judged(demand, *steps):
    return judge_results([demand], [], steps)


def test_the_worst_result_decides():
    """Margins to 50 - 2 ms: 8, 3 and 18 ms."""
    [judgement] = judged(
        limit(at_most=50),
        step("a", result(40), mode="live view"),
        step("b", result(45), result(30), mode="recording"),
    )

    assert judgement.quantity.value == 45
    assert judgement.condition == {"mode": "recording"}
    assert judgement.step_id == "b"
    assert judgement.margin == pytest.approx(3)


def test_a_failure_outweighs_doubt_whatever_its_margin():
    """49 ± 2 is in doubt; 52.5 ± 0.2 fails by less than the doubtful one lacks to pass."""
    [judgement] = judged(limit(at_most=50), step("a", result(49)), step("b", result(50.3, 0.1)))

    assert judgement.finding is Finding.NONCONFORMING
    assert judgement.step_id == "b"


def test_each_result_is_judged_by_itself():
    judgements = judged(
        limit(at_most=50, over=Over.EACH), step("a", result(40), mode="x"), step("b", result(60), mode="y")
    )

    assert [one.finding for one in judgements] == [Finding.CONFORMING, Finding.NONCONFORMING]
    assert [one.step_id for one in judgements] == ["a", "b"]


def test_a_mean_takes_its_uncertainties_as_fully_correlated():
    """(40 + 50) / 2 = 45 ms with u = (1 + 3) / 2 = 2 ms and the fewer of 9 and 5 degrees of freedom."""
    [judgement] = judged(
        limit(at_most=50, over=Over.MEAN),
        step("a", result(40, 1, 9, axis="horizontal"), mode="x"),
        step("b", result(0.050, 0.003, 5, unit="s", axis="vertical"), mode="x"),
    )

    assert judgement.quantity.value == pytest.approx(45)
    assert judgement.quantity.standard_uncertainty == pytest.approx(2)
    assert judgement.quantity.degrees_of_freedom == 5
    assert judgement.condition == {"mode": "x"}
    assert judgement.step_id is None


@given(st.lists(st.floats(0, 100), min_size=1, max_size=6))
def test_a_mean_is_never_surer_than_any_correlation_allows(parts):
    """Independent terms give the root of the sum of squares over n, which fully correlated ones never undercut."""
    steps = [step(f"s{index}", result(10, part)) for index, part in enumerate(parts)]

    [judgement] = judged(limit(at_most=50, over=Over.MEAN), *steps)

    assert judgement.quantity.standard_uncertainty >= math.hypot(*parts) / len(parts) * (1 - 1e-12)


def test_a_limit_speaks_only_of_results_under_its_condition():
    [judgement] = judged(
        limit(at_most=50, mode="live view"),
        step("a", result(40), mode="live view"),
        step("b", result(90), mode="recording"),
    )

    assert judgement.finding is Finding.CONFORMING
    assert judgement.step_id == "a"


def test_a_condition_of_the_result_itself_counts_too():
    [judgement] = judged(
        limit(at_most=50, axis="horizontal"), step("a", result(40, axis="horizontal"), result(90, axis="vertical"))
    )

    assert judgement.quantity.value == 40


def test_the_result_knows_its_condition_better_than_the_step():
    """A horizontal step that was given a vertical edge has no horizontal result."""
    [judgement] = judged(
        limit(at_most=50, axis="horizontal"), step("a", result(40, axis="vertical"), axis="horizontal")
    )

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == "Step a gave no latency half for axis horizontal."


@pytest.mark.parametrize(("nominal", "demanded"), [(1, 1.0), (0.005, 0.005 * (1 + 1e-12)), (0.1 + 0.2, 0.3)])
def test_numbers_of_conditions_agree_but_for_rounding(nominal, demanded):
    assert can_answer(limit(at_most=50, illuminance_lx=demanded), "latency", {"illuminance_lx": nominal})


def test_a_text_is_no_number():
    assert not can_answer(limit(at_most=50, level=1), "latency", {"level": "1"})


def test_a_step_without_a_result_is_not_passed_over():
    [judgement] = judged(limit(at_most=50), step("a", result(40), mode="x"), step("b", is_done=False, mode="y"))

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == "Step b has no result yet."
    assert judgement.step_id == "b"
    assert judgement.condition == {"mode": "y"}


def test_a_step_with_a_problem_is_not_judged_whatever_it_measured():
    [judgement] = judged(limit(at_most=50), step("a", result(40), problem="The meter is past its calibration"))

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == "Step a: The meter is past its calibration."
    assert judgement.quantity is None


def test_a_step_that_gave_another_quantity_only_is_not_passed_over():
    [judgement] = judged(
        limit(at_most=50), step("a", result(40)), step("b", result(40, quantity_name="latency_frames"))
    )

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == "Step b gave no latency half."


def test_a_failure_is_told_even_while_another_step_is_missing():
    [judgement] = judged(limit(at_most=50), step("a", result(60)), step("b", is_done=False))

    assert judgement.finding is Finding.NONCONFORMING


def test_a_mean_needs_all_its_results():
    [judgement] = judged(limit(at_most=50, over=Over.MEAN), step("a", result(60)), step("b", is_done=False))

    assert judgement.finding is Finding.NOT_MEASURED


def test_over_each_a_missing_step_has_its_own_judgement():
    judgements = judged(limit(at_most=50, over=Over.EACH), step("a", result(40)), step("b", is_done=False))

    assert [one.finding for one in judgements] == [Finding.CONFORMING, Finding.NOT_MEASURED]


def test_a_limit_that_no_step_answers_is_not_measured():
    [judgement] = judged(limit(at_most=50), step("a", result(40), check="readout"))

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == "No step of the form measures it."


SPOTS = SpotAllowance(
    clause="4.7",
    title="Spots",
    check="blemish",
    classes=(SpotClass(larger_than_mm=0.1, at_most_mm=None, allowed=(0,)),),
    condition={"field": "bright"},
)
LARGE = Feature(x=1, y=1, diameter_px=5, diameter_mm=0.3, contrast=0.5, polarity="dark", zone=1)


def spots_judged(*steps):
    [judgement] = judge_results([], [SPOTS], steps)
    return judgement


def test_a_spot_table_is_judged_on_the_features_of_its_step():
    clean = step("bright", check="blemish", field="bright")
    spotted = step("bright", check="blemish", field="bright", features=(LARGE,))
    elsewhere = step("dark", check="blemish", field="dark", features=(LARGE,))

    assert spots_judged(clean, elsewhere).finding is Finding.CONFORMING
    assert spots_judged(spotted).finding is Finding.NONCONFORMING
    assert spots_judged(clean, spotted).finding is Finding.NONCONFORMING


@pytest.mark.parametrize(
    ("given_step", "reason"),
    [
        (step("a", check="blemish", field="bright", is_done=False), "Step a has no result yet."),
        (step("a", check="blemish", field="bright", problem="Too dark"), "Step a: Too dark."),
        (step("a", check="blemish"), "Step a gave no spots for field bright."),
        (step("a", check="noise"), "No step of the form measures it."),
    ],
)
def test_a_spot_table_without_its_picture_is_not_measured(given_step, reason):
    judgement = spots_judged(given_step)

    assert judgement.finding is Finding.NOT_MEASURED
    assert judgement.reason == reason


def test_judgements_stand_in_the_order_of_the_contract():
    first, second = limit(at_most=50), limit(at_least=1)

    judgements = judge_results([first, second], [SPOTS], [step("a", result(40))])

    assert [one.limit for one in judgements] == [first, second, SPOTS]
