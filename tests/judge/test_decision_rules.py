"""The vectors of the decision rules, each beside its source, through the judge and through the command.

JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1:2017 are cited from memory, and every figure was computed anew with
scipy; the published ones agree to the digits that are printed there.
"""

import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from inspect_app.cli import main
from inspect_app.judge import RULES, acceptance, decide, device_verdict, probability_of_conformity
from inspect_app.model import DecisionRule, Finding, Limit, Outcome
from inspect_app.quantity import Quantity

STRENGTH = "JCGM 106:2012, 7.3, breaking strength (published: 0.99)"
ZENER = "JCGM 106:2012, 7.3, Zener voltage (published: 0.92)"
TABLE_OF_Z = "JCGM 106:2012, table of z for a one-sided limit"
TABLE_1 = "ILAC-G8:09/2019, Table 1"
LATENCY = "computed: T_U = 50 ms, u = 2 ms, k = 2"
RESOLUTION = "computed: T_L = 64 lp/mm, u = 2.14 lp/mm, ISO 14253-1:2017 at 95 %"
CENTRE = "computed: limits ±2, result in their middle"
FEW = "computed: u from few repeats, Student's t"

# name, source, result and limit and rule, judgement, and of p_c, specific risk, margin, acceptance limits what is told
VECTORS = [
    ("D01", STRENGTH, "509.7 ± 8.6 ≥ 490 by simple", "conforming", {"p_c": 0.989}),
    ("D02", ZENER, "-5.47 ± 0.05 ≤ -5.40 by simple", "conforming", {"p_c": 0.9192}),
    ("D06b", TABLE_OF_Z, "0 ± 1 ≤ 1.2816 by probability 0.9", "conforming", {"p_c": 0.9}),
    ("D06c", TABLE_OF_Z, "0 ± 1 ≤ 1.6449 by probability", "conforming", {"p_c": 0.95}),
    ("D06e", TABLE_OF_Z, "0 ± 1 ≤ 3.0903 by probability 0.999", "conforming", {"p_c": 0.999}),
    ("D07c", TABLE_1, "48 ± 1 ≤ 50 by guard-U", "conforming", {"risk": 0.02275, "A_U": 48}),
    ("D07d", TABLE_1, "48.34 ± 1 ≤ 50 by simple", "conforming", {"risk": 0.04846}),
    ("D07f", TABLE_1, "52.0001 ± 1 ≤ 50 by nonbinary", "nonconforming", {"risk": 0.02275}),
    ("D08a", LATENCY, "44 ± 2 ≤ 50 by guard-U", "conforming", {"A_U": 46, "margin": 2, "p_c": 0.9987, "risk": 0.0013}),
    ("D08a", LATENCY, "44 ± 2 ≤ 50 by nonbinary", "conforming", {"A_U": 46, "p_c": 0.9987, "risk": 0.0013}),
    ("D08b", LATENCY, "46 ± 2 ≤ 50 by guard-U", "conforming", {"A_U": 46, "margin": 0}),
    (
        "D08c",
        LATENCY,
        "49 ± 2 ≤ 50 by guard-U",
        "nonconforming",
        {"A_U": 46, "margin": -3, "p_c": 0.6915, "risk": 0.6915},
    ),
    ("D08c", LATENCY, "49 ± 2 ≤ 50 by nonbinary", "conditional pass", {"p_c": 0.6915, "risk": 0.3085}),
    ("D08d", LATENCY, "50 ± 2 ≤ 50 by nonbinary", "conditional pass", {"p_c": 0.5, "risk": 0.5}),
    ("D08d", LATENCY, "50 ± 2 ≤ 50 by simple", "conforming", {"A_U": 50, "p_c": 0.5, "risk": 0.5}),
    ("D08f", LATENCY, "54 ± 2 ≤ 50 by guard-U", "nonconforming", {"p_c": 0.0228, "risk": 0.0228}),
    ("D08f", LATENCY, "54 ± 2 ≤ 50 by nonbinary", "conditional fail", {"p_c": 0.0228}),
    ("D08g", LATENCY, "56 ± 2 ≤ 50 by nonbinary", "nonconforming", {"p_c": 0.0013}),
    ("D09a", RESOLUTION, "72 ± 2.14 ≥ 64 by iso14253-supplier", "conforming", {"A_L": 67.5203, "p_c": 0.9999}),
    ("D09b", RESOLUTION, "66 ± 2.14 ≥ 64 by iso14253-supplier", "inconclusive", {"A_L": 67.5203, "p_c": 0.825}),
    ("D09d", RESOLUTION, "60 ± 2.14 ≥ 64 by iso14253-supplier", "inconclusive", {"A_L": 67.5203, "p_c": 0.0308}),
    (
        "D09b",
        RESOLUTION,
        "66 ± 2.14 ≥ 64 by iso14253-buyer",
        "inconclusive",
        {"A_L": 60.4797, "p_c": 0.825, "risk": 0.175},
    ),
    ("D09d", RESOLUTION, "60 ± 2.14 ≥ 64 by iso14253-buyer", "nonconforming", {"A_L": 60.4797, "p_c": 0.0308}),
    ("D10a", CENTRE, "0 ± 1 ≥ -2 ≤ 2 by simple", "conforming", {"p_c": 0.9545}),
    ("D10c", CENTRE, "0 ± 2 ≥ -2 ≤ 2 by simple", "conforming", {"p_c": 0.6827}),
    ("D15", FEW, "46 ± 2 dof 4 ≤ 50 by iso14253-supplier", "inconclusive", {"A_U": 45.7363, "p_c": 0.9419}),
    ("D15", FEW, "46 ± 2 dof 4 ≤ 50 by probability", "nonconforming", {"A_U": 45.7363, "p_c": 0.9419, "risk": 0.9419}),
    ("D15", FEW, "46 ± 2 ≤ 50 by probability", "conforming", {"A_U": 46.7103, "p_c": 0.9772}),
]
OPTIONS = {"±": "--u", "dof": "--dof", "≥": "--at-least", "≤": "--at-most", "by": "--rule"}
TOLERANCE = 1e-4


