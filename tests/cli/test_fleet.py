"""The commands on a fleet: search, counts, and what an instrument touched."""

import csv
import json
from pathlib import Path

import pytest

from demo_fleet.synthetic import load
from inspect_app.cli import main
from tests.storage.test_fleet import DEVICES

CLIP_ON = "synthetic clip-on"


@pytest.fixture(scope="module")
def instance(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Write a small synthetic fleet."""
    folder: Path = tmp_path_factory.mktemp("fleet")
    load(folder, DEVICES, lambda _done, _total: None)
    return str(folder)


def test_fleet_prints_devices_and_counts_with_exact_intervals(
    instance: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "--instance", instance, "--class", CLIP_ON, "--count", "5"]) == 0

    said = capsys.readouterr().out
    assert said.count("FM-") == 5
    assert "and more" in said
    assert "  accepted: " in said
    assert "(95 %: " in said


def test_fleet_as_json_counts_what_it_lists(instance: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fleet", "--instance", instance, "--quantity", "1", "--from", "1", "--count", "1000", "--json"]) == 0

    said = json.loads(capsys.readouterr().out)
    assert len(said["devices"]) == said["counted"] == sum(rate["found"] for rate in said["rates"].values())
    assert [one["value"] for one in said["devices"]] == sorted(one["value"] for one in said["devices"])


def test_fleet_lists_what_can_be_asked_for(instance: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fleet", "--instance", instance, "--quantities", "--class", CLIP_ON]) == 0

    assert f"Runtime, min: {CLIP_ON}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--inspector", "nobody"], "not on record"),
        (["--from", "1"], "Choose the quantity"),
        (["--since", "x"], "no day"),
    ],
)
def test_fleet_refuses_what_cannot_be_asked(
    instance: str, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    assert main(["fleet", "--instance", instance, *options]) == 2

    assert words in capsys.readouterr().err


def test_recall_lists_every_result_of_an_instrument_since_a_day(
    instance: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each inspection under that meter has four results by it: two axes at two illuminances."""
    asked = ["recall", "SY-LM-01", "--instance", instance, "--since", "2020-01-01"]
    assert main(asked) == 0
    listed = capsys.readouterr().out.splitlines()[1:-1]

    assert main([*asked, "--csv"]) == 0
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))

    assert len(rows) == 4 * len(listed) > 0
    assert {row["quantity"] for row in rows} == {"mtf50_cy_mrad"}
    assert all(line.endswith("  4 results") for line in listed)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["ZZ-1"], "no instrument has it"),
        (["SY-LM-01", "--since", "soon"], "no day"),
        (["SY-LM-01", "--since", "2999-01-01"], "future"),
    ],
)
def test_recall_refuses_what_cannot_be_asked(
    instance: str, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    assert main(["recall", "--instance", instance, *options]) == 2

    assert words in capsys.readouterr().err


def test_a_serial_of_two_makers_is_told_of_the_one_that_is_named(
    instance: str, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["history", "NV-0000001", "--instance", instance]
    assert main(asked) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2

    assert main([*asked, "--maker", "Tarnbeck Imaging"]) == 0
    said = capsys.readouterr().out
    assert "custody: " in said
    assert "  Received from Tarnbeck Imaging under " in "\n".join(line.split("UTC")[-1] for line in said.splitlines())

    assert main([*asked, "--maker", "nobody"]) == 2
