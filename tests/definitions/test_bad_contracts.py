"""Contracts as they go wrong in people's hands, read as files: each names file, line, field and the way out."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.definitions import read_contract
from inspect_app.definitions.lines import line_numbers
from inspect_app.errors import UnusableInput
from tests.truth.contracts import SOUND, changed

SECOND_LAG = """[[limit]]
device_class = "small"
clause = "4.9"
title = "Lag again"
check = "latency"
quantity = "latency_half"
unit = "s"
at_most = 0.04
condition = { mode = "live view" }
decision_rule = "simple"
severity = "critical"

[[spots]]"""

# name: what is replaced, by what, the line that must be named (by what stands on it), the field, the problem
SLIPS = {
    "wrong unit": ('"ms"', '"lp/mm"', 'unit = "lp/mm"', "limit 1, unit", "lp/mm measures spatial frequency"),
    "unknown unit": ('"ms"', '"msec"', '"msec"', "limit 1, unit", "not known"),
    "unknown field": ("at_most = 50", "at_most = 50\nat_must = 5", "at_must", "limit 1, at_must", "no such field"),
    "unknown head": ('buyer = "B', 'byer = 1\nbuyer = "B', "byer", "byer", "no such field"),
    "condition's name": ("{ mode", "{ Mode", "Mode", "condition, Mode", "no name for a condition"),
    "condition true": ('"live view"', "true", "mode = true", "condition, mode", "true or false"),
    "condition not a table": ('{ mode = "live view" }', "3", "condition = 3", "limit 1, condition", "where a table"),
    "limit twice": ("[[spots]]", SECOND_LAG, "at_most = 0.04", "limit 3, at_most", "such a limit for 'small' already"),
    "limits crossed": ("at_most = 50", "at_least = 60\nat_most = 50", "at_least = 60", "at_least", "60 is above"),
    "no bound": ("at_most = 50\n", "", "[[limit]]", "limit 1, at_least", "no bound"),
    "not a number": ("= 50", "= nan", "at_most = nan", "limit 1, at_most", "no finite number"),
    "infinite": ("= 50", "= -inf", "at_most = -inf", "limit 1, at_most", "no finite number"),
    "far too large": ("= 50", "= 1e999", "1e999", "limit 1, at_most", "no finite number"),
    "number as text": ("= 50", '= "50"', 'at_most = "50"', "limit 1, at_most", "is text where a number"),
    "text as number": ('"4.1"', "4.1", "clause = 4.1", "limit 1, clause", "a number where text"),
    "date": ("= 50", "= 2026-01-01", "2026-01-01", "limit 1, at_most", "a date or time"),
    "missing clause": ('clause = "4.1"\n', "", "[[limit]]", "limit 1, clause", "is missing"),
    "empty title": ('"Lag"', '" "', 'title = " "', "limit 1, title", "is empty"),
    "unprintable": ('"Lag"', '"L\\u0007ag"', "u0007", "limit 1, title", "cannot be printed"),
    "unknown check": ('"latency"', '"lag"', '"lag"', "limit 1, check", "none of its words"),
    "quantity of another check": ('"latency_half"', '"mtf50"', '"mtf50"', "limit 1, quantity", "none of its words"),
    "no rule": ('decision_rule = "guarded"\n', "", "[[limit]]", "limit 1, decision_rule", "is missing"),
    "unknown rule": ('"guarded"', '"strict"', '"strict"', "limit 1, decision_rule", "none of its words"),
    "no least probability": ('"guarded"', '"probability"', "[[limit]]", "limit 1, p_min", "is missing"),
    "per cent": ('"guarded"', '"probability"\np_min = 95', "p_min = 95", "limit 1, p_min", "not between 0 and 1"),
    "probability unasked": ('"guarded"', '"guarded"\np_min = 0.9', "p_min", "limit 1, p_min", "asks for no"),
    "conditional unasked": ('"guarded"', '"guarded"\nconditional_fail = "held"', "conditional_fail",
        "limit 1, conditional_fail", "knows no conditional findings"),
    "conditional nonsense": ('"guarded"', '"nonbinary"\nconditional_pass = "return"', "conditional_pass",
        "limit 1, conditional_pass", "none of its words"),
    "fail milder than pass": ('"guarded"', '"nonbinary"\nconditional_pass = "held"\nconditional_fail = "accepted"',
        "conditional_fail", "limit 1, conditional_fail", "milder than a pass"),
    "unknown severity": ('"critical"', '"grave"', '"grave"', "limit 1, severity", "none of its words"),
    "unknown over": ('"critical"', '"critical"\nover = "best"', "over", "limit 1, over", "none of its words"),
    "rounded name": ('_element = "6,2"', " = 72", "at_least = 72", "limit 2, at_least", "rounded name of element 6,2"),
    "no element": ('"6,2"', '"6,7"', '"6,7"', "limit 2, at_least_element", "no element of the target"),
    "element and number": ('"6,2"', '"6,2"\nat_most = 200', "[[limit]]", "limit 2, at_least", "on one side only"),
    "class twice": ('"large"]', '"small"]', '"small", "small"', "limit 1, device_class", "names a class twice"),
    "no class": ('["small", "large"]', "[]", "device_class = []", "limit 1, device_class", "where text belongs"),
    "single brackets": ("[[spots]]", "[spots]", "[spots]", "spots", "a table where a list of tables"),
    "unknown polarity": ('"dark"', '"grey"', '"grey"', "spots 1, polarity", "none of its words"),
    "contrast in per cent": ("= 0.3", "= 30", "= 30", "spots 1, contrast_at_least", "not from 0 to 1"),
    "rule of quantities": (
        "= 0.3\ndecision_rule =", "= 0.3\ndecision_rule = 'guard-U' #", "guard-U",
        "spots 1, decision_rule", "none of its words"),
    "gap between rows": ("[0.150]", "[0.2]", "size_mm = [0.2]", "spots 1, row 2, size_mm", "does not begin where"),
    "sizes upside down": ("[0.075, 0.150]", "[0.150, 0.075]", "[0.150, 0.075]", "row 1, size_mm", "no range of sizes"),
    "zones differ": ("[0, 0, 1]", "[0, 0]", "allowed = [0, 0]", "spots 1, row 2, allowed", "has 2 zones"),
    "half a spot": ("[2, 4, 6]", "[2, 4.5, 6]", "4.5", "spots 1, row 1, allowed", "no count"),
    "fewer than none": ("[2, 4, 6]", "[2, -4, 6]", "-4", "spots 1, row 1, allowed", "no count"),
    "row without size": ("  size_mm = [0.150]\n", "", "[[spots.row]]", "spots 1, row 2, size_mm", "is missing"),
    "field of a row": ("[0, 0, 1]", "[0, 0, 1]\nzone = 1", "zone = 1", "spots 1, row 2, zone", "no such field"),
}  # fmt: skip

# name: what is replaced, by what, the line; these are no TOML at all, and the parser's words stand in the message
BROKEN = {
    "key twice": ('unit = "ms"', 'unit = "ms"\nunit = "ms"', 14),
    "decimal comma": ("at_most = 50", "at_most = 50,5", 14),
    "open quotation": ('"Lag"', '"Lag', 10),
    "open bracket": ('["small", "large"]', '["small", "large"', 9),
    "curled quotation marks": ('"Lag"', "“Lag”", 10),
    "byte order mark inside": ("[[spots]]", "\ufeff[[spots]]", 32),
    "bare carriage return": ('"Lag"\n', '"Lag"\r', 10),
    "null": ('"Lag"', '"L\0ag"', 10),
    "tab in a text": ('"Lag"', '"L\x0bag"', 10),
}


def refused(tmp_path, content):
    path = tmp_path / "test.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(UnusableInput) as caught:
        read_contract(path)
    assert caught.value.where.startswith("test.toml")
    assert caught.value.remedy
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize(("old", "new", "on", "field", "problem"), SLIPS.values(), ids=SLIPS.keys())
def test_a_slip_is_told_with_file_line_field_and_way_out(tmp_path, old, new, on, field, problem):
    text = changed(old, new)

    error = refused(tmp_path, text)

    number, named = re.fullmatch(r"test\.toml, line (\d+), (.*)", error.where).groups()
    assert on in text.split("\n")[int(number) - 1]
    assert named.endswith(field)
    assert problem in error.problem


@pytest.mark.parametrize(("old", "new", "line"), BROKEN.values(), ids=BROKEN.keys())
def test_what_is_no_toml_is_told_with_its_line(tmp_path, old, new, line):
    error = refused(tmp_path, changed(old, new))

    assert f"at line {line}," in error.problem


@pytest.mark.parametrize(
    ("content", "where", "problem"),
    [
        (SOUND.replace("Lag", "L\xe4g").encode("latin-1"), "test.toml", "line 10 is not UTF-8"),
        (SOUND.encode("utf-16"), "test.toml", "line 1 is not UTF-8"),
        (b"x = 1\n" * 1_700_000, "test.toml", "is larger than 1 MB"),
        ("x = " + "[" * 10_000 + "]" * 10_000, "test.toml, line 1", "nested too deeply"),
        (SOUND + "[" + ".".join(["a"] * 10_000) + "]\nb = 1\n", "test.toml, line 49", "nested too deeply"),
        (SOUND + "".join(f"[t{n}]\n" for n in range(10_000)), "test.toml, line 49, t0", "no such field"),
        ("", "test.toml, limit", "demands nothing"),
        ("# nothing yet\n", "test.toml, limit", "demands nothing"),
        (SOUND[SOUND.index("[[limit]]") :], "test.toml, number", "is missing"),
    ],
    ids=[
        "latin-1",
        "utf-16",
        "10 MB",
        "10 000 brackets",
        "10 000 dots",
        "10 000 tables",
        "empty",
        "comment",
        "no head",
    ],
)
def test_a_file_that_is_no_contract_is_told(tmp_path, content, where, problem):
    error = refused(tmp_path, content)

    assert error.where == where
    assert problem in error.problem


def test_a_folder_or_nothing_in_place_of_a_file_is_told(tmp_path):
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(UnusableInput, match="cannot be read"):
            read_contract(path)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_tabs_byte_order_mark_and_line_ends_change_nothing(tmp_path, ending, mark):
    path = tmp_path / "test.toml"
    path.write_bytes((mark + SOUND.replace("  ", "\t").replace("\n", ending)).encode())

    assert [limit.clause for limit in read_contract(path).limits["small"]] == ["4.1", "4.2"]


def test_a_field_within_a_long_text_is_not_taken_for_one():
    """Truth: counted by hand in SOUND."""
    lines = line_numbers(SOUND)

    assert lines[("limit", 1, "at_most")] == 14
    assert ("limit", 2, "at_most") not in lines
    assert lines[("limit", 2, "check")] == 25
    assert lines[("spots", 1, "row", 2, "allowed")] == 48


@given(st.text(alphabet="[]{}\"'=#\n\\ab. ", max_size=60))
def test_lines_are_found_in_any_text_without_a_fault(text):
    assert all(1 <= number <= text.count("\n") + 1 for number in line_numbers(text).values())