def spelt(shorthand):
    """Return ``44 ± 2 ≤ 50 by simple`` as the command's options; a number after the rule is its least probability."""
    words = [OPTIONS.get(word, word) for word in shorthand.split()]
    rule = words.index("--rule") + 1
    return " ".join(["--value", *words[: rule + 1], *(["--p-min", *words[rule + 1 :]] if words[rule + 1 :] else [])])


def run(capsys, arguments):
    status = main(["decide", *arguments.split(), "--json"])
    out, err = capsys.readouterr()
    return status, json.loads(out) if out else None, err


@pytest.mark.parametrize(("name", "source", "decided", "judgement", "numbers"), VECTORS)
def test_the_command_gives_what_the_source_says(capsys, name, source, decided, judgement, numbers):
    status, printed, _ = run(capsys, spelt(decided))

    told = {
        "p_c": printed["probability_of_conformity"],
        "risk": printed["specific_risk"],
        "margin": printed["margin"],
        "A_L": printed["acceptance_limits"]["at_least"],
        "A_U": printed["acceptance_limits"]["at_most"],
    }
    assert status == 0
    assert printed["judgement"] == judgement
    assert {key: told[key] for key in numbers} == pytest.approx(numbers, abs=TOLERANCE), f"{name}: {source}"


def test_d07a_a_guard_band_of_three_expanded_uncertainties_leaves_less_than_one_in_a_million(capsys):
    """ILAC-G8:09/2019, Table 1, "6 sigma": 9.866e-10 by scipy, printed as below 1 ppm."""
    _, printed, _ = run(capsys, spelt("44 ± 1 ≤ 50 by simple"))

    assert printed["specific_risk"] == pytest.approx(9.866e-10, rel=1e-3)


def test_the_command_prints_five_fields_and_no_more(capsys):
    _, printed, err = run(capsys, "--value 44 --u 2 --at-most 50 --rule simple")

    assert list(printed) == [
        "judgement",
        "acceptance_limits",
        "margin",
        "probability_of_conformity",
        "specific_risk",
    ]
    assert err == ""


def test_between_two_limits_the_rule_of_probability_accepts_where_both_tails_together_are_small_enough(capsys):
    """Truth: at the printed acceptance limit Phi((2 - y)/u) - Phi((-2 - y)/u) is 0.95, by scipy; both tails count."""
    _, printed, _ = run(capsys, "--value 0 --u 1 --at-least -2 --at-most 2 --rule probability --p-min 0.95")

    low, high = printed["acceptance_limits"]["at_least"], printed["acceptance_limits"]["at_most"]
    spread = stats.norm(high, 1)
    assert low == pytest.approx(-high, abs=1e-12)
    assert spread.cdf(2) - spread.cdf(-2) == pytest.approx(0.95, abs=1e-9)


@given(
    st.floats(0.01, 0.99),
    st.floats(1e-4, 3),
    st.one_of(st.none(), st.integers(1, 50)),
    st.floats(-5, 5),
    st.floats(0.1, 9),
)
def test_the_acceptance_limits_of_probability_are_where_it_is_p_min(p_min, u, freedom, low, width):
    """Definition (JCGM 106:2012, 8.3): p_c at either acceptance limit is p_min; beyond it is less."""
    limit = dataclasses.replace(
        judged(DecisionRule.PROBABILITY, 45).limit, at_least=low, at_most=low + width, p_min=p_min
    )
    seen = Quantity(value=0, unit="ms", standard_uncertainty=u, degrees_of_freedom=freedom)

    zone = acceptance(seen, limit)

    ends = (zone.at_least, zone.at_most) if zone.has_room else (low + width / 2,)
    found = [probability_of_conformity(dataclasses.replace(seen, value=end), limit) for end in ends]
    assert found == pytest.approx([p_min] * 2, abs=1e-9) if zone.has_room else found[0] < p_min


