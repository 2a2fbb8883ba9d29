"""Whatever is handed to a check: one line that says what is wrong, and never a number."""

import resource
import subprocess
import sys

import pytest

from inspect_app.cli import main
from inspect_app.measure import CHECKS
from tests.truth.hostile import CONTENTS, NOISE, PLACES, png, put, tiff

OPTIONS = {
    "battery": ["--cutoff-v", "3.2", "--load-ohm", "10"],
    "blemish": [],
    "distortion": [],
    "frame-rate": ["--blink-hz", "2"],
    "latency": [],
    "noise": [],
    "readout": ["--strobe-hz", "200"],
    "slanted-edge": [],
    "step-wedge": ["--steps", "21", "--stops-per-step", "1"],
}
"""Each check that measures files, with the options that it cannot do without."""

MEMORY_BYTES = 1_500_000_000


def arguments(check, path):
    files = [str(path)] * (2 if check == "noise" else 1)
    return ["measure", check, *files, *OPTIONS[check], "--json"]


def refusals(path, capfd):
    """Run every check on a file; return check, exit status, output and the lines of the refusal."""
    for check in OPTIONS.keys() & CHECKS.keys():
        status = main(arguments(check, path))
        told = capfd.readouterr()
        yield check, status, told.out, told.err.splitlines()


@pytest.mark.parametrize("name", [*CONTENTS, *PLACES])
def test_no_check_makes_a_number_of_it(name, tmp_path, capfd):
    path = put(tmp_path, name)

    outcomes = list(refusals(path, capfd))

    assert outcomes
    for check, status, out, lines in outcomes:
        assert (status in (2, 3), out, len(lines)) == (True, "", 1), f"{check}: {status} {out} {lines}"
        assert "fault" not in lines[0]
        assert path.name in lines[0], f"{check} does not name the file: {lines[0]}"


def test_a_picture_of_50_gigabytes_is_refused_before_it_is_read(tmp_path, capfd):
    """By its size alone: reading it through would take minutes. The file is sparse."""
    path = tmp_path / "vast.tif"
    with path.open("wb") as file:
        file.write(tiff(NOISE))
        file.truncate(50 * 2**30)

    status = main(arguments("step-wedge", path))

    assert status == 2
    assert "vast.tif: it has 53.7 GB" in capfd.readouterr().err


@pytest.mark.parametrize("name", ["two\nlines.png", "bell\a.png", "-rf.png", "\udcff\udcfe.png", "a" * 300 + ".png"])
def test_a_strange_name_is_told_in_one_line(name, tmp_path, capfd, monkeypatch):
    monkeypatch.chdir(tmp_path)

    status = main(["measure", "noise", "--", name, name])
    told = capfd.readouterr()

    assert status == 2
    assert told.out == ""
    assert len(told.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("check", "given"),
    [
        ("noise", ["--roi", "1,2,3"]),
        ("noise", ["--roi", "a,b,c,d"]),
        ("noise", ["--roi", "-1,0,5,5"]),
        ("noise", ["--roi", "0,0,0,5"]),
        ("noise", ["--roi", "0,0,9999,9999"]),
        ("noise", ["--roi", "9" * 400 + ",0,5,5"]),
        ("noise", ["--roi", ""]),
        ("noise", ["--transfer", "gamma"]),
        ("noise", ["--transfer", "power:nan"]),
        ("noise", ["--transfer", "power:0"]),
        ("noise", ["--transfer", "table:absent.csv"]),
        ("noise", ["--transfer", "table:/"]),
        ("noise", ["--transfer", ""]),
        ("noise", ["--strobe-hz", "200"]),
        ("noise", ["--roi"]),
        ("noise", ["--json=yes"]),
        ("readout", ["--strobe-hz", "nan"]),
        ("readout", ["--strobe-hz", "inf"]),
        ("readout", ["--strobe-hz", "-200"]),
        ("readout", ["--strobe-hz", "0"]),
        ("readout", ["--strobe-hz", "1e999"]),
        ("readout", ["--strobe-hz", "two hundred"]),
        ("readout", ["--strobe-hz", "200 ms"]),
        ("readout", ["--strobe-hz", "\x00"]),
        ("readout", ["--strobe-hz", "200\n300"]),
    ],
)
def test_an_impossible_option_is_refused_in_one_line(check, given, tmp_path, capfd):
    path = tmp_path / "even.png"
    path.write_bytes(png(NOISE))

    status = main(["measure", check, str(path), str(path), *given] if check == "noise" else ["measure", check, *given])
    told = capfd.readouterr()

    assert status == 2
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert "fault" not in told.err


@pytest.mark.parametrize(
    "given",
    [
        ["noise", "n" * 5000],
        ["n" * 5000],
        ["noise", "--" + "n" * 5000],
        ["noise", "--roi", "7" * 5000],
        ["readout", "--strobe-hz", "7" * 5000],
        ["noise", "n.png", "n.png", "--transfer", "table:" + "n" * 5000],
    ],
)
def test_a_name_longer_than_any_file_has_is_told_in_a_line_that_can_be_read(given, capfd):
    status = main(["measure", *given])
    told = capfd.readouterr()

    assert status == 2
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert len(told.err) < 500
    assert "string conversion" not in told.err


def _limit_memory():
    resource.setrlimit(resource.RLIMIT_AS, (4 * MEMORY_BYTES, 4 * MEMORY_BYTES))


@pytest.mark.parametrize(
    "name", ["PNG, a flood of text", "PNG, nearly nothing in it", "TIFF, a strip that floods", "TIFF, 5000 pages"]
)
def test_a_bomb_stays_within_a_gigabyte_and_a_half(name, tmp_path):
    path = put(tmp_path, name)
    program = (
        "import resource, sys; from inspect_app.cli import main; status = main(sys.argv[1:]);"
        "print(status, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)"
    )

    ran = subprocess.run(
        [sys.executable, "-c", program, *arguments("noise", path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        preexec_fn=_limit_memory,
    )

    status, peak_bytes = map(int, ran.stdout.split())
    assert status == 2
    assert peak_bytes < MEMORY_BYTES
    assert len(ran.stderr.splitlines()) == 1


@pytest.mark.parametrize("name", ["TIFF, tags of no type", "PNG, a palette of no whole colours"])
def test_what_a_decoder_remarks_stays_off_the_error_stream(name, tmp_path):
    """Truth: by definition of the command, one line; the decoders log theirs only outside of pytest."""
    path = put(tmp_path, name)

    ran = subprocess.run(
        [sys.executable, "-m", "inspect_app", "measure", "slanted-edge", str(path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )

    assert ran.returncode == 2
    (line,) = ran.stderr.splitlines()
    assert line.startswith(path.name)
