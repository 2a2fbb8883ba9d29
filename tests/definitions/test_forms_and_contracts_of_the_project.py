"""The real forms and contracts: they load, they cover one another, and every way through them gives a judgement."""

import re
from pathlib import Path

import pytest

from inspect_app.definitions import CAUTIONS, forms_folder, prove_covered, read_contract, read_forms
from inspect_app.judge import StepResults, judge_results
from inspect_app.measure import CHECKS, measure
from inspect_app.model import DecisionRule, Finding, Limit, Over, Severity

FORMS = read_forms(forms_folder())
CONTRACTS = [
    read_contract(path) for path in sorted((Path(__file__).parents[2] / "demo_fleet" / "contracts").glob("*.toml"))
]
STEPS = [
    pytest.param(form, step, id=f"{form.device_class}: {step.id}") for form in FORMS.values() for step in form.steps
]
STANDARD, LARGE, TUBE = (
    "digital monocular, standard sensor",
    "digital monocular, large sensor",
    "intensifier monocular",
)
BY_HAND = {
    "reading": ["-1,4", "-1,5", "-1,4"],
    "distance_m": "3",
    "mtf50_reading": ["0.30", "0.31"],
    "pixel_angle_mrad": "0.25",
    "spot": ["2,0.06,dark", "3,0.10,bright,0.4"],
    "steps_counted": ["12", "13"],
    "snr_reading": ["5.5", "5.6"],
    "point": ["100,99", "200,195"],
    "frames_counted": ["240", "241"],
    "frame_interval_ms": "4.17",
    "duration_s": "4.8",
    "bands_counted": ["3.7", "3.8"],
    "strobe_hz": "400",
    "start": "08:10",
    "end": "11:00",
    "polling_interval_min": "5",
    "gain": "55000 fL/fc",
    "ebi": "0.2",
    "snr": "28",
    "halo_mm": "0.8",
    "resolution_lp_mm": "64",
}


def by_hand(step):
    """Answer a step without any file: what is asked in every case, and the last of its ways."""
    ways = list(dict.fromkeys(question.way for question in step.questions if question.way))
    asked = [question for question in step.questions if question.way in ("", *ways[-1:])]
    answers = {q.name: [f"{item}=yes" for item in q.items] or BY_HAND[q.name] for q in asked if not q.is_optional}
    return measure(step.check, {}, {**step.fixed, **answers})


def test_there_is_a_form_for_each_class_of_device():
    assert set(FORMS) == {STANDARD, LARGE, TUBE}


def test_every_check_is_used_by_a_form():
    assert {step.check for form in FORMS.values() for step in form.steps} == set(CHECKS)


def test_every_caution_is_used_by_a_form_or_is_for_open_devices():
    used = {caution for form in FORMS.values() for step in form.steps for caution in step.cautions}

    assert set(CAUTIONS.values()) - used == {CAUTIONS["static"]}


@pytest.mark.parametrize("device_class", [STANDARD, LARGE, TUBE])
@pytest.mark.parametrize("check", ["bar-target", "slanted-edge"])
def test_resolution_is_looked_at_in_both_axes_in_bright_and_in_starlight(device_class, check):
    seen = {
        (step.condition["axis"], step.condition["illuminance_lx"], step.fixed["axis"])
        for step in FORMS[device_class].steps
        if step.check == check
    }

    assert seen == {(axis, lux, axis) for axis in ("horizontal", "vertical") for lux in (1, 0.005)}


@pytest.mark.parametrize("device_class", [STANDARD, LARGE])
@pytest.mark.parametrize("check", ["latency", "readout", "frame-rate"])
def test_what_depends_on_the_mode_is_measured_in_every_mode(device_class, check):
    modes = [step.condition["mode"] for step in FORMS[device_class].steps if step.check == check]

    assert modes == ["live view", "recording"]


def test_a_tube_has_no_latency_and_a_sensor_no_tube_data():
    assert not {"latency", "readout", "frame-rate"} & {step.check for step in FORMS[TUBE].steps}
    assert "tube-data" not in {step.check for step in FORMS[STANDARD].steps}


def test_the_two_digital_forms_ask_the_same():
    standard, large = (
        [(step.id, step.instruction, step.questions) for step in FORMS[device_class].steps]
        for device_class in (STANDARD, LARGE)
    )

    assert standard == large


@pytest.mark.parametrize(("form", "step"), STEPS)
def test_a_step_that_sets_a_light_level_reads_it_before_and_after(form, step):
    if "illuminance_lx" in step.condition:
        [window] = [window for window in step.windows if window.name == "illuminance_lx"]
        assert window.before_and_after
        assert window.high / step.condition["illuminance_lx"] == pytest.approx(1.1)
        assert "illuminance meter" in step.instruments
        assert CAUTIONS["dark room"] in step.cautions
    else:
        assert "lux" not in step.title


