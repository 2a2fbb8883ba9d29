"""Contracts: what is read from sound ones, and one error in words for every mistake.

They are proved against checks made for the purpose, so that only the reading is tested here.
"""

from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.definitions import Contract, Form, Step, prove_covered, read_contract, read_contract_text
from inspect_app.definitions.elements import element_lp_mm
from inspect_app.errors import UnusableInput
from inspect_app.measure import Check, CheckOptions
from inspect_app.model import DecisionRule, Limit, Measured, Over, Severity, SpotClass

SOUND = """\
number = "T-1"
revision = "2"
title = "Contract for tests"
buyer = "Buyer"
supplier = "Supplier"
note = "Invented"

[[limit]]
device_class = ["small", "large"]
clause = "4.1"
title = "Lag"
check = "lag"
quantity = "lag"
unit = "ms"
at_most = 50
condition = { mode = "live view", illuminance_lx = 0.005 }
decision_rule = "guarded"
severity = "critical"
over = "each"

[[limit]]
device_class = "small"
clause = "4.2"
title = "Resolution"
check = "chart"
quantity = "resolution"
unit = "lp/mm"
at_least_element = "6,2"
decision_rule = "simple"
severity = "major"

[[spots]]
device_class = "large"
clause = "4.3"
title = "Spots"
check = "chart"
polarity = "dark"
contrast_at_least = 0.3
decision_rule = "guarded"
severity = "minor"

  [[spots.row]]
  size_mm = [0.075, 0.150]
  allowed = [2, 4, 6]

  [[spots.row]]
  size_mm = [0.150]
  allowed = [0, 0, 1]
"""

LIMIT_1 = SOUND[SOUND.index("[[limit]]") : SOUND.index('[[limit]]\ndevice_class = "small"')]
SPOTS = SOUND[SOUND.index("[[spots]]") :]


def sample(name, **quantities):
    return Check(
        name=name,
        title=name,
        method="",
        quantities=MappingProxyType(quantities),
        options=CheckOptions,
        run=lambda *_: Measured(check=name, method="", results=()),
    )


CHECKS = {
    "lag": sample("lag", lag="ms"),
    "chart": sample("chart", resolution="lp/mm", mtf50_lp_mm="lp/mm", dark_spots="1"),
}


def read(text=SOUND, name="test.toml"):
    return read_contract_text(text, name, checks=CHECKS)


def changed(old, new):
    assert old in SOUND
    return SOUND.replace(old, new, 1)


def test_the_head_is_read():
    contract = read()

    assert (contract.number, contract.revision, contract.title) == ("T-1", "2", "Contract for tests")
    assert (contract.buyer, contract.supplier, contract.note) == ("Buyer", "Supplier", "Invented")
    assert contract.source == SOUND
    assert contract.device_classes == ("small", "large")


def test_a_limit_is_read_for_each_of_its_classes():
    contract = read()

    [lag] = contract.limits["large"]
    assert contract.limits["small"][0] == lag
    assert lag == Limit(
        clause="4.1",
        title="Lag",
        check="lag",
        quantity_name="lag",
        unit="ms",
        at_most=50.0,
        condition={"mode": "live view", "illuminance_lx": 0.005},
        decision_rule=DecisionRule.GUARDED,
        severity=Severity.CRITICAL,
        over=Over.EACH,
    )


def test_an_element_stands_for_its_exact_value():
    """Element 6,2 resolves 2 ** (6 + 1/6) = 71.838 lp/mm, and is called 72 in trade (71.8 in the printed table)."""
    resolution = read().limits["small"][1]

    assert resolution.at_least == pytest.approx(71.838, abs=0.0005)
    assert resolution.element == "6,2"
    assert resolution.over is Over.WORST


def test_a_spot_table_is_read_by_rows():
    contract = read()

    [spots] = contract.spot_allowances["large"]
    assert contract.spot_allowances["small"] == ()
    assert spots.classes == (
        SpotClass(larger_than_mm=0.075, at_most_mm=0.15, allowed=(2, 4, 6)),
        SpotClass(larger_than_mm=0.15, at_most_mm=None, allowed=(0, 0, 1)),
    )
    assert (spots.polarity, spots.contrast_at_least, spots.severity) == ("dark", 0.3, Severity.MINOR)


