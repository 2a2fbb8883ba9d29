"""What the number field takes and refuses; the truth is the written rule and `quantity.parse_number`."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.quantity import parse_number
from inspect_app.web.fields import number_problem
from inspect_app.web.typed import looks_like_serial, without_control_characters


@pytest.mark.parametrize("text", ["12.5", "12,5", "12.5 ms", "0.0125 s", "12500 us", "+12,5ms"])
def test_a_number_may_have_a_comma_and_its_unit(text):
    assert number_problem("Exposure time", text, "ms", 0.1, 1000) == ""


def test_a_number_out_of_range_is_told_with_both_bounds_and_what_was_entered():
    problem = number_problem("Exposure time", "5000", "ms", 0.1, 1000)

    assert problem == "Exposure time must be between 0.1 and 1000 ms. You entered 5000."


def test_the_range_is_held_in_the_unit_that_was_typed():
    """2 s are 2000 ms, beyond 1000 ms."""
    assert "You entered 2 s" in number_problem("Exposure time", "2 s", "ms", 0.1, 1000)


@pytest.mark.parametrize(("low", "high", "words"), [(3, None, "3 ms or more"), (None, 3, "3 ms or less")])
def test_an_open_range_is_told_with_its_one_bound(low, high, words):
    entered = "2" if low else "4"

    assert words in number_problem("Gap", entered, "ms", low, high)


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-inf", "1e999", "twelve", "12.5.1", "1 2", "--3"])
def test_what_is_no_finite_number_is_refused(text):
    assert number_problem("Gap", text, "ms", None, None) != ""


@pytest.mark.parametrize("serial", ["HM-00412", "QD2-1180", "FO 22031", "tm-0001"])
def test_a_serial_in_a_number_field_is_named_as_one(serial):
    problem = number_problem("Distance", serial, "m", None, None)

    assert f"looks like the serial {serial}" in problem


@given(st.floats(allow_nan=False, allow_infinity=False, width=32), st.floats(-1e6, 1e6), st.floats(0, 1e6))
def test_a_number_is_refused_exactly_when_it_is_outside_its_range(number, low, span):
    """Property: acceptance equals low ≤ number ≤ high."""
    text = f"{number:.6f}"
    high = low + span

    is_inside = low <= parse_number(text, "1") <= high

    assert (number_problem("Count", text, "1", low, high) == "") is is_inside


@given(st.text(max_size=40))
def test_whatever_is_typed_is_answered_in_words(text):
    """Property: no text breaks the field."""
    assert isinstance(number_problem("Count", text, "ms", 0.0, 1.0), str)


@given(st.text(max_size=40))
def test_cleaning_a_scan_twice_changes_nothing_more(text):
    """Property: idempotent, and no control character is left."""
    once = without_control_characters(text)

    assert without_control_characters(once) == once
    assert not any(ord(mark) < 32 and mark not in "\t\n" for mark in once)


@pytest.mark.parametrize("text", ["12.5", "1,4", "-3,2", "0.005 lx", "", "abc"])
def test_readings_are_not_taken_for_serials(text):
    assert not looks_like_serial(text)
