"""What must not stand in the source, and where things lie."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "DEVELOPERS.md",
    "LICENSE",
    "Makefile",
    "README.md",
    "demo_fleet",
    "forms",
    "inspect_app",
    "instance",
    "pyproject.toml",
    "requirements.txt",
    "tests",
}
SOURCES = sorted(
    path for folder in ("inspect_app", "demo_fleet", "tests") for path in (ROOT / folder).rglob("*.py")
)  # fmt: skip
NAMELESS = {"utils", "util", "helpers", "helper", "common", "manager", "misc", "base"}

# Written in two parts, so that this file does not find itself.
POSTPONED = re.compile("#.*" + r"\b(TO" + r"DO|FIX" + r"ME|XX" + r"X)\b")
SUPPRESSED = re.compile(r"#\s*(no" + r"qa|type:\s*ignore|pragma:)(.*)")
RULE_AND_REASON = re.compile(r"(:\s*[A-Z]+\d+(,\s*[A-Z]+\d+)*|\[[\w-]+(,\s*[\w-]+)*\])\s*(#|-|–|—)?\s*\S+\s+\S+")
NAMESPACES = r"www\.w3\.org|www\.aiim\.org/pdf(a|ua)/ns"  # names that standards give, not addresses that are opened
SECRET_ADDRESS = re.compile(rf"https?://(?!{NAMESPACES}|[{{$]|127\.0\.0\.1|localhost|\w+\.example)", re.IGNORECASE)


def findings(pattern, paths=SOURCES):
    return [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for path in paths
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if pattern.search(line)
    ]


def test_nothing_is_put_off_in_a_comment():
    assert findings(POSTPONED) == []


def test_every_suppression_names_its_rule_and_its_reason():
    suppressed = [line for line in findings(SUPPRESSED) if "fmt: skip" not in line]

    unexplained = [line for line in suppressed if not RULE_AND_REASON.search(SUPPRESSED.search(line)[2])]

    assert unexplained == []


@pytest.mark.parametrize(
    ("comment", "is_explained"),
    [
        ("# no" + "qa", False),
        ("# no" + "qa: BLE001", False),
        ("# no" + "qa: BLE001 - the outermost boundary", True),
        ("# type: " + "ignore", False),
        ("# type: " + "ignore[arg-type]", False),
        ("# type: " + "ignore[arg-type]  # bounds are written as numbers", True),
    ],
)
def test_the_search_for_reasons_can_tell(comment, is_explained):
    found = SUPPRESSED.search(comment)

    assert bool(RULE_AND_REASON.search(found[2])) is is_explained


def test_no_module_has_a_name_that_says_nothing():
    assert [path for path in SOURCES if path.stem.strip("_") in NAMELESS] == []


def test_no_address_of_another_machine_stands_in_the_source():
    locked = [ROOT / "requirements.txt", ROOT / "pyproject.toml", ROOT / "Makefile", *(ROOT / ".ci").iterdir()]

    assert findings(SECRET_ADDRESS, [*SOURCES, *locked]) == []


def test_the_top_level_holds_what_the_map_says_and_nothing_else():
    if not (ROOT / ".git").exists():
        pytest.skip("this is no checkout, so what belongs to it cannot be asked")
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60)

    top = {line.split("/")[0].strip('"') for line in listed.stdout.splitlines()}

    assert top <= TOP_LEVEL


def test_every_package_says_in_one_sentence_what_it_holds():
    packages = sorted((ROOT / "inspect_app").rglob("__init__.py"))

    silent = [path for path in packages if not path.read_text(encoding="utf-8").startswith('"""')]

    assert packages
    assert silent == []
