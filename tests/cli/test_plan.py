"""``inspect-app plan``: what it prints, and what it refuses."""

import json

import pytest

from inspect_app.cli import main


def printed(capsys, *arguments):
    status = main(["plan", *arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_a_plan_is_printed_as_one_json_object(capsys):
    """Truth: MIL-STD-105E, Tables I, II-A and X-J-1."""
    status, out, _ = printed(
        capsys, "--lot-size", "1000", "--level", "II", "--aql", "1.0", "--edition", "105E", "--json"
    )

    plan = json.loads(out)
    assert status == 0
    assert (plan["code_letter"], plan["final_letter"], plan["n"]) == ("J", "J", 80)
    assert (plan["acceptance_number"], plan["rejection_number"]) == (2, 3)
    assert [round(accepted, 6) for _, accepted in plan["oc"]] == [0.99, 0.95, 0.9, 0.75, 0.5, 0.25, 0.1, 0.05, 0.01]
    assert 100 * plan["oc"][1][0] == pytest.approx(1.03, abs=0.005)


def test_a_sample_larger_than_the_lot_means_every_device(capsys):
    status, out, _ = printed(capsys, "--lot-size", "25", "--aql", "0.10", "--json")

    plan = json.loads(out)
    assert (status, plan["n"], plan["devices"], plan["every_device"]) == (0, 125, 25, True)


def test_the_printed_text_says_how_many_and_what_decides(capsys):
    status, out, _ = printed(
        capsys, "--lot-size", "1000", "--aql", "0.65", "--severity", "reduced", "--edition", "105E"
    )

    assert status == 0
    assert "Inspect 32 of 1000 devices (letter J, plan of letter J)." in out
    assert "Accept up to 0 nonconforming devices, reject from 2." in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--lot-size", "50"), "Give --aql"),
        (("--lot-size", "50", "--aql", "1.2"), "1.2 is not in the tables"),
        (("--lot-size", "-5", "--aql", "1"), "-5 is no size of a lot"),
        (("--lot-size", "many", "--aql", "1"), "many"),
        (("--lot-size", "50", "--aql", "1", "--level", "S-9"), "S-9"),
        (("--lot-size", "50", "--edition", "1916", "--level", "S-1"), "VII, VI, V, IV, III, II, I"),
        (("--lot-size", "50", "--aql", "1", "--false-reject", "2"), "false-reject"),
    ],
)
def test_a_wrong_option_is_refused_in_one_line(capsys, arguments, words):
    status, out, err = printed(capsys, *arguments)

    assert (status, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1