@pytest.mark.parametrize(("form", "step"), STEPS)
def test_dangers_are_named_where_they_are(form, step):
    words = f"{step.title} {step.instruction}".lower()
    dangers = {"strobe": "strobe", "flash": "strobe", "blink": "strobe", "charge": "lithium", " cell": "lithium"}

    for word, caution in dangers.items():
        if word in words and not (word == "flash" and form.device_class == TUBE):
            assert CAUTIONS[caution] in step.cautions, word
    if form.device_class == TUBE and step.check != "tube-data":
        assert CAUTIONS["high voltage"] in step.cautions


@pytest.mark.parametrize(("form", "step"), STEPS)
def test_instructions_are_whole_short_sentences(form, step):
    assert re.fullmatch(r"[A-Z].*\.", step.instruction, re.DOTALL)
    assert len(step.instruction) < 500
    assert all(question.label[0].isupper() and not question.label.endswith(".") for question in step.questions)
    assert all(question.hint.endswith(".") or not question.hint for question in step.questions)


@pytest.mark.parametrize(("form", "step"), STEPS)
def test_every_step_can_be_answered_without_a_file(form, step):
    measured = by_hand(step)

    assert measured.results
    assert {result.quantity_name for result in measured.results} <= set(CHECKS[step.check].quantities)


@pytest.mark.parametrize(("form", "step"), STEPS)
def test_files_are_asked_in_the_first_way(form, step):
    roles = {question.name for question in step.questions if question.kind == "captures"}
    ways = list(dict.fromkeys(question.way for question in step.questions if question.way))

    assert bool(roles) == bool(ways)
    assert {question.way for question in step.questions if question.kind == "captures"} <= set(ways[:1])


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_the_forms_cover_the_contract(contract):
    prove_covered(contract, FORMS)


def test_every_class_is_bought_under_one_contract():
    classes = [device_class for contract in CONTRACTS for device_class in contract.device_classes]

    assert sorted(classes) == sorted(FORMS)


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_what_is_invented_says_so(contract):
    assert "INVENTED for demonstration" in contract.source
    assert contract.note.startswith("Invented for demonstration")


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_each_contract_uses_the_usual_decision_rules_and_one_more_and_every_severity(contract):
    limits = [limit for of_class in contract.limits.values() for limit in of_class]

    assert {limit.decision_rule for limit in limits} > {DecisionRule.SIMPLE, DecisionRule.GUARDED}
    assert {limit.severity for limit in limits} == set(Severity)


def test_the_contracts_use_every_way_to_read_several_results():
    assert {limit.over for c in CONTRACTS for of_class in c.limits.values() for limit in of_class} == set(Over)


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_clauses_are_unique_within_a_class(contract):
    for device_class in contract.device_classes:
        demands = [*contract.limits[device_class], *contract.spot_allowances[device_class]]
        clauses = [demand.clause for demand in demands]
        assert len(set(clauses)) == len(clauses)


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_every_kind_of_step_is_demanded_something(contract):
    for device_class in contract.device_classes:
        demands = [*contract.limits[device_class], *contract.spot_allowances[device_class]]
        assert {demand.check for demand in demands} == {step.check for step in FORMS[device_class].steps}


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda contract: contract.number)
def test_all_but_what_needs_a_picture_is_judged_from_readings(contract):
    """Odd pixels and shading cannot be read by eye; whatever else is demanded can."""
    for device_class in contract.device_classes:
        results = [
            StepResults(step_id=step.id, check=step.check, condition=step.condition, measured=by_hand(step))
            for step in FORMS[device_class].steps
        ]

        judgements = judge_results(contract.limits[device_class], contract.spot_allowances[device_class], results)

        missing = {
            one.limit.quantity_name
            for one in judgements
            if one.finding is Finding.NOT_MEASURED and isinstance(one.limit, Limit)
        }
        assert missing <= {"hot_pixels", "dead_pixels", "shading", "frames_dropped"}


@pytest.mark.parametrize("source", [*FORMS.values(), *CONTRACTS], ids=lambda source: source.title)
def test_every_field_in_use_is_explained_at_the_top_of_the_file(source):
    explained = " ".join(line for line in source.source.splitlines() if line.startswith("#"))
    used = set(re.findall(r"^ *([a-z_]+) = ", source.source, re.MULTILINE)) | {"for_each", "window", "question", "row"}
    free = set(
        re.findall(
            r"^ *\[step\.(?:fixed|for_each|condition|window|expected)\]\n((?: +\S.*\n)+)", source.source, re.MULTILINE
        )
    )
    named_by_the_form = {name for block in free for name in re.findall(r"^ +([a-z_]+) = ", block, re.MULTILINE)}
    other_kind = {"row"} if "[[step]]" in source.source else {"for_each", "window", "question"}

    assert [name for name in sorted(used - named_by_the_form - other_kind) if name not in explained] == []