def test_a_class_may_have_spot_tables_alone():
    contract = read(SOUND.replace(LIMIT_1, ""))

    assert contract.limits["large"] == ()
    assert "large" in contract.device_classes


def test_a_usual_spelling_of_a_unit_is_understood():
    assert read(changed('unit = "ms"', 'unit = "us"')).limits["large"][0].unit == "µs"


def test_limits_of_different_severity_or_side_may_stand_together():
    worse = LIMIT_1.replace("critical", "major").replace("at_most = 50", "at_most = 40")
    lower = LIMIT_1.replace("at_most = 50", "at_least = 1")

    assert len(read(SOUND + worse + lower).limits["large"]) == 3


@pytest.mark.parametrize(
    ("number", "element"),
    [("72", "6,2"), ("71.84", "6,2"), ("57", "5,6"), ("45", "5,4"), ("51", "5,5"), ("36", "5,2"), ("40.3", "5,3")],
)
def test_the_rounded_name_of_an_element_is_refused_as_a_number(number, element):
    """Printed values of the 1951 target; a literal 72 would reject a device that resolves element 6,2."""
    with pytest.raises(
        UnusableInput, match=rf'limit 2, at_least: .* element {element}.*at_least_element = "{element}"'
    ):
        read(changed('at_least_element = "6,2"', f"at_least = {number}"))


@pytest.mark.parametrize("number", ["64", "32", "60", "68"])
def test_a_number_that_is_an_element_or_none_is_honoured_as_written(number):
    """64 and 32 lp/mm are elements 6,1 and 5,1 exactly; 60 and 68 lie between elements."""
    limit = read(changed('at_least_element = "6,2"', f"at_least = {number}")).limits["small"][1]

    assert limit.at_least == float(number)
    assert limit.element == ""


def test_a_frequency_that_is_not_read_on_the_target_takes_any_number():
    text = changed('quantity = "resolution"', 'quantity = "mtf50_lp_mm"')

    assert read(text.replace('at_least_element = "6,2"', "at_least = 72")).limits["small"][1].at_least == 72


# en.wikipedia.org/wiki/1951_USAF_resolution_test_chart, printed table, groups 4 to 6.
PRINTED = {
    4: (16.00, 17.96, 20.16, 22.63, 25.40, 28.51),
    5: (32.0, 35.9, 40.3, 45.3, 50.8, 57.0),
    6: (64.0, 71.8, 80.6, 90.5, 101.6, 114.0),
}


@pytest.mark.parametrize("group", PRINTED)
def test_elements_agree_with_the_printed_table(group):
    assert [element_lp_mm(group, element) for element in range(1, 7)] == pytest.approx(PRINTED[group], abs=0.051)


