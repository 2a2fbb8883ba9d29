"""Sampling plans: every resolved cell of the tables, arrows with their sizes, and plans that accept on zero."""

import math

import pytest

from inspect_app.errors import UnusableInput
from inspect_app.judge.sampling import (
    normal_acceptance_one_step_stricter,
    plan_for_limiting_quality,
    plan_on_zero,
    single_plan,
)
from inspect_app.model import Edition, SamplingPlan, Stringency
from tests.truth.sampling_structure import ALL_AQLS, CODE_LETTERS, LEVELS, resolved

KINDS = {
    (stringency, edition): f"reduced-{edition}" if stringency is Stringency.REDUCED else str(stringency)
    for stringency in Stringency
    for edition in (Edition.MIL_STD_105E, Edition.ISO_2859_1)
}
LOTS = tuple(CODE_LETTERS)
LARGEST = (*(following - 1 for following in LOTS[1:]), 9_999_999)


def short(plan):
    return plan.final_letter, plan.size, plan.acceptance_number, plan.rejection_number


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize(("kind", "name"), KINDS.items(), ids=str)
def test_every_cell_leads_to_the_plan_that_the_structure_of_the_tables_demands(level, kind, name):
    """Truth: MIL-STD-105E, Tables I and II-A to II-C; ISO 2859-1:1999, Tables 1 and 2, by their diagonals."""
    stringency, edition = kind
    for smallest, largest in zip(LOTS, LARGEST, strict=True):
        letter = CODE_LETTERS[smallest][LEVELS.index(level)]
        for aql in ALL_AQLS:
            plan = single_plan(smallest, level, aql, stringency, edition)

            assert plan.code_letter == letter
            assert short(plan) == resolved(name, letter, aql), (smallest, aql)
            assert single_plan(largest, level, aql, stringency, edition) == plan


# lot, level, AQL, stringency, edition, code letter, final letter, n, Ac, Re, devices: MIL-STD-105E, Tables I and II,
# from memory; the cells agree with a public transcription of the standard.
LOOKED_UP = [
    (1000, "II", 1.0, "normal", "105E", "J", "J", 80, 2, 3, 80),
    (1000, "II", 0.65, "normal", "105E", "J", "J", 80, 1, 2, 80),
    (1000, "II", 0.65, "tightened", "105E", "J", "K", 125, 1, 2, 125),
    (1000, "II", 0.65, "reduced", "105E", "J", "J", 32, 0, 2, 32),
    (50, "II", 1.0, "normal", "105E", "D", "E", 13, 0, 1, 13),
    (50, "II", 4.0, "normal", "105E", "D", "E", 13, 1, 2, 13),
    (25, "II", 0.10, "normal", "105E", "C", "K", 125, 0, 1, 25),
    (500, "S-3", 2.5, "normal", "105E", "D", "C", 5, 0, 1, 5),
    (500, "I", 1.5, "normal", "105E", "F", "G", 32, 1, 2, 32),
    (8, "II", 6.5, "normal", "105E", "A", "A", 2, 0, 1, 2),
    (100, "II", 1.5, "normal", "105E", "F", "G", 32, 1, 2, 32),
    (300, "II", 0.40, "normal", "105E", "H", "G", 32, 0, 1, 32),
    (120, "III", 0.015, "normal", "105E", "G", "P", 800, 0, 1, 120),
    (3200, "II", 0.25, "tightened", "105E", "K", "M", 315, 1, 2, 315),
    (3200, "II", 0.25, "reduced", "105E", "K", "L", 80, 0, 2, 80),
    (2, "I", 10, "tightened", "105E", "A", "D", 8, 1, 2, 2),
    (600_000, "III", 0.025, "tightened", "105E", "R", "S", 3150, 1, 2, 3150),
]


@pytest.mark.parametrize("row", LOOKED_UP)
def test_a_plan_is_what_the_printed_tables_say(row):
    """Truth: MIL-STD-105E, Tables I and II."""
    lot, level, aql, stringency, edition, letter, final, size, acceptance, rejection, devices = row

    plan = single_plan(lot, level, aql, Stringency(stringency), Edition(edition))

    assert (plan.code_letter, *short(plan)) == (letter, final, size, acceptance, rejection)
    assert plan.devices_of(lot) == devices


