"""Switching: each rule by its printed counts, and what must hold after any history."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.judge.sampling import plan_on_zero, single_plan
from inspect_app.judge.switching import BEGIN, after, limit_number, replay
from inspect_app.model import Edition, LotSeen, Ruling, RulingKind, Stringency
from tests.truth.sampling_structure import AQLS

ISO, MIL, ZERO = Edition.ISO_2859_1, Edition.MIL_STD_105E, Edition.MIL_STD_1916
CONSENT = Ruling(kind=RulingKind.ALLOW_REDUCED, by="ada", reason="Production is steady.")
RESUME = Ruling(kind=RulingKind.RESUME, by="ada", reason="The remedy was seen to work.")
BACK = Ruling(kind=RulingKind.BACK_TO_NORMAL, by="ada", reason="Production stood still for a month.")


def lot(state, count, *, edition=ISO, aql=1.0, size=1000, number="L"):
    """Make a lot looked at as the state demands."""
    if edition is ZERO:
        plan, aql = plan_on_zero(size, "IV", state.stringency), None
    else:
        plan = single_plan(size, "II", aql, state.stringency, edition)
    return LotSeen(
        lot=number, plan=plan, aql=aql, stringency=state.stringency, devices=plan.devices_of(size), count=count
    )


def history(*events, edition=ISO, state=BEGIN, **given):
    """Fold counts and rulings; a number is the count of a lot, named by its place."""
    for place, event in enumerate(events, start=1):
        seen = event if isinstance(event, Ruling) else lot(state, event, edition=edition, number=f"L{place}", **given)
        state = after(state, seen, edition)
    return state


@pytest.mark.parametrize("edition", Edition)
@pytest.mark.parametrize(
    ("counts", "stringency"),
    [((9,), "normal"), ((9, 9), "tightened"), ((9, 0, 0, 0, 9), "tightened"), ((9, 0, 0, 0, 0, 9), "normal")],
)
def test_two_of_five_consecutive_lots_not_accepted_tighten(edition, counts, stringency):
    """Truth: MIL-STD-105E, 4.7.1; ISO 2859-1:1999, 9.3.1; MIL-STD-1916 likewise."""
    assert history(*counts, edition=edition).stringency == stringency


@pytest.mark.parametrize("edition", Edition)
def test_five_accepted_in_a_row_end_tightened_inspection(edition):
    """Truth: MIL-STD-105E, 4.7.2; ISO 2859-1:1999, 9.3.2."""
    assert history(9, 9, 0, 0, 0, 0, edition=edition).stringency is Stringency.TIGHTENED
    assert history(9, 9, 0, 0, 9, 0, 0, 0, 0, edition=edition).stringency is Stringency.TIGHTENED
    assert history(9, 9, 0, 0, 0, 0, 0, edition=edition) == replace(BEGIN, reason=(
        "Normal after lot L7: 5 lots in a row were accepted on tightened inspection."
    ))  # fmt: skip


@pytest.mark.parametrize(("edition", "is_discontinued"), [(ISO, True), (MIL, True), (ZERO, False)])
def test_five_lots_not_accepted_on_tightened_end_acceptance_altogether(edition, is_discontinued):
    """Truth: ISO 2859-1:1999, 9.4: cumulative; MIL-STD-1916 has no such rule."""
    before = history(9, 9, 9, 0, 9, 0, 9, 9, edition=edition)
    then = after(before, lot(before, 9, edition=edition), edition)

    assert (before.is_discontinued, then.is_discontinued) == (False, is_discontinued)


def test_after_discontinuation_only_a_ruling_resumes_and_on_tightened():
    """Truth: ISO 2859-1:1999, 9.4."""
    stopped = history(9, 9, 9, 9, 9, 9, 9)

    assert history(0, 0, 0, 0, 0, 0, CONSENT, BACK, state=stopped).is_discontinued
    resumed = after(stopped, RESUME, ISO)
    assert (resumed.stringency, resumed.is_discontinued) == (Stringency.TIGHTENED, False)


@pytest.mark.parametrize(
    ("aql", "counts", "scores"),
    [
        (0.65, (1, 0, 1, 2, 0), (2, 4, 6, 0, 2)),  # Ac 1: accepted gives 2, not accepted takes all
        (1.0, (1, 0, 2, 1), (3, 6, 0, 3)),  # Ac 2; one step stricter, at AQL 0.65, Ac is 1
        (2.5, (3, 4, 3, 6), (3, 0, 3, 0)),  # Ac 5; at AQL 1.5 Ac is 3
    ],
)
def test_the_switching_score_grows_with_what_a_stricter_plan_would_accept_too(aql, counts, scores):
    """Truth: ISO 2859-1:1999, 9.3.3.2, on letter J (n = 80)."""
    state, seen = BEGIN, []
    for count in counts:
        state = after(state, lot(state, count, aql=aql), ISO)
        seen.append(state.score)

    assert tuple(seen) == scores


@pytest.mark.parametrize(("aql", "lots"), [(0.65, 15), (1.0, 10)])
def test_the_shortest_run_to_reduced_inspection(aql, lots):
    """Truth: a score of 30 takes 15 lots at 2 each, 10 at 3 each."""
    almost = history(CONSENT, *[0] * (lots - 1), aql=aql)

    assert almost.stringency is Stringency.NORMAL
    assert history(CONSENT, *[0] * lots, aql=aql).stringency is Stringency.REDUCED


def test_reduced_inspection_waits_for_the_authority():
    """Truth: MIL-STD-105E, 4.7.3 d; ISO 2859-1:1999, 9.3.3.1 c."""
    waiting = history(*[0] * 12)

    assert (waiting.stringency, waiting.may_be_reduced) == (Stringency.NORMAL, True)
    assert after(waiting, CONSENT, ISO).stringency is Stringency.REDUCED
    assert history(9, *[0] * 3, CONSENT, state=waiting).stringency is Stringency.NORMAL


@pytest.mark.parametrize("edition", Edition)
def test_one_lot_not_accepted_ends_reduced_inspection_and_the_consent(edition):
    """Truth: MIL-STD-105E, 4.7.4 a; ISO 2859-1:1999, 9.3.4 a."""
    reduced = history(CONSENT, *[0] * 10, edition=edition)
    assert reduced.stringency is Stringency.REDUCED

    normal = history(9, edition=edition, state=reduced)

    assert (normal.stringency, normal.has_consent) == (Stringency.NORMAL, False)


def test_irregular_production_ends_reduced_inspection():
    """Truth: MIL-STD-105E, 4.7.4 c; ISO 2859-1:1999, 9.3.4 b."""
    assert history(CONSENT, *[0] * 10, BACK).stringency is Stringency.NORMAL


def test_between_acceptance_and_rejection_number_the_lot_is_accepted_and_normal_follows():
    """Truth: MIL-STD-105E, 4.7.4 b; letter J, AQL 1.0, reduced: Ac 1, Re 3."""
    reduced = history(CONSENT, *[0] * 10, edition=MIL)
    between = lot(reduced, 2, edition=MIL)

    assert between.is_accepted
    assert after(reduced, between, MIL).stringency is Stringency.NORMAL
    assert history(1, 1, 1, edition=MIL, state=reduced).stringency is Stringency.REDUCED


@pytest.mark.parametrize(("counts", "stringency"), [([0] * 6 + [1] * 4, "reduced"), ([0] * 5 + [1] * 5, "normal")])
def test_the_older_standard_limits_what_ten_lots_may_hold(counts, stringency):
    """Truth: MIL-STD-105E, Table VIII: 800 devices at AQL 1.0, at most 4."""
    assert history(CONSENT, *counts, edition=MIL).stringency == stringency


def test_too_few_devices_in_ten_lots_are_made_up_by_more_lots():
    """Truth: Table VIII, note: 13 devices a lot at AQL 1.0 reach 200, the first row with a number, at the 16th lot."""
    assert history(CONSENT, *[0] * 15, edition=MIL, size=50).stringency is Stringency.NORMAL
    assert history(CONSENT, *[0] * 16, edition=MIL, size=50).stringency is Stringency.REDUCED


def test_a_lot_drawn_before_a_switch_and_decided_after_it_changes_nothing():
    tightened = history(9, 9)

    assert after(tightened, lot(BEGIN, 9), ISO) == tightened


TABLE_VIII = """
20 * * * * * * * * * * * * * * * 0
30 * * * * * * * * * * * * * * 0 0
50 * * * * * * * * * * * * * 0 0 2
80 * * * * * * * * * * * * 0 0 2 4
130 * * * * * * * * * * * 0 0 2 4 7
200 * * * * * * * * * * 0 0 2 4 8 14
320 * * * * * * * * * 0 0 1 4 8 14 24
500 * * * * * * * * 0 0 2 3 7 14 25 40
800 * * * * * * * 0 0 2 4 7 14 24 42 68
1250 * * * * * * 0 0 2 4 7 13 24 40 69 110
2000 * * * * * 0 0 2 4 8 14 22 40 68 115 181
3150 * * * * 0 0 1 4 8 14 24 38 67 111 186 292
5000 * * * 0 0 2 3 7 14 25 40 63 110 181 301 471
8000 * * 0 0 2 4 7 14 24 42 68 105 181 297 490 763
12500 * 0 0 2 4 7 13 24 40 69 110 169 289 471 775 1204
20000 0 0 2 4 8 14 22 40 68 115 181 277 471 763 1253 1942
31500 0 1 4 8 14 24 38 67 111 186 292 444 751 1214 1989 3078
"""


@pytest.mark.parametrize("line", TABLE_VIII.strip().splitlines())
def test_the_limit_numbers_are_those_of_the_printed_table(line):
    """Truth: MIL-STD-105E, Table VIII, from memory; a star: add up more lots."""
    devices, *cells = line.split()
    for aql, cell in zip(AQLS, cells, strict=True):
        assert limit_number(int(devices), aql) == (None if cell == "*" else int(cell)), aql


events = st.lists(st.one_of(st.integers(0, 4), st.sampled_from((CONSENT, RESUME, BACK))), max_size=60)


def walked(events, edition):
    """Yield the state before each event, and the event as it then was."""
    state = BEGIN
    for event in events:
        seen = event if isinstance(event, Ruling) else lot(state, event, edition=edition)
        yield state, seen
        state = after(state, seen, edition)


@given(events=events, edition=st.sampled_from(Edition))
@settings(max_examples=60)
def test_a_history_replays_to_the_state_it_led_to(events, edition):
    steps = list(walked(events, edition))

    for taken, (state, _) in enumerate(steps):
        assert replay([event for _, event in steps[:taken]], edition) == state


@given(events=events, edition=st.sampled_from(Edition))
@settings(max_examples=60)
def test_nothing_is_reduced_without_consent_and_no_second_rejection_stays_normal(events, edition):
    steps = list(walked(events, edition))

    for (before, event), (then, _) in pairwise(steps):
        if then.stringency is Stringency.REDUCED and before.stringency is not Stringency.REDUCED:
            assert before.stringency is Stringency.NORMAL
            assert before.has_consent or event == CONSENT
        if then.stringency is Stringency.NORMAL:
            assert sum(not one.is_accepted for one in then.since[-5:]) <= 1
        if then.is_discontinued and not before.is_discontinued:
            assert before.stringency is Stringency.TIGHTENED