MISTAKES = {
    "no TOML": ('number = "T-1"', "number = T-1", r"test\.toml: is no TOML: .*line 1"),
    "missing head": ('buyer = "Buyer"\n', "", r"test\.toml, buyer: is missing"),
    "unknown head": (
        'buyer = "Buyer"',
        'buyer = "Buyer"\nseller = "x"',
        r"test\.toml, line \d+, seller: there is no such field here",
    ),
    "nothing demanded": (SOUND[SOUND.index("[[limit]]") :], "", r"test\.toml, limit: the contract demands nothing"),
    "unknown field": (
        'clause = "4.1"',
        'clause = "4.1"\nurgent = true',
        r"limit 1, urgent: there is no such field here",
    ),
    "missing clause": ('clause = "4.1"\n', "", r"limit 1, clause: is missing"),
    "clause as number": ('clause = "4.1"', "clause = 4.1", r"limit 1, clause: is a number where text belongs: 4\.1"),
    "no class": ('["small", "large"]', "[]", r"limit 1, device_class: is a list where text belongs"),
    "class twice": ('["small", "large"]', '["small", "small"]', r"limit 1, device_class: names a class twice"),
    "class as number": ('["small", "large"]', "[1]", r"limit 1, device_class: is not a list of texts"),
    "unknown check": (
        'check = "lag"',
        'check = "lagging"',
        r"limit 1, check: 'lagging' is none.*Use one of chart, lag",
    ),
    "unknown quantity": (
        'quantity = "lag"',
        'quantity = "delay"',
        r"limit 1, quantity: 'delay' is none.*Use one of lag",
    ),
    "unknown unit": ('unit = "ms"', 'unit = "furlong"', r"limit 1, unit: this unit is not known"),
    "unit of another dimension": (
        'unit = "ms"',
        'unit = "lp/mm"',
        r"limit 1, unit: lp/mm measures spatial .*, ms measures time",
    ),
    "bound as text": ("at_most = 50", 'at_most = "50"', r"limit 1, at_most: is text where a number belongs: 50"),
    "bound as true": ("at_most = 50", "at_most = true", r"limit 1, at_most: is true or false where a number belongs"),
    "infinite bound": ("at_most = 50", "at_most = inf", r"limit 1, at_most: inf is no finite number"),
    "not a number": ("at_most = 50", "at_most = nan", r"limit 1, at_most: nan is no finite number"),
    "no bound": ("at_most = 50\n", "", r"limit 1, at_least: the limit has no bound"),
    "bounds crossed": ("at_most = 50", "at_most = 50\nat_least = 60", r"limit 1, at_least: 60 is above at_most, 50"),
    "element of milliseconds": (
        "at_most = 50",
        'at_most_element = "6,2"',
        r"at_most_element: an element stands for a number in lp/mm",
    ),
    "element and number": (
        'at_least_element = "6,2"',
        'at_least_element = "6,2"\nat_least = 64',
        r"at_least_element: an element",
    ),
    "element on two sides": (
        'at_least_element = "6,2"',
        'at_least_element = "6,2"\nat_most = 300',
        r"an element stands on one side",
    ),
    "element 7": (
        'at_least_element = "6,2"',
        'at_least_element = "6,7"',
        r"at_least_element: '6,7' is no element of the target",
    ),
    "element as words": (
        'at_least_element = "6,2"',
        'at_least_element = "six"',
        r"at_least_element: 'six' is no element",
    ),
    "element as number": (
        'at_least_element = "6,2"',
        "at_least_element = 6.2",
        r"at_least_element: is a number where text",
    ),
    "no decision rule": ('decision_rule = "guarded"\n', "", r"limit 1, decision_rule: is missing"),
    "unknown decision rule": (
        'decision_rule = "guarded"',
        'decision_rule = "strict"',
        r"'strict' is none.*Use one of simple, guarded",
    ),
    "probability without its least value": (
        'decision_rule = "guarded"',
        'decision_rule = "probability"',
        r"limit 1, p_min: is missing",
    ),
    "probability in per cent": (
        'decision_rule = "guarded"',
        'decision_rule = "probability"\np_min = 95',
        r"limit 1, p_min: 95 is not between 0 and 1. Write 95 % as 0\.95",
    ),
    "least probability for another rule": (
        'decision_rule = "guarded"',
        'decision_rule = "guarded"\np_min = 0.95',
        r"limit 1, p_min: the rule guarded asks for no probability",
    ),
    "spots by a rule of quantities": (
        SPOTS,
        SPOTS.replace('"guarded"', '"guard-U"'),
        r"spots 1, decision_rule: 'guard-U' is none.*simple, guarded",
    ),
    "unknown severity": (
        'severity = "critical"',
        'severity = "bad"',
        r"severity: 'bad' is none.*critical, major, minor",
    ),
    "unknown over": ('over = "each"', 'over = "best"', r"over: 'best' is none.*worst, each, mean"),
    "condition not a table": (
        '{ mode = "live view", illuminance_lx = 0.005 }',
        '"live view"',
        r"condition: is text where a table",
    ),
    "condition true": ('mode = "live view"', "mode = true", r"limit 1, condition, mode: is true or false where"),
    "limit twice": ("[[spots]]", LIMIT_1 + "[[spots]]", r"limit 3, at_most: lag has such a limit for 'small' already"),
    "check without spots": (SPOTS, SPOTS.replace('"chart"', '"lag"'), r"spots 1, check: lag finds no spots"),
    "unknown polarity": ('polarity = "dark"', 'polarity = "grey"', r"spots 1, polarity: 'grey' is none.*dark, bright"),
    "contrast in per cent": (
        "contrast_at_least = 0.3",
        "contrast_at_least = 30",
        r"contrast_at_least: 30 is not from 0 to 1.*0\.3",
    ),
    "table without rows": (SOUND[SOUND.index("  [[spots.row]]") :], "", r"spots 1, row: the table has no row"),
    "row of three sizes": ("[0.075, 0.150]", "[0.075, 0.1, 0.150]", r"spots 1, row 1, size_mm: is no range of sizes"),
    "row upside down": ("[0.075, 0.150]", "[0.150, 0.075]", r"row 1, size_mm: is no range of sizes"),
    "negative size": ("[0.075, 0.150]", "[-1, 0.150]", r"row 1, size_mm: is no range of sizes"),
    "gap between rows": ("[0.150]", "[0.2]", r"row 2, size_mm: does not begin where the row before ends"),
    "row after the open one": (
        "[0.075, 0.150]",
        "[0.075]",
        r"row 2, size_mm: does not begin where the row before ends",
    ),
    "half a spot": ("[2, 4, 6]", "[2, 4.5, 6]", r"row 1, allowed: holds what is no count"),
    "fewer than none": ("[2, 4, 6]", "[2, -4, 6]", r"row 1, allowed: holds what is no count"),
    "spots as text": ("[2, 4, 6]", '["2", 4, 6]', r"row 1, allowed: is not a list of numbers"),
    "zones differ": ("[0, 0, 1]", "[0, 0]", r"row 2, allowed: has 2 zones, the row before 3"),
    "unknown field of row": (
        "allowed = [0, 0, 1]",
        "allowed = [0, 0, 1]\nzone = 1",
        r"row 2, zone: there is no such field here",
    ),
    "table twice": (SPOTS, SPOTS + "\n" + SPOTS, r"spots 2, polarity: 'large' has such a table already"),
}


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES.values(), ids=MISTAKES.keys())
def test_a_mistake_is_told_with_file_place_field_and_way_out(old, new, message):
    with pytest.raises(UnusableInput, match=message) as caught:
        read(changed(old, new))

    assert caught.value.where.startswith("test.toml")
    assert caught.value.remedy
    assert "\n" not in str(caught.value)