def test_only_the_older_standard_leaves_a_gap_between_acceptance_and_rejection():
    """Truth: MIL-STD-105E, Table II-C; ISO 2859-1:1999, Table 2-C."""
    gaps = {
        edition: {
            plan.rejection_number - plan.acceptance_number
            for lot in LOTS
            for aql in ALL_AQLS
            for plan in [single_plan(lot, "II", aql, Stringency.REDUCED, edition)]
        }
        for edition in (Edition.MIL_STD_105E, Edition.ISO_2859_1)
    }

    assert gaps == {Edition.MIL_STD_105E: {1, 2, 3}, Edition.ISO_2859_1: {1}}


def test_a_lot_of_one_device_is_looked_at_as_a_whole():
    assert single_plan(1, "II", 1.0).devices_of(1) == 1


@pytest.mark.parametrize(
    ("lot", "level", "stringency", "size"),
    [
        (100, "VII", "normal", 1280),
        (100, "IV", "normal", 80),
        (1000, "IV", "normal", 96),
        (1000, "IV", "tightened", 256),
        (1000, "IV", "reduced", 40),
        (1000, "VII", "tightened", 3072),
        (40_000, "I", "reduced", 5),
        (40_000, "I", "normal", 12),
    ],
)
def test_accepting_on_zero_takes_its_size_from_letter_and_level(lot, level, stringency, size):
    """Truth: MIL-STD-1916, Tables I and II, from memory."""
    plan = plan_on_zero(lot, level, Stringency(stringency))

    assert (plan.size, plan.acceptance_number, plan.rejection_number) == (size, 0, 1)


@pytest.mark.parametrize(("percent", "risk", "size"), [(5, 0.10, 45), (1, 0.05, 299), (10, 0.10, 22)])
def test_a_limiting_quality_of_a_large_lot_takes_as_many_as_a_process(percent, risk, size):
    """Truth: n = ceil(ln risk / ln(1 - p)) for a process; a lot of ten million is next to one."""
    assert math.ceil(math.log(risk) / math.log(1 - percent / 100)) == size

    assert plan_for_limiting_quality(10_000_000, percent, risk).size == size


def test_a_limiting_quality_of_a_small_lot_is_counted_in_devices():
    """Truth: of 50 devices 3 are 5 % at least; C(47, n) / C(50, n) falls to 10 % between n = 26 and n = 27."""
    assert math.comb(47, 26) / math.comb(50, 26) > 0.10 >= math.comb(47, 27) / math.comb(50, 27)

    assert plan_for_limiting_quality(50, 5, 0.10).size == 27


@pytest.mark.parametrize(
    ("lot", "aql", "acceptance", "stricter"),
    [(1000, 1.0, 2, 1), (1000, 1.5, 3, 2), (1000, 2.5, 5, 3), (10_000, 10, 21, 14)],
)
def test_one_step_stricter_the_same_sample_may_hold_fewer(lot, aql, acceptance, stricter):
    """Truth: MIL-STD-105E, Table II-A, rows J and L, one column to the left."""
    plan = single_plan(lot, "II", aql)

    assert plan.acceptance_number == acceptance
    assert normal_acceptance_one_step_stricter(plan, aql) == stricter


@pytest.mark.parametrize(
    ("ask", "word"),
    [
        (lambda: single_plan(0, "II", 1.0), "0"),
        (lambda: single_plan(10**9, "II", 1.0), "1000000000"),
        (lambda: single_plan(50, "IV", 1.0), "IV"),
        (lambda: single_plan(50, "II", 1.1), "1.1"),
        (lambda: single_plan(50, "II", math.nan), "nan"),
        (lambda: plan_on_zero(50, "II+", Stringency.NORMAL), "II+"),
        (lambda: plan_for_limiting_quality(50, 0, 0.1), "0 %"),
        (lambda: plan_for_limiting_quality(50, 5, 1), "1"),
        (lambda: plan_for_limiting_quality(50, math.nan, 0.1), "nan"),
    ],
)
def test_what_the_tables_do_not_know_is_refused_by_name(ask, word):
    with pytest.raises(UnusableInput, match=word.replace("+", r"\+")):
        ask()


@pytest.mark.parametrize(("size", "acceptance", "rejection"), [(0, 0, 1), (5, 1, 1), (5, -1, 1)])
def test_an_impossible_plan_cannot_be_made(size, acceptance, rejection):
    with pytest.raises(ValueError, match="no plan"):
        SamplingPlan(
            code_letter="A", final_letter="A", size=size, acceptance_number=acceptance, rejection_number=rejection
        )
