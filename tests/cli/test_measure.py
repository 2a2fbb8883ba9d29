"""The measure command: what it takes, what it prints, how it ends."""

import json
import os
import subprocess
import sys

import click
import imagecodecs
import numpy as np
import pytest

from inspect_app import cli
from inspect_app.cli import main, measure_command
from inspect_app.errors import Damaged
from inspect_app.measure import CHECKS, flag, is_repeated
from inspect_app.model.transcript import from_json_values
from inspect_app.quantity import UNITS


@pytest.fixture
def even_frames(tmp_path):
    """Return the paths of two frames of an even scene: mean 100, noise of 5 codes."""
    noise = np.random.default_rng(3)
    paths = []
    for number in (1, 2):
        path = tmp_path / f"even{number}.png"
        codes = np.rint(noise.normal(100, 5, (64, 80))).clip(0, 255).astype(np.uint8)
        path.write_bytes(imagecodecs.png_encode(codes))
        paths.append(str(path))
    return paths


def run_program(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "inspect_app", *arguments],
        capture_output=True,
        check=False,
        timeout=60,
        env={**os.environ, **environment},
    )


def test_the_program_measures_files_and_prints_one_json_object(even_frames):
    """Truth: signal 100, noise 5, so a temporal signal-to-noise ratio of 20, given here within 10 %."""
    ran = run_program("measure", "noise", *even_frames, "--json")

    printed = json.loads(ran.stdout)
    ratio = next(result for result in printed["results"] if result["quantity"] == "snr")
    assert ran.returncode == 0
    assert ran.stderr == b""
    assert ratio["value"] == pytest.approx(20, abs=2)
    assert [file["name"] for file in printed["files"]] == ["even1.png", "even2.png"]


def test_the_program_refuses_in_one_line_and_with_status_2():
    ran = run_program("measure", "noise", "absent.png", "absent.png")

    assert ran.returncode == 2
    assert ran.stdout == b""
    assert ran.stderr.decode().splitlines() == [
        "absent.png: there is no such file. Look at the spelling of its name and at the folder."
    ]


def test_the_program_prints_units_to_a_terminal_that_knows_only_ascii():
    ran = run_program("measure", "tube-data", "--ebi", "0.25", PYTHONIOENCODING="ascii")

    assert ran.returncode == 0
    assert b"0.25" in ran.stdout


def test_the_json_has_the_keys_of_its_contract_and_reads_back(capsys):
    """Truth: the element 2 of group 4 has 17.96 line pairs per millimetre (the printed 1951 table)."""
    main(["measure", "bar-target", "--axis", "horizontal", "--reading", "4,2", "--json"])

    printed = json.loads(capsys.readouterr().out)
    result = printed["results"][0]
    assert list(printed)[:5] == ["check", "method", "files", "results", "traces"]
    assert "warnings" in printed
    assert list(result)[:6] == [
        "quantity",
        "condition",
        "value",
        "unit",
        "standard_uncertainty",
        "degrees_of_freedom",
    ]
    assert result["value"] == pytest.approx(17.96, abs=0.005)
    assert from_json_values(printed).check == "bar-target"


def test_a_person_sees_value_uncertainty_and_condition(capsys):
    status = main(["measure", "bar-target", "--axis", "horizontal", "--reading", "4,2"])

    told = capsys.readouterr()
    assert status == 0
    assert "18.0 ± 1.2 lp/mm" in told.out
    assert "axis horizontal" in told.out
    assert "warning: One reader only" in told.out


def test_a_negative_group_is_a_value_and_not_an_option(capsys):
    """Truth: element 4 of group -1 has 0.707 line pairs per millimetre (the printed 1951 table)."""
    main(["measure", "bar-target", "--axis", "vertical", "--reading", "-1,4", "--json"])

    assert json.loads(capsys.readouterr().out)["results"][0]["value"] == pytest.approx(0.707, abs=0.0005)


def test_a_number_may_carry_its_own_unit(capsys):
    main(["measure", "bar-target", "--axis", "vertical", "--reading", "0,1", "--distance-m", "300 mm", "--json"])

    values = {result["quantity"]: result["value"] for result in json.loads(capsys.readouterr().out)["results"]}
    assert values["angular_resolution"] == pytest.approx(0.3, abs=1e-12)