@pytest.mark.parametrize("rule", ["guard-U", "iso14253-supplier", "probability"])
def test_limits_that_the_guard_bands_use_up_are_an_error_of_the_limits(capsys, rule):
    """D10c, C_m = 0.5: JCGM 106:2012, 7.7; whatever the value, nothing could be accepted."""
    for value in (0, 100):
        status, printed, err = run(capsys, f"--value {value} --u 2 --at-least -2 --at-most 2 --rule {rule}")

        assert (status, printed) == (2, None)
        assert "leaves nothing between -2 and 2" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("--value x --u 1 --at-most 2 --rule simple", "option --value: this is not a number"),
        ("--value nan --u 1 --at-most 2 --rule simple", "this is not a number"),
        ("--value 1e308 --u 1e308 --at-most -1e308 --rule guard-U", "option --value: this number is too large"),
        ("--value 1e999 --u 1 --at-most 2 --rule simple", "too large"),
        ("--value 1 --u -1 --at-most 2 --rule simple", "option --u: -1 is negative"),
        ("--value 1 --u 1 --rule simple", "the limit: it is missing"),
        ("--value 1 --u 1 --at-least 3 --at-most 2 --rule simple", "3 is above --at-most, 2"),
        ("--value 1 --u 1 --dof 0 --at-most 2 --rule simple", "option --dof: 0 is below 1"),
        ("--value 1 --u 1 --at-most 2 --rule simple --p-min 0.9", "the rule simple asks for no probability"),
        ("--value 1 --u 1 --at-most 2 --rule probability --p-min 95", "95 is not between 0 and 1. Write 95 % as 0.95"),
        ("--value 1 --u 1 --at-most 2 --rule strict", "guard-U"),
        ("--u 1 --at-most 2 --rule simple", "missing option '--value'"),
    ],
)
def test_what_cannot_be_decided_is_told_in_one_line(capsys, arguments, words):
    status, printed, err = run(capsys, arguments)

    assert (status, printed) == (2, None)
    assert words in err
    assert err.count("\n") == 1


def test_for_people_the_command_names_the_source_of_the_rule(capsys):
    main(["decide", "--value", "49", "--u", "2", "--at-most", "50", "--rule", "iso14253-buyer"])
    out = capsys.readouterr().out

    assert "ISO 14253-1:2017, the buyer proves nonconformity" in out
    assert "who cannot reject on this" in out


def test_the_command_explains_itself_with_examples(capsys):
    main(["decide", "--help"])

    assert "inspect-app decide --value" in capsys.readouterr().out.split("Examples:")[1]


def judged(rule, value):
    limit = Limit(
        clause="1",
        title="Lag",
        check="latency",
        quantity_name="latency_half",
        unit="ms",
        at_most=50,
        decision_rule=rule,
        p_min=0.95 if rule is DecisionRule.PROBABILITY else None,
    )
    return decide(Quantity(value=value, unit="ms", standard_uncertainty=2), limit)


@pytest.mark.parametrize(
    ("rule", "outcomes"),
    [
        (DecisionRule.SIMPLE, "accepted accepted rejected rejected"),
        (DecisionRule.GUARDED, "accepted held held rejected"),
        (DecisionRule.GUARD_U, "accepted rejected rejected rejected"),
        (DecisionRule.ISO14253_BUYER, "accepted accepted accepted rejected"),
        (DecisionRule.ISO14253_SUPPLIER, "accepted rejected rejected rejected"),
        (DecisionRule.NONBINARY, "accepted accepted rejected rejected"),
        (DecisionRule.PROBABILITY, "accepted rejected rejected rejected"),
    ],
)
def test_the_same_data_accept_or_reject_a_device_by_the_rule_agreed(rule, outcomes):
    """45, 49, 51 and 55 ms against 50 ms with u = 2 ms: one in each of the four zones of every guard band."""
    verdicts = [device_verdict([judged(rule, value)]).outcome for value in (45, 49, 51, 55)]

    assert verdicts == [Outcome(word) for word in outcomes.split()]


