"""The words of documents: conditions, limits, uncertainties, readings, dates."""

import dataclasses
from datetime import UTC, datetime, timedelta, timezone

import pytest

from inspect_app.definitions.values import Window
from inspect_app.documents import wording
from inspect_app.documents.results import nearest_to_limit
from inspect_app.judge import decide
from inspect_app.model import DecisionRule, Finding, Limit
from inspect_app.quantity import Quantity
from tests.documents import papers


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        ({"axis": "horizontal", "illuminance_lx": 0.005}, "horizontal, 0.005 lx"),
        ({"mode": "live view", "temperature_c": 23}, "live view, 23 °C"),
        ({"snr_criterion": 10, "roi": (1, 2, 3, 4)}, "SNR 10"),
        ({"zone": 2, "size_class": "75 to 150 µm"}, "zone 2, size class 75 to 150 µm"),
        ({"distance_m": 10.0}, "distance 10 m"),
        ({}, ""),
    ],
)
def test_a_condition_is_told_on_one_line(condition, words):
    assert wording.condition_text(condition) == words


@pytest.mark.parametrize(
    ("title", "words"),
    [
        ("Slanted edge", "Slanted edge, horizontal, 1 lx"),
        ("Slanted edge, horizontal, 1 lux", "Slanted edge, horizontal, 1 lux"),
        ("Slanted edge at 0.1 lux", "Slanted edge at 0.1 lux, horizontal, 1 lx"),
    ],
)
def test_a_title_is_followed_by_what_it_does_not_say_itself(title, words):
    assert wording.titled(title, {"axis": "horizontal", "illuminance_lx": 1}) == words


def test_how_often_was_read_is_not_part_of_the_name_of_a_demand():
    limit = papers.demand("1", "Lag", "latency", "latency_half", "ms", at_most=50)
    judgement = decide(Quantity(value=1, unit="ms"), limit, {"events": 5, "mode": "recording", "space": "object"})

    assert wording.named_demand(judgement) == "Lag, recording"


@pytest.mark.parametrize(
    ("at_least", "at_most", "words"),
    [(0.2, None, "≥ 0.2 ms"), (None, 50, "≤ 50 ms"), (-3, 3, "−3 to 3 ms"), (None, None, "–")],
)
def test_bounds_are_told_with_their_unit(at_least, at_most, words):
    assert wording.bounds_text(at_least, at_most, "ms") == words


@pytest.mark.parametrize(
    ("uncertainty", "freedom", "words"),
    [(0.0, None, ""), (0.1, None, "k = 2"), (0.1, 4, "k = 2.87"), (0.1, 1000, "k = 2"), (0.1, 100, "k = 2.03")],
)
def test_the_coverage_factor_is_that_of_students_t(uncertainty, freedom, words):
    """GUM, JCGM 100:2008, Table G.2, 95.45 %: 2.87 for 4 degrees of freedom, 2.025 for 100."""
    quantity = Quantity(value=1, unit="ms", standard_uncertainty=uncertainty, degrees_of_freedom=freedom)

    assert wording.coverage_text(quantity) == words


def test_acceptance_limits_are_printed_to_the_place_of_the_guard_band():
    """Algebra: 50 − 2 · 1.5 = 47, the guard band 3.0 has its second digit at the first decimal."""
    limit = papers.demand("1", "Lag", "latency", "latency_half", "ms", at_most=50)
    judgement = decide(Quantity(value=40, unit="ms", standard_uncertainty=1.5), limit)

    assert wording.acceptance_text(judgement, limit) == "≤ 47.0 ms"


def test_readings_before_and_after_stand_together_and_none_is_lost():
    window = Window(
        name="illuminance_lx", unit="lx", label="Illuminance at the target", low=0.9, high=1.1, before_and_after=True
    )
    read = {"illuminance_lx_before": "1.02", "illuminance_lx_after": "0.99", "humidity": "40 %", "distance_m": ""}

    assert wording.readings_text((window,), read) == "illuminance 1.02 / 0.99 lx; humidity 40 %"


def test_times_are_printed_in_utc_wherever_they_were_taken():
    moment = datetime(2026, 1, 1, 0, 30, tzinfo=timezone(timedelta(hours=2)))

    assert wording.minute(moment) == "2025-12-31 22:30 UTC"
    assert wording.day(moment) == "2025-12-31"
    assert wording.day(moment.astimezone(UTC).date()) == "2025-12-31"


def test_the_nearest_demand_is_the_one_met_by_the_fewest_uncertainties_and_no_count():
    """Algebra: 1 is half of U = 2, 5 is 2.5 of it; a count of none against none has no margin and comes last."""
    simple = {"decision_rule": DecisionRule.SIMPLE}
    near = papers.demand("1", "Runtime", "battery", "runtime", "min", at_least=100, **simple)
    far = papers.demand("2", "Lag", "latency", "latency_half", "ms", at_most=50, **simple)
    count = papers.demand("3", "Dead pixels", "blemish", "dead_pixels", "1", at_most=0, **simple)
    judgements = [
        decide(Quantity(value=0, unit="1"), count),
        decide(Quantity(value=45, unit="ms", standard_uncertainty=1), far),
        decide(Quantity(value=101, unit="min", standard_uncertainty=1), near),
    ]

    assert nearest_to_limit(judgements) == "Runtime: 101.0 ± 2.0 min against ≥ 100 min, 1.0 min inside the limit"
    assert nearest_to_limit(judgements[:1]) == "Dead pixels: 0 against ≤ 0, exactly at the limit"
    assert nearest_to_limit([dataclasses.replace(j, finding=Finding.INCONCLUSIVE) for j in judgements]) == ""


def test_how_near_a_result_lies_does_not_depend_on_the_decision_rule():
    """1 min inside 100 is half of U = 2, whether the acceptance limit lies 1.645 u within the limit or beyond it."""
    far = papers.demand("2", "Lag", "latency", "latency_half", "ms", at_most=50, decision_rule=DecisionRule.SIMPLE)
    for rule in (DecisionRule.ISO14253_BUYER, DecisionRule.SIMPLE):
        near = papers.demand("1", "Runtime", "battery", "runtime", "min", at_least=100, decision_rule=rule)
        judged = [
            decide(Quantity(value=value, unit=limit.unit, standard_uncertainty=1), limit)
            for limit, value in ((far, 45), (near, 101))
        ]
        met = [dataclasses.replace(one, finding=Finding.CONFORMING) for one in judged]

        assert nearest_to_limit(met).startswith("Runtime: 101.0 ± 2.0 min against ≥ 100 min")


def test_a_limit_on_an_element_of_the_bar_target_is_printed_by_its_name():
    """Truth: element 6-2 of the 1951 target is 2^(6 + 1/6) = 71.84 lp/mm (printed table)."""
    limit = Limit(
        clause="1",
        title="Resolution",
        check="bar-target",
        quantity_name="resolution",
        unit="lp/mm",
        at_least=2 ** (6 + 1 / 6),
        element="6,2",
    )

    assert wording.demand_text(limit) == "at least element 6,2 (71.84 lp/mm)"


def test_an_item_stands_before_what_was_seen_of_it():
    assert wording.answers_text(("Housing free of cracks=yes", "Case present=cannot tell", "1,4")) == (
        "Housing free of cracks: yes, Case present: cannot tell, 1,4"
    )
