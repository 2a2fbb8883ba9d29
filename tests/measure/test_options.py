"""Options: one that cannot be read is told by its name, with what was given and what it takes."""

import pytest

from inspect_app.errors import UnusableInput
from inspect_app.measure import CHECKS, flag, is_repeated, read_options, told_range, unit_of

NUMBERS = [
    pytest.param(check.options, name, id=f"{check.name} {name}")
    for check in CHECKS.values()
    for name, info in check.options.model_fields.items()
    if unit_of(info) is not None
]


@pytest.mark.parametrize(("options", "name"), NUMBERS)
@pytest.mark.parametrize("text", ["wide", "nan", "1e999"])
def test_a_number_that_is_none_is_told_by_the_name_of_its_option(options, name, text):
    """Behaviour: the option stands before the colon, what was given behind it, and a remedy ends the line."""
    given = (text,) if is_repeated(options.model_fields[name]) else text

    with pytest.raises(UnusableInput) as told:
        read_options(options, {name: given})

    assert told.value.where == f"option {flag(name)}"
    assert f"you gave {text}" in told.value.problem
    assert told.value.remedy.startswith("Type a number")


@pytest.mark.parametrize(
    ("check", "given", "told"),
    [
        (
            "slanted-edge",
            {"transfer": "power:nan"},
            r"option --transfer: 'nan': this is not a number; you gave power:nan",
        ),
        ("blemish", {"zones": "5,x"}, "option --zones: 'x': this is not a number; you gave 5,x"),
        ("blemish", {"spot": ("1,x,dark",)}, "option --spot: 'x': this is not a number; you gave 1,x,dark"),
        ("readout", {"strobe_hz": "-3"}, "option --strobe-hz: .*Give a number in Hz above 0, at most 1000000"),
        ("readout", {"strobe_hz": 200, "rows": "2.5"}, "option --rows: a whole number is wanted; you gave 2.5"),
        ("readout", {}, "option --strobe-hz: it is missing. Give strobe frequency"),
        ("slanted-edge", {"mtf50_reading": ("-1",)}, "you gave -1.0. Give MTF50 read elsewhere"),
    ],
)
def test_what_is_wrong_with_an_option_is_told_in_one_line(check, given, told):
    """Behaviour: numbers within an option, numbers out of range, whole numbers and options that are missing."""
    with pytest.raises(UnusableInput, match=told):
        read_options(CHECKS[check].options, given)


@pytest.mark.parametrize(
    ("check", "name", "told"),
    [
        ("readout", "strobe_hz", "above 0, at most 1000000"),
        ("readout", "strobe_duty", "from 0.005 to 0.95"),
        ("latency", "frame_rate", "above 0"),
        ("blemish", "transfer", ""),
    ],
)
def test_a_range_says_whether_its_ends_belong_to_it(check, name, told):
    """Behaviour: zero hertz is out of a range that begins above it."""
    assert told_range(CHECKS[check].options.model_fields[name]) == told
