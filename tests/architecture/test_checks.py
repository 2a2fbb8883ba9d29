"""A check is one module, one test file, and a step of some form."""

import math
import pkgutil
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from inspect_app import measure
from inspect_app.measure import CHECKS
from inspect_app.model.transcript import to_json_values
from tests.fuzz import captures

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
def test_every_check_states_its_method_its_failures_and_its_source(name):
    found = CHECKS[name]

    said = found.run.__doc__ or ""

    assert found.method
    assert all(section in said for section in ("Parameters", "Returns", "Raises", "Notes"))
    assert re.search(r"\b(ISO|IEC|GUM|JCGM|MIL-STD|EMVA)\b|no source", said + found.method)


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_every_check_states_what_it_assumes_and_where_it_breaks_down(name):
    notes = (CHECKS[name].run.__doc__ or "").partition("Notes")[2]

    assert "Assumes" in notes
    assert re.search(r"[Bb]reaks down", notes)


GIVEN = {
    "bar-target": {"axis": "horizontal", "reading": ["1,4", "1,3"], "distance_m": "3"},
    "battery": {"cutoff_v": "3.2", "load_ohm": "10"},
    "frame-rate": {"blink_hz": "9"},
    "look": {"item": ["housing=yes", "labels=no"]},
    "readout": {"strobe_hz": "400"},
    "slanted-edge": {"pixel_pitch_um": "3"},
    "step-wedge": {"steps": "12", "stops_per_step": "1"},
    "tube-data": {"snr": "25", "snr_uncertainty_percent": "3", "resolution_lp_mm": "64"},
}
"""Options that a check cannot do without, or that bring out more of its results."""


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_every_result_says_where_its_uncertainty_comes_from(name, tmp_path):
    """Truth: GUM equation 10, independent lines add in quadrature; an exact count needs none."""
    files = {}
    if CHECKS[name].needs and name != "look":
        made = [captures.whole(name, np.random.default_rng(seed)) for seed in range(2 if name == "noise" else 1)]
        files["scene"] = [tmp_path / f"{number}.{capture.ending}" for number, capture in enumerate(made)]
        for path, capture in zip(files["scene"], made, strict=True):
            path.write_bytes(capture.content)

    results = to_json_values(measure.measure(name, files, GIVEN.get(name, {})))["results"]

    assert results
    for result in results:
        lines = [line["standard_uncertainty"] for line in result["budget"]]
        assert math.hypot(*lines) == pytest.approx(result["standard_uncertainty"], rel=1e-6), result["quantity"]
        assert all(line["source"] and line["distribution"] for line in result["budget"])
