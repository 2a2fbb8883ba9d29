"""A check is one module, one test file, and a step of some form."""

import pkgutil
import re
import tomllib
from pathlib import Path

import pytest

from inspect_app import measure
from inspect_app.measure import CHECKS

ROOT = Path(__file__).parents[2]
MODULES = sorted(module.name for module in pkgutil.iter_modules(measure.__path__) if not module.name.startswith("_"))


def test_a_check_has_the_name_of_its_module():
    assert {name.replace("-", "_") for name in CHECKS} == set(MODULES)


def test_every_check_is_a_step_of_some_form():
    forms = [tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted((ROOT / "forms").glob("*.toml"))]

    used = {step["check"] for form in forms for step in form["step"]}

    assert set(CHECKS) - used == set()


def test_every_check_is_kept_apart_from_the_others():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]

    apart = next(contract["modules"] for contract in contracts if contract["id"] == "checks-apart")

    assert sorted(apart) == [f"inspect_app.measure.{name}" for name in MODULES]


@pytest.mark.parametrize("module", MODULES)
@pytest.mark.parametrize(
    ("kind", "sign"),
    [
        ("truth", r"[Tt]ruth|[Pp]ublished|[Cc]losed form"),
        ("property", r'"""(Property|Invariance):|@given\('),
        ("coverage", r"\b[Cc]overage\b|_covers_the_truth_|_about_95_times_in_100"),
    ],
)
def test_every_check_is_tested_against_truth_by_property_and_for_coverage(module, kind, sign):
    path = ROOT / "tests" / "measure" / f"test_{module}.py"

    assert path.is_file(), f"{path.name} is missing"
    assert re.search(sign, path.read_text(encoding="utf-8")), f"{path.name} has no {kind} test"


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_every_check_states_its_method_its_failures_and_its_assumptions(name):
    found = CHECKS[name]

    said = found.run.__doc__ or ""

    assert found.method
    assert all(section in said for section in ("Parameters", "Returns", "Raises", "Notes"))
