"""Scales of drawings: properties that hold for all numbers."""

import itertools
import math

from hypothesis import assume, given
from hypothesis import strategies as st

from inspect_app.documents.figures._scale import Scale, log_scale_for, scale_for

finite = st.floats(min_value=-1e6, max_value=1e6)


@given(values=st.lists(finite, max_size=8), room=st.floats(0, 0.5))
def test_a_scale_holds_every_value_that_it_was_made_for(values, room):
    scale = scale_for(values, start=10.0, end=200.0, room=room)

    assert all(scale.holds(value) for value in values)
    assert all(10.0 <= scale.at(value) <= 200.0 for value in values)


@given(low=finite, span=st.floats(1e-3, 1e6), most=st.integers(3, 8))
def test_ticks_are_few_evenly_spaced_on_the_scale_and_read_as_what_they_are(low, span, most):
    scale = Scale(low=low, high=low + span, start=0.0, end=1.0)
    assume(scale.high > scale.low + 1e-9 * abs(low))
    ticks = scale.ticks(most)
    steps = [b - a for (a, _), (b, _) in itertools.pairwise(ticks)]

    assert 1 <= len(ticks) <= most + 1
    assert all(abs(step - steps[0]) <= 1e-6 * steps[0] for step in steps)
    assert all(low - 1e-6 * span <= value <= low + span * (1 + 1e-6) for value, _ in ticks)
    assert all(
        math.isclose(float(label.replace("\N{MINUS SIGN}", "-")), value, rel_tol=1e-6, abs_tol=1e-3 * span)
        for value, label in ticks
    )


@given(a=finite, b=finite, c=finite)
def test_a_larger_number_never_lies_before_a_smaller_one(a, b, c):
    scale = scale_for([a, b], start=0.0, end=100.0)
    low, high = sorted((a, c))

    assert scale.at(low) <= scale.at(high)


@given(values=st.lists(st.floats(1e-6, 1e6), min_size=1, max_size=8))
def test_a_logarithmic_scale_spans_a_decade_and_holds_its_values(values):
    scale = log_scale_for(values, start=0.0, end=100.0)

    assert scale.high / scale.low >= 10 * (1 - 1e-9)
    assert all(scale.low * (1 - 1e-9) <= value <= scale.high * (1 + 1e-9) for value in values)
    assert scale.ticks()


def test_a_scale_turned_upside_down_grows_upwards():
    scale = Scale(low=0.0, high=10.0, start=100.0, end=0.0)

    assert [scale.at(value) for value in (0.0, 2.5, 10.0)] == [100.0, 75.0, 0.0]