@pytest.mark.parametrize(
    ("arguments", "seen"),
    [
        (["measure"], "missing command"),
        (["measure", "sharpness"], "check 'sharpness': there is no such check. Use one of bar-target"),
        (["measur"], "no such command"),
        (["measure", "bar-target", "--axis", "diagonal", "--reading", "4,2"], "Use one of horizontal, vertical."),
        (["measure", "bar-target", "--axis", "horizontal"], "option --reading: it is missing"),
        (["measure", "bar-target", "--axis", "horizontal", "--reading", "4,9"], "the elements 1 to 6"),
        (["measure", "bar-target", "--raedings", "4,2"], "no such option"),
        (["measure", "bar-target", "--axis"], "requires an argument"),
        (["measure", "bar-target", "edge.png", "--axis", "horizontal", "--reading", "4,2"], "takes no such file"),
        (["measure", "noise", "--roi", ""], "option --roi"),
    ],
)
def test_a_wrong_call_is_told_in_one_line_with_the_way_out(arguments, seen, capsys):
    status = main(arguments)

    told = capsys.readouterr()
    assert status == 2
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert seen in told.err


def test_nothing_to_measure_ends_with_status_3(capsys):
    status = main(["measure", "look", "--item", "strap=cannot tell"])

    assert status == 3
    assert "strap" in capsys.readouterr().err


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_every_option_of_a_check_is_offered_and_explained(name, capsys):
    assert main(["measure", name, "--help"]) == 0
    offered = measure_command.command.get_command(click.Context(measure_command.command), name)

    told = " ".join(capsys.readouterr().out.split())
    flags = {option: parameter for parameter in offered.params for option in parameter.opts}
    for option, info in CHECKS[name].options.model_fields.items():
        assert info.description
        assert flags[flag(option)].multiple == is_repeated(info)
        assert flag(option) in told
    for role in CHECKS[name].needs:
        assert role == "scene" or flags[flag(role)].multiple
    assert set(CHECKS[name].quantities.values()) <= UNITS.keys()


def test_help_names_every_check(capsys):
    main(["measure", "--help"])

    told = capsys.readouterr().out
    assert all(name in told for name in CHECKS)


def test_a_fault_of_the_program_is_one_line_that_names_the_call_and_asks_to_report(monkeypatch, capsys):
    def broken(*_arguments):
        raise KeyError("bench")

    monkeypatch.setattr(measure_command, "measure", broken)

    status = main(["measure", "noise", "even.png"])

    told = capsys.readouterr().err
    assert status == 1
    assert len(told.splitlines()) == 1
    assert "even.png" in told
    assert "report" in told


@pytest.mark.parametrize(
    ("failure", "status", "seen"),
    [
        (MemoryError(), 2, "memory"),
        (KeyboardInterrupt(), 130, "Stopped"),
        (Damaged("record.db", "a digest differs", "Restore the last backup."), 1, "record.db: a digest differs."),
    ],
)
def test_each_way_to_fail_has_its_own_status(failure, status, seen, monkeypatch, capsys):
    def failing(*_arguments):
        raise failure

    monkeypatch.setattr(measure_command, "measure", failing)

    assert main(["measure", "noise", "even.png"]) == status
    assert seen in capsys.readouterr().err


def test_every_command_module_holds_a_command():
    context = click.Context(cli.program)

    names = cli.program.list_commands(context)

    assert "measure" in names
    assert all(isinstance(cli.program.get_command(context, name), click.Command) for name in names)


def test_captures_that_are_too_large_together_are_refused_before_the_next_is_read(tmp_path, monkeypatch, capsys):
    """Truth: by construction, each frame of 3072 pixels passes a bound of 5000, two together do not."""
    path = tmp_path / "even.png"
    path.write_bytes(imagecodecs.png_encode(np.random.default_rng(1).integers(90, 110, (48, 64)).astype(np.uint8)))
    monkeypatch.setattr("inspect_app.capture.MOST_PIXELS", 5000)

    status = main(["measure", "noise", str(path), str(path)])

    assert status == 2
    assert "measured at once" in capsys.readouterr().err
