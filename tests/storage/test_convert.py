"""Rows to values and back: what is kept is read back equal."""

import math
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.model import (
    Feature,
    FileReference,
    Finding,
    Judgement,
    Limit,
    Measured,
    Outcome,
    Outline,
    Result,
    SpotAllowance,
    SpotClass,
    Trace,
    Verdict,
)
from inspect_app.quantity import Contribution, Quantity
from inspect_app.storage.audit import canonical_json
from inspect_app.storage.convert import (
    answers_from,
    answers_text,
    assessment_from,
    assessment_text,
    measured_from,
    measured_text,
)

names = st.text(string.ascii_lowercase + "_", min_size=1, max_size=12)
words = st.text(max_size=20).filter(lambda text: not any("\ud800" <= mark <= "\udfff" for mark in text))
numbers = st.floats(allow_nan=False, allow_infinity=False)
amounts = st.floats(0, 1e9)
conditions = st.dictionaries(
    names, st.one_of(words, st.integers(-1000, 1000), numbers, st.lists(st.integers(0, 99), max_size=4).map(tuple))
)
quantities = st.builds(
    Quantity,
    value=numbers,
    unit=st.sampled_from(("ms", "lp/mm", "1", "%")),
    standard_uncertainty=amounts,
    degrees_of_freedom=st.one_of(st.none(), st.floats(0.5, 1e6)),
)
budgets = st.lists(
    st.builds(
        Contribution,
        source=words,
        distribution=st.sampled_from(("normal", "rectangular")),
        standard_uncertainty=amounts,
        degrees_of_freedom=st.one_of(st.none(), st.floats(0.5, 1e6)),
        sensitivity=st.floats(0.001, 1000),
    ),
    max_size=3,
).map(tuple)
results = st.builds(Result, quantity_name=names, quantity=quantities, condition=conditions, budget=budgets)
traces = st.lists(st.tuples(numbers, numbers), max_size=5).map(
    lambda points: Trace(
        name="trace", x=tuple(x for x, _ in points), x_unit="ms", y=tuple(y for _, y in points), y_unit="1"
    )
)
measurements = st.builds(
    Measured,
    check=names,
    method=words,
    results=st.lists(results, max_size=3).map(tuple),
    files=st.just((FileReference(name="a.png", sha256="0" * 64),)),
    traces=st.lists(traces, max_size=2).map(tuple),
    features=st.just((Feature(x=1.5, y=2, diameter_px=3, contrast=0.5, polarity="dark", zone=1),)),
    outlines=st.just((Outline(label="field", shape="circle", x=1, y=2, width_px=3, height_px=3),)),
    warnings=st.lists(words, max_size=2).map(tuple),
)
limits = st.builds(
    Limit,
    clause=words,
    title=words,
    check=names,
    quantity_name=names,
    unit=st.just("ms"),
    at_most=numbers,
    condition=conditions,
)
allowances = st.just(
    SpotAllowance(
        clause="4",
        title="Spots",
        check="blemish",
        classes=(
            SpotClass(larger_than_mm=0.1, at_most_mm=0.2, allowed=(0, 1)),
            SpotClass(larger_than_mm=0.2, at_most_mm=None, allowed=(0, 0)),
        ),
    )
)
judgements = st.builds(
    Judgement,
    limit=st.one_of(limits, allowances),
    finding=st.sampled_from(Finding),
    reason=words,
    quantity=st.one_of(st.none(), quantities),
    condition=conditions,
    margin=st.one_of(st.none(), numbers),
    guard_band=amounts,
    coverage_factor=st.one_of(st.none(), amounts),
    probability_of_conformity=st.one_of(st.none(), st.floats(0, 1)),
    specific_risk=st.one_of(st.none(), st.floats(0, 1)),
)


@given(measurements)
def test_a_measurement_is_read_back_as_it_was_kept(measured: Measured) -> None:
    assert measured_from(measured_text(measured)) == measured


@given(st.dictionaries(names, st.lists(words, max_size=3).map(tuple)))
def test_answers_are_read_back_as_they_were_kept(answers: dict[str, tuple[str, ...]]) -> None:
    assert answers_from(answers_text(answers)) == answers


@given(st.lists(judgements, max_size=3).map(tuple), st.sampled_from(Outcome), words)
def test_frozen_judgements_are_read_back_as_they_were_signed(
    judged: tuple[Judgement, ...], outcome: Outcome, reason: str
) -> None:
    verdict = Verdict(outcome=outcome, deciding=judged[:1], reason=reason)

    assert assessment_from(assessment_text(judged, verdict)) == (judged, verdict)


def test_what_was_frozen_before_judgements_kept_their_risk_is_still_read() -> None:
    """The text is as an earlier version signed it; its judgements simply know no factor, risk or least probability."""
    limit = (
        '{"at_least":null,"at_most":50.0,"check":"latency","clause":"1","condition":{},"decision_rule":"guarded",'
        '"element":"","over":"worst","quantity_name":"latency_half","severity":"major","title":"Lag","unit":"ms"}'
    )
    judged = (
        f'{{"acceptance_at_least":null,"acceptance_at_most":46.0,"condition":{{}},"finding":"conforming",'
        f'"guard_band":4.0,"limit":{limit},"margin":2.0,"probability_of_conformity":0.99,"quantity":null,'
        f'"reason":"","step_id":null}}'
    )
    text = f'{{"judgements":[{judged}],"verdict":{{"deciding":[],"outcome":"accepted","reason":"Met."}}}}'

    ((judgement,), verdict) = assessment_from(text)

    assert judgement.margin == 2
    assert (judgement.coverage_factor, judgement.specific_risk, judgement.limit.p_min) == (None, None, None)
    assert verdict.outcome is Outcome.ACCEPTED


@given(st.dictionaries(names, st.one_of(numbers, words)))
def test_canonical_json_does_not_depend_on_the_order_of_names(values: dict[str, object]) -> None:
    backwards = dict(reversed(values.items()))

    assert canonical_json(values) == canonical_json(backwards)


def test_canonical_json_refuses_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="JSON"):
        canonical_json({"x": math.nan})
