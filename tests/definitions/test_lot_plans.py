"""Lot plans in a contract: what they read as, and what is wrong with them, by file, place and way out."""

import pytest

from inspect_app.definitions import read_contract_text
from inspect_app.errors import UnusableInput
from inspect_app.model import Edition, LotPlan, PlanKind, Severity
from tests.truth.workplaces import CONTRACT, DEVICE_CLASS

SINGLE = (
    'device_class = "bench monocular"\nseverity = "major"\nplan = "single"\nedition = "105E"\nlevel = "II"\naql = 1.5'
)


def with_plans(*plans):
    return CONTRACT + "".join(f"\n[[sampling]]\n{plan}\n" for plan in plans)


def plans_of(*plans):
    return read_contract_text(with_plans(*plans), "c.toml").lot_plans


def test_a_contract_without_plans_has_none():
    assert plans_of() == {}


def test_each_kind_of_plan_is_read_with_its_own_fields():
    head = 'device_class = "bench monocular"\n'

    found = plans_of(
        head + 'severity = "critical"\nplan = "every-device"',
        SINGLE,
        head + 'severity = "minor"\nplan = "limiting-quality"\nlimiting_percent = 5\nconsumer_risk = 0.1',
    )

    assert found == {
        DEVICE_CLASS: {
            Severity.CRITICAL: LotPlan(kind=PlanKind.EVERY_DEVICE),
            Severity.MAJOR: LotPlan(kind=PlanKind.SINGLE, edition=Edition.MIL_STD_105E, level="II", aql=1.5),
            Severity.MINOR: LotPlan(kind=PlanKind.LIMITING_QUALITY, limiting_percent=5, consumer_risk=0.1),
        }
    }


def test_one_plan_may_stand_for_several_classes_of_nonconformity():
    found = plans_of(
        'device_class = "bench monocular"\nseverity = ["major", "minor"]\nplan = "accept-on-zero"\nlevel = "IV"'
    )

    assert set(found[DEVICE_CLASS]) == {Severity.MAJOR, Severity.MINOR}
    assert found[DEVICE_CLASS][Severity.MINOR].switches_by is Edition.MIL_STD_1916


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("aql = 1.5", "aql = 1.6", "c.toml, line 36, sampling 1, aql: 1.6 is not in the tables"),
        ("aql = 1.5", "", "sampling 1, aql: is missing"),
        ("aql = 1.5", "aql = nan", "no finite number"),
        ('"II"', '"VII"', "there is no level 'VII'. Use one of S-1"),
        ('"105E"', '"105D"', "Use one of 105E, 2859-1"),
        ('"105E"', '"1916"', "Use one of 105E, 2859-1"),
        ('"single"', '"double"', "every-device, single, accept-on-zero, limiting-quality"),
        ('"single"', '"every-device"', "edition: there is no such field here"),
        ('"major"', '"grave"', "critical, major, minor"),
        ("bench monocular", "other monocular", "demands nothing of 'other monocular'"),
        ("aql = 1.5", "aql = 1.5\nseed = 3", "seed: there is no such field here"),
    ],
)
def test_a_mistake_in_a_plan_names_its_place_and_the_way_out(old, new, words):
    with pytest.raises(UnusableInput) as refused:
        plans_of(SINGLE.replace(old, new))

    assert words in str(refused.value)


def test_two_plans_for_one_class_of_nonconformity_are_refused():
    with pytest.raises(UnusableInput, match="sampling 2, severity: 'bench monocular' has a plan for major already"):
        plans_of(SINGLE, SINGLE)


@pytest.mark.parametrize("number", ["-1", "0.5"])
def test_an_acceptance_number_is_a_count(number):
    text = 'device_class = "bench monocular"\nseverity = "minor"\nplan = "every-device"\nacceptance_number = ' + number

    with pytest.raises(UnusableInput, match="is no count"):
        plans_of(text)
