"""Spots against an allowance table: counts by hand, and every sorting of borderline spots tried one by one."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.judge import decide_spots
from inspect_app.model import DecisionRule, Feature, Finding, Measured, Result, SpotAllowance, SpotClass
from inspect_app.quantity import Quantity

# Sizes and counts as in published tables of the trade: 75, 150, 230 and 300 µm by three zones.
CLASSES = (
    SpotClass(larger_than_mm=0.075, at_most_mm=0.150, allowed=(1, 3, 3)),
    SpotClass(larger_than_mm=0.150, at_most_mm=0.230, allowed=(0, 1, 1)),
    SpotClass(larger_than_mm=0.230, at_most_mm=0.300, allowed=(0, 1, 1)),
    SpotClass(larger_than_mm=0.300, at_most_mm=None, allowed=(0, 0, 0)),
)


def table(classes=CLASSES, rule=DecisionRule.GUARDED, polarity="dark"):
    return SpotAllowance(
        clause="4.7",
        title="Spots",
        check="blemish",
        classes=classes,
        polarity=polarity,
        contrast_at_least=0.3,
        decision_rule=rule,
    )


def spot(diameter_mm, zone=1, uncertainty_mm=0.002, **fields):
    given_fields = {"contrast": 0.5, "polarity": "dark", **fields}
    return Feature(
        x=0,
        y=0,
        diameter_px=9,
        diameter_mm=diameter_mm,
        zone=zone,
        diameter_uncertainty_mm=uncertainty_mm,
        **given_fields,
    )


def found(*spots, has_zones=True):
    condition = {"zone": 1} if has_zones else {}
    total = Result(quantity_name="dark_spots", quantity=Quantity(value=len(spots), unit="1"), condition=condition)
    return Measured(check="blemish", method="", results=(total,), features=spots)


def finding(*spots, **fields):
    return decide_spots(table(**fields), found(*spots)).finding


def test_no_spots_conform():
    judgement = decide_spots(table(), found())

    assert judgement.finding is Finding.CONFORMING
    assert judgement.reason == "no dark spots counted, no zone holds more than its table allows."


def test_as_many_spots_as_are_allowed_conform():
    assert finding(spot(0.1), spot(0.1, 2), spot(0.1, 2), spot(0.1, 2), spot(0.2, 2)) is Finding.CONFORMING


def test_one_spot_more_does_not_conform_and_the_reason_names_zone_and_class():
    judgement = decide_spots(table(), found(spot(0.1), spot(0.12)), {"field": "bright"}, "blemish.bright")

    assert judgement.finding is Finding.NONCONFORMING
    assert judgement.reason == "zone 1 holds 2 dark spots from 0.075 to 0.15 mm, 1 allowed."
    assert judgement.condition == {"field": "bright"}
    assert judgement.step_id == "blemish.bright"


def test_a_spot_larger_than_all_classes_is_not_allowed():
    assert finding(spot(0.4, 3)) is Finding.NONCONFORMING
    assert finding(spot(0.4, 3), classes=CLASSES[:3]) is Finding.NONCONFORMING


def test_equal_spots_are_counted_each():
    same = spot(0.1)

    assert finding(same, same) is Finding.NONCONFORMING


@pytest.mark.parametrize(
    "aside",
    [
        spot(0.05),
        spot(0.2, contrast=0.29),
        spot(0.2, polarity="bright"),
        spot(0.2, kind="hot"),
        spot(0.2, zone=None),
        spot(0.2, zone=4),
    ],
    ids=["too small", "too faint", "bright", "hot pixel", "outside all zones", "outside the table's zones"],
)
def test_what_the_table_does_not_mean_is_not_counted(aside):
    assert finding(aside) is Finding.CONFORMING


def test_a_bright_table_counts_bright_spots():
    assert finding(spot(0.2, polarity="bright"), polarity="bright") is Finding.NONCONFORMING
    assert finding(spot(0.2), polarity="bright") is Finding.CONFORMING


def test_a_borderline_spot_that_would_decide_is_inconclusive():
    """0.149 ± 0.004 mm may be 0.15 to 0.23 mm, of which zone 1 may hold none."""
    judgement = decide_spots(table(), found(spot(0.149)))

    assert judgement.finding is Finding.INCONCLUSIVE
    assert judgement.reason == "zone 1: a spot of 0.149 ± 0.004 mm lies on the border of a class, and would decide."


def test_a_borderline_spot_that_fits_either_way_conforms():
    assert finding(spot(0.149, 2)) is Finding.CONFORMING


def test_a_borderline_spot_that_fits_neither_way_does_not_conform():
    """Zone 2 may hold three of the smaller and one of the larger class, and holds them already."""
    full = [spot(0.1, 2), spot(0.1, 2), spot(0.1, 2), spot(0.2, 2)]

    assert finding(*full) is Finding.CONFORMING
    assert finding(*full, spot(0.149, 2)) is Finding.NONCONFORMING
    assert finding(*full, spot(0.151, 2)) is Finding.NONCONFORMING


@pytest.mark.parametrize(("diameter_mm", "expected"), [(0.149, Finding.CONFORMING), (0.151, Finding.NONCONFORMING)])
def test_by_the_simple_rule_the_diameter_is_taken_as_it_is(diameter_mm, expected):
    assert finding(spot(diameter_mm), rule=DecisionRule.SIMPLE) is expected


def test_a_class_holds_its_upper_bound_and_not_its_lower():
    simple = {"rule": DecisionRule.SIMPLE}

    assert finding(spot(0.150), **simple) is Finding.CONFORMING
    assert finding(spot(0.075), spot(0.075), **simple) is Finding.CONFORMING


def test_spots_without_a_size_are_not_judged():
    judgement = decide_spots(table(), found(spot(None)))

    assert judgement.finding is Finding.NOT_MEASURED
    assert "no size in millimetres" in judgement.reason


def test_spots_without_zones_are_not_judged():
    judgement = decide_spots(table(), found(spot(0.2, zone=None), has_zones=False))

    assert judgement.finding is Finding.NOT_MEASURED
    assert "no zone" in judgement.reason


def fits(sorting, zone):
    counts = [sum(index == row for index in sorting) for row in range(len(CLASSES))]
    return all(count <= row.allowed[zone - 1] for count, row in zip(counts, CLASSES, strict=True))


def class_of(diameter_mm):
    """Index of the class by a plain reading of the table; -1 below it."""
    for index, row in enumerate(CLASSES):
        if diameter_mm > row.larger_than_mm and (row.at_most_mm is None or diameter_mm <= row.at_most_mm):
            return index
    return -1


sizes = st.lists(
    st.tuples(st.floats(0.05, 0.34), st.sampled_from([0.0, 0.003, 0.01, 0.02])).filter(lambda pair: pair[0] > 0.045),
    max_size=5,
)


@given(sizes, st.integers(1, 3))
def test_the_finding_is_that_of_trying_every_sorting(pairs, zone):
    """Conforming when all sortings of the spots into their possible classes fit, nonconforming when none does."""
    spans = [range(class_of(size - 2 * u), class_of(size + 2 * u) + 1) for size, u in pairs]
    outcomes = {fits(sorting, zone) for sorting in itertools.product(*spans)}

    judgement = decide_spots(table(), found(*(spot(size, zone, u) for size, u in pairs)))

    expected = {
        frozenset({True}): Finding.CONFORMING,
        frozenset({False}): Finding.NONCONFORMING,
        frozenset({True, False}): Finding.INCONCLUSIVE,
    }
    assert judgement.finding is expected[frozenset(outcomes)]


@given(sizes, st.floats(1, 5))
def test_raising_the_uncertainty_never_turns_doubt_into_a_verdict(pairs, factor):
    before = finding(*(spot(size, 2, u) for size, u in pairs))
    after = finding(*(spot(size, 2, u * factor) for size, u in pairs))

    assert after is before or after is Finding.INCONCLUSIVE
