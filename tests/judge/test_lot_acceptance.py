"""From a sample to the lot: counts against the numbers of the plan."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.judge.lot_acceptance import class_outcome, lot_outcome, sample_count
from inspect_app.model import Finding, Judgement, Limit, Outcome, SamplingPlan, Severity

ACCEPTED, REJECTED, HELD = Outcome.ACCEPTED, Outcome.REJECTED, Outcome.HELD


def plan(size=8, acceptance=1, rejection=2, *, counts_nonconformities=False):
    return SamplingPlan(
        code_letter="D",
        final_letter="D",
        size=size,
        acceptance_number=acceptance,
        rejection_number=rejection,
        counts_nonconformities=counts_nonconformities,
    )


def judged(severity, finding=Finding.NONCONFORMING):
    limit = Limit(
        clause="4.1", title="t", check="noise", quantity_name="snr", unit="1", at_least=1.0, severity=severity
    )
    return Judgement(limit=limit, finding=finding, reason="r")


MAJOR, MINOR = judged(Severity.MAJOR), judged(Severity.MINOR)
DEVICES = [[MAJOR, MAJOR, MINOR], [], [judged(Severity.MAJOR, Finding.INCONCLUSIVE)], [MAJOR]]


@pytest.mark.parametrize(
    ("severity", "devices", "nonconformities"),
    [(Severity.MAJOR, 2, 3), (Severity.MINOR, 1, 1), (Severity.CRITICAL, 0, 0)],
)
def test_a_device_counts_once_and_a_nonconformity_each_time(severity, devices, nonconformities):
    """Truth: MIL-STD-105E, 4.2 and 4.3: a unit with one or more nonconformities is one nonconforming unit."""
    assert sample_count(plan(), DEVICES, severity) == devices
    assert sample_count(plan(counts_nonconformities=True), DEVICES, severity) == nonconformities


@pytest.mark.parametrize(
    ("decided", "count", "outcome"),
    [(0, 0, HELD), (7, 1, HELD), (8, 1, ACCEPTED), (8, 2, REJECTED), (2, 2, REJECTED)],
)
def test_a_class_is_decided_by_its_whole_sample_or_by_its_rejection_number(decided, count, outcome):
    assert class_outcome(plan(), lot_size=40, decided=decided, count=count) is outcome


def test_between_the_numbers_of_the_older_reduced_inspection_the_lot_is_accepted():
    """Truth: MIL-STD-105E, 4.7.4 b."""
    assert class_outcome(plan(32, 0, 2), lot_size=900, decided=32, count=1) is ACCEPTED


def test_a_sample_larger_than_the_lot_is_the_lot():
    assert class_outcome(plan(125, 0, 1), lot_size=25, decided=25, count=0) is ACCEPTED


@pytest.mark.parametrize(
    ("classes", "outcome"),
    [((ACCEPTED, ACCEPTED), ACCEPTED), ((ACCEPTED, HELD), HELD), ((HELD, REJECTED), REJECTED), ((), HELD)],
)
def test_a_lot_is_as_good_as_its_worst_class(classes, outcome):
    assert lot_outcome(classes) is outcome


@given(st.integers(0, 30), st.integers(0, 30), st.integers(0, 5), st.integers(1, 3))
def test_one_more_nonconforming_device_never_helps_a_lot(decided, count, acceptance, gap):
    order = (ACCEPTED, HELD, REJECTED)
    numbers = plan(20, acceptance, acceptance + gap)

    better = class_outcome(numbers, lot_size=40, decided=decided, count=count)
    worse = class_outcome(numbers, lot_size=40, decided=decided, count=count + 1)

    assert order.index(worse) >= order.index(better)
