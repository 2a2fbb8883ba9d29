"""Verdicts on devices and lots."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.judge import device_verdict
from inspect_app.model import Finding, Judgement, Limit, Outcome, Severity

CONFORMING, NONCONFORMING, INCONCLUSIVE, NOT_MEASURED, CONDITIONAL_PASS, CONDITIONAL_FAIL = Finding
CRITICAL, MAJOR, MINOR = Severity
REJECTING = (NONCONFORMING, CONDITIONAL_FAIL)


def judgement(finding, severity=MAJOR, clause="4.1"):
    limit = Limit(
        clause=clause, title="Demand", check="noise", quantity_name="snr", unit="1", at_least=1, severity=severity
    )
    return Judgement(limit=limit, finding=finding, reason="")


def test_all_conforming_is_accepted_and_nothing_decides():
    verdict = device_verdict([judgement(CONFORMING), judgement(CONFORMING)])

    assert verdict.outcome is Outcome.ACCEPTED
    assert verdict.deciding == ()
    assert verdict.reason == "All 2 demands are met."


def test_one_failure_rejects_and_the_worst_class_is_named_first():
    minor, critical = judgement(NONCONFORMING, MINOR, "4.1"), judgement(NONCONFORMING, CRITICAL, "4.2")

    verdict = device_verdict([minor, judgement(INCONCLUSIVE), critical, judgement(CONFORMING)])

    assert verdict.outcome is Outcome.REJECTED
    assert verdict.deciding == (critical, minor)
    assert verdict.reason == "Not met: 4.2 Demand (critical); 4.1 Demand (minor)."


@pytest.mark.parametrize(
    ("finding", "reason"),
    [(INCONCLUSIVE, "Inconclusive: 4.1 Demand (major)."), (NOT_MEASURED, "Not measured: 4.1 Demand (major).")],
)
def test_doubt_or_a_missing_result_holds_the_device(finding, reason):
    verdict = device_verdict([judgement(CONFORMING), judgement(finding)])

    assert verdict.outcome is Outcome.HELD
    assert [one.finding for one in verdict.deciding] == [finding]
    assert verdict.reason == reason


def test_a_demand_judged_in_several_modes_is_named_once():
    verdict = device_verdict([judgement(NONCONFORMING), judgement(NONCONFORMING)])

    assert len(verdict.deciding) == 2
    assert verdict.reason == "Not met: 4.1 Demand (major)."


def test_a_device_of_which_nothing_is_demanded_is_held():
    assert device_verdict([]).outcome is Outcome.HELD


@given(st.lists(st.tuples(st.sampled_from(Finding), st.sampled_from(Severity)), min_size=1, max_size=8))
def test_the_deciding_judgements_are_all_that_stand_in_the_way(pairs):
    judgements = [judgement(*pair) for pair in pairs]

    verdict = device_verdict(judgements)

    assert (verdict.outcome is Outcome.ACCEPTED) == ({f for f, _ in pairs} <= {CONFORMING, CONDITIONAL_PASS})
    assert (verdict.outcome is Outcome.REJECTED) == any(f in REJECTING for f, _ in pairs)
    severities = [list(Severity).index(one.limit.severity) for one in verdict.deciding if one.finding in REJECTING]
    assert severities == sorted(severities)