@pytest.mark.parametrize(
    ("passes", "fails", "outcomes"),
    [
        (Outcome.ACCEPTED, Outcome.HELD, "accepted accepted held rejected"),
        (Outcome.ACCEPTED, Outcome.ACCEPTED, "accepted accepted accepted rejected"),
        (Outcome.HELD, Outcome.REJECTED, "accepted held rejected rejected"),
        (Outcome.REJECTED, Outcome.REJECTED, "accepted rejected rejected rejected"),
    ],
)
def test_the_contract_says_what_becomes_of_conditional_findings(passes, fails, outcomes):
    """ILAC-G8:09/2019, 4.2.3, leaves it to the parties; 45, 49, 51 and 55 ms against 50 ms with u = 2 ms."""
    agreed = dataclasses.replace(
        judged(DecisionRule.NONBINARY, 45).limit, conditional_pass=passes, conditional_fail=fails
    )
    decided = [decide(Quantity(value=v, unit="ms", standard_uncertainty=2), agreed) for v in (45, 49, 51, 55)]

    verdicts = [device_verdict([one]) for one in decided]

    assert [verdict.outcome for verdict in verdicts] == [Outcome(word) for word in outcomes.split()]
    assert [verdict.deciding for verdict in verdicts] == [
        () if verdict.outcome is Outcome.ACCEPTED else (one,) for verdict, one in zip(verdicts, decided, strict=True)
    ]
    for verdict, one in zip(verdicts, decided, strict=True):
        sure = one.probability_of_conformity
        assert one.specific_risk == pytest.approx(sure if verdict.outcome is Outcome.REJECTED else 1 - sure)


def test_a_conditional_fail_that_the_contract_accepts_is_said_in_the_verdict():
    agreed = dataclasses.replace(judged(DecisionRule.NONBINARY, 45).limit, conditional_fail=Outcome.ACCEPTED)

    reason = device_verdict([decide(Quantity(value=51, unit="ms", standard_uncertainty=2), agreed)]).reason

    assert reason.endswith("Missed by less than the uncertainty, which the contract accepts: 1 Lag (major).")


def test_conformity_that_the_supplier_cannot_prove_is_said_in_the_verdict():
    """ISO 14253-1:2017, 6.2: 51 ms is in the zone of doubt, 55 ms beyond it; conformity is proven of neither."""
    near, far = (judged(DecisionRule.ISO14253_SUPPLIER, value) for value in (51, 55))

    assert device_verdict([near, far]).reason == "Conformity not proven: 1 Lag (major)."
    assert "so neither can be shown" in near.reason
    assert "missed even with the uncertainty allowed for" in far.reason


def test_what_is_accepted_without_proof_or_conditionally_is_said_in_the_verdict():
    unproven = device_verdict([judged(DecisionRule.ISO14253_BUYER, 51)]).reason
    conditional = device_verdict([judged(DecisionRule.NONBINARY, 49)]).reason

    assert unproven == "No demand is shown to be missed. Nonconformity not proven: 1 Lag (major)."
    assert conditional == "All 1 demands are met. By less than the uncertainty: 1 Lag (major)."


def test_every_judgement_keeps_the_coverage_factor_that_decided():
    """GUM Table G.2: 2.87 for 4 degrees of freedom at 95.45 %; 2.132 one-sided at 95 %; an exact count has none."""
    few = Quantity(value=40, unit="ms", standard_uncertainty=1, degrees_of_freedom=4)
    factors = {rule: decide(few, judged(rule, 45).limit).coverage_factor for rule in DecisionRule}

    assert factors[DecisionRule.SIMPLE] == pytest.approx(2.87, abs=0.005)
    assert factors[DecisionRule.GUARD_U] == pytest.approx(2.87, abs=0.005)
    assert factors[DecisionRule.ISO14253_BUYER] == pytest.approx(2.132, abs=0.0005)
    assert factors[DecisionRule.PROBABILITY] == pytest.approx(2.132, abs=0.0005)
    assert decide(Quantity(value=40, unit="ms"), judged(DecisionRule.GUARD_U, 45).limit).coverage_factor is None


def test_every_rule_of_a_contract_has_a_published_source():
    assert set(RULES) == set(DecisionRule)
    assert all(any(name in rule.source for name in ("ILAC-G8", "ISO 14253-1", "JCGM 106")) for rule in RULES.values())


@pytest.mark.parametrize("rule", [DecisionRule.GUARD_U, DecisionRule.PROBABILITY, DecisionRule.ISO14253_SUPPLIER])
def test_limits_without_room_never_reject_a_device_that_may_lie_between_them(rule):
    limit = Limit(
        clause="1",
        title="",
        check="distortion",
        quantity_name="distortion_max",
        unit="%",
        at_least=-2,
        at_most=2,
        decision_rule=rule,
        p_min=0.95 if rule is DecisionRule.PROBABILITY else None,
    )

    inside, far = (decide(Quantity(value=v, unit="%", standard_uncertainty=2), limit) for v in (0.5, 50))

    assert inside.finding is Finding.INCONCLUSIVE
    assert device_verdict([inside]).outcome is Outcome.HELD
    if rule is not DecisionRule.ISO14253_SUPPLIER:
        assert far.finding is Finding.NONCONFORMING
