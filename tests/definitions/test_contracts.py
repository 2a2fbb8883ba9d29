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
from inspect_app.model import DecisionRule, Limit, Measured, Outcome, Over, Severity, SpotClass
from tests.truth.contracts import SOUND, changed

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
    "latency": sample("latency", latency_half="ms"),
    "bar-target": sample("bar-target", resolution="lp/mm", mtf50_lp_mm="lp/mm"),
    "blemish": sample("blemish", dark_spots="1"),
}


def read(text=SOUND, name="test.toml"):
    return read_contract_text(text, name, checks=CHECKS)


def test_the_head_is_read():
    contract = read(changed('supplier = "Supplier"', 'supplier = "Supplier"\nnote = "Invented"'))

    assert (contract.number, contract.revision, contract.title) == ("T-1", "2", "Contract for tests")
    assert (contract.buyer, contract.supplier, contract.note) == ("Buyer", "Supplier", "Invented")
    assert contract.source.startswith(SOUND[:20])
    assert contract.device_classes == ("small", "large")


def test_a_limit_is_read_for_each_of_its_classes():
    contract = read()

    [lag] = contract.limits["large"]
    assert contract.limits["small"][0] == lag
    assert lag == Limit(
        clause="4.1",
        title="Lag",
        check="latency",
        quantity_name="latency_half",
        unit="ms",
        at_most=50.0,
        condition={"mode": "live view"},
        decision_rule=DecisionRule.GUARDED,
        severity=Severity.CRITICAL,
        over=Over.WORST,
    )


@pytest.mark.parametrize("over", Over)
def test_a_limit_says_how_it_reads_several_results(over):
    text = changed('severity = "critical"', f'severity = "critical"\nover = "{over}"')

    assert read(text).limits["large"][0].over is over


def test_a_limit_says_what_becomes_of_conditional_findings():
    told = 'decision_rule = "nonbinary"\nconditional_fail = "held"'

    limit = read(changed('decision_rule = "guarded"', told)).limits["large"][0]

    assert (limit.conditional_pass, limit.conditional_fail) == (Outcome.ACCEPTED, Outcome.HELD)


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


# What other slips of the pen give is told in `test_bad_contracts`.
MISTAKES = {
    "missing head": ('buyer = "Buyer"\n', "", r"test\.toml, buyer: is missing"),
    "class as number": ('["small", "large"]', "[1]", r"limit 1, device_class: is not a list of texts"),
    "bound as true": ("at_most = 50", "at_most = true", r"limit 1, at_most: is true or false where a number belongs"),
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
    "check without spots": (SPOTS, SPOTS.replace('"blemish"', '"latency"'), r"spots 1, check: latency finds no spots"),
    "table without rows": (SOUND[SOUND.index("  [[spots.row]]") :], "", r"spots 1, row: the table has no row"),
    "row of three sizes": ("[0.075, 0.150]", "[0.075, 0.1, 0.150]", r"spots 1, row 1, size_mm: is no range of sizes"),
    "negative size": ("[0.075, 0.150]", "[-1, 0.150]", r"row 1, size_mm: is no range of sizes"),
    "row after the open one": (
        "[0.075, 0.150]",
        "[0.075]",
        r"row 2, size_mm: does not begin where the row before ends",
    ),
    "spots as text": ("[2, 4, 6]", '["2", 4, 6]', r"row 1, allowed: is not a list of numbers"),
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


LAG = step("latency", mode="live view")
BARS, SPOTTED = step("bar-target"), step("blemish")
FORMS = {"small": form("small", LAG, BARS), "large": form("large", LAG, SPOTTED)}


def test_forms_that_ask_for_all_that_is_demanded_cover_the_contract():
    prove_covered(read(), FORMS)


def test_a_class_without_a_form_is_told():
    with pytest.raises(UnusableInput, match=r"contract T-1: no form is for 'large'\. Use one of small"):
        prove_covered(read(), {"small": FORMS["small"]})


@pytest.mark.parametrize("steps", [(BARS,), (step("latency", mode="recording"), BARS)])
def test_a_demand_that_no_step_can_answer_is_told(steps):
    with pytest.raises(UnusableInput, match=r"contract T-1, clause 4\.1: .* no step latency under mode live view"):
        prove_covered(read(), {**FORMS, "small": form("small", *steps)})


def test_a_spot_table_that_no_step_can_answer_is_told():
    with pytest.raises(UnusableInput, match=r"contract T-1, clause 4\.3: .* no step blemish under any condition"):
        prove_covered(read(), {**FORMS, "large": form("large", LAG)})


REPEAT = '\n[[repeat]]\ndevice_class = "small"\nafter_months = 24\n'


def test_the_months_after_which_a_class_is_inspected_again_are_read_by_class():
    assert dict(read(SOUND + REPEAT).repeat_after_months) == {"small": 24}
    assert dict(read().repeat_after_months) == {}


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (REPEAT.replace("24", "0"), "0 is no such interval"),
        (REPEAT.replace("24", "1.5"), "1.5 is no such interval"),
        (REPEAT.replace("24", "241"), "241 is no such interval"),
        (REPEAT.replace("small", "huge"), "the contract demands nothing of 'huge'"),
        (REPEAT + REPEAT, "'small' is repeated already"),
        (REPEAT + "clause = 1\n", "no such field"),
    ],
)
def test_a_repeat_that_cannot_be_meant_is_refused_in_words(text, problem):
    with pytest.raises(UnusableInput, match=problem):
        read(SOUND + text)