def test_a_contract_is_read_from_its_file(tmp_path):
    path = tmp_path / "t-1.toml"
    path.write_text(SOUND, encoding="utf-8-sig")

    assert read_contract(path, checks=CHECKS) == read()


@given(st.data())
def test_a_contract_with_a_piece_cut_out_is_read_or_refused_in_words(data):
    start = data.draw(st.integers(0, len(SOUND)))
    end = data.draw(st.integers(start, len(SOUND)))
    outcome: Contract | str

    try:
        outcome = read(SOUND[:start] + SOUND[end:])
    except UnusableInput as error:
        outcome = error.remedy

    assert outcome


def form(device_class, *steps):
    return Form(device_class=device_class, title="", revision="A", steps=steps, source="", digest="")


def step(check, **condition):
    return Step(id=check, check=check, title="", instruction="", condition=condition)


LAG = step("lag", mode="live view", illuminance_lx=0.005)
FORMS = {"small": form("small", LAG, step("chart")), "large": form("large", LAG, step("chart"))}


def test_forms_that_ask_for_all_that_is_demanded_cover_the_contract():
    prove_covered(read(), FORMS)


def test_a_class_without_a_form_is_told():
    with pytest.raises(UnusableInput, match=r"contract T-1: no form is for 'large'\. Use one of small"):
        prove_covered(read(), {"small": FORMS["small"]})


@pytest.mark.parametrize("steps", [(step("chart"),), (step("lag", mode="recording"), step("chart"))])
def test_a_demand_that_no_step_can_answer_is_told(steps):
    with pytest.raises(UnusableInput, match=r"contract T-1, clause 4\.1: .* no step lag under mode live view"):
        prove_covered(read(), {**FORMS, "small": form("small", *steps)})


def test_a_spot_table_that_no_step_can_answer_is_told():
    with pytest.raises(UnusableInput, match=r"contract T-1, clause 4\.3: .* no step chart under any condition"):
        prove_covered(read(), {**FORMS, "large": form("large", LAG)})
