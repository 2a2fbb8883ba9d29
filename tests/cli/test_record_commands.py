"""The commands of the record: what they do, what they print, how they end."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app import workflow
from inspect_app.cli import main
from tests.truth.workplaces import PASSWORD, Bench, answer_all, live_through_everything, open_first, receive, sign

ROOT = Path(__file__).parents[2]
CONTRACT = ROOT / "demo_fleet" / "contracts" / "bsr-014.toml"
COMMANDS = (
    "serve",
    "receive",
    "certify",
    "history",
    "verify",
    "backup",
    "restore",
    "user",
    "database",
    "supersede",
    "revoke",
    "export",
    "import",
    "report",
)
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run the program in this process: status, what it printed, what it complained of."""
    monkeypatch.setenv("INSPECT_APP_PASSWORD", PASSWORD)
    monkeypatch.setenv("INSPECT_APP_NEW_PASSWORD", "seven green bicycles")
    monkeypatch.delenv("INSPECT_APP_INSTANCE", raising=False)
    monkeypatch.delenv("INSPECT_APP_DATABASE_URL", raising=False)

    def run(*arguments: object) -> tuple[int, str, str]:
        status = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return status, out, err

    return run


@pytest.fixture
def instance(bench: Bench) -> Path:
    """Give the folder of a record with people."""
    return bench.place.settings.instance


@pytest.fixture
def lived(bench: Bench) -> Path:
    """Give the folder of a record in which everything happened."""
    live_through_everything(bench)
    return bench.place.settings.instance


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_explains_itself_with_an_example(run: Run, command: str) -> None:
    status, out, err = run(command, "--help")

    assert (status, err) == (0, "")
    assert f"inspect-app {command}" in out.split("Examples:")[1]


@pytest.mark.parametrize(
    "arguments", [("verify",), ("history", "X"), ("backup", "b.zip"), ("certify", "X", "--as", "ines")]
)
def test_a_folder_without_a_record_is_told_and_left_alone(run: Run, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    status, _, err = run(*arguments, "--instance", tmp_path / "nowhere")

    assert status == 2
    assert "it holds no record" in err
    assert not (tmp_path / "nowhere").exists()


def test_accounts_are_added_listed_disabled_and_enabled(run: Run, tmp_path: Path) -> None:
    place = ("--instance", tmp_path)
    assert run("user", "add", "nora", "--name", "Nora Example", "--role", "inspector", *place)[0] == 0

    assert run("user", "disable", "nora", *place)[1] == "Disabled nora\n"
    assert "disabled" in run("user", "list", *place)[1]
    assert run("user", "enable", "nora", *place)[0] == 0

    listed = run("user", "list", *place)[1].splitlines()
    assert [line.split() for line in listed] == [["login", "name", "role"], ["nora", "Nora", "Example", "inspector"]]


def test_a_random_password_is_printed_once_and_signs_in(run: Run, instance: Path, bench: Bench) -> None:
    _, out, _ = run("user", "password", "otto", "--random", "--instance", instance)

    password = out.strip().rsplit(" ", 1)[1]
    assert workflow.sign_in(bench.place, "otto", password) == bench.auditor


def test_an_easy_password_is_refused(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("INSPECT_APP_NEW_PASSWORD", "short")

    status, _, err = run("user", "add", "nora", "--name", "Nora", "--role", "auditor", "--instance", tmp_path)

    assert status == 2
    assert err.startswith("password: it has 5 characters")


def test_a_shipment_is_received_by_its_packing_list(run: Run, instance: Path, bench: Bench, tmp_path: Path) -> None:
    packing_list = tmp_path / "list.csv"
    packing_list.write_text(
        'serial,class\nQD-1,"digital monocular, standard sensor"\nQD-2,"digital monocular, large sensor"\n'
    )

    status, out, err = run("receive", CONTRACT, "DN-7", "--list", packing_list, "--as", "ines", "--instance", instance)

    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "Received 2 devices under DN-7: BSR-014-L01, BSR-014-L02"
    assert [summary.total for summary in workflow.lots(bench.place)] == [1, 1]


def test_an_unusual_serial_is_received_only_when_it_is_accepted(run: Run, instance: Path, bench: Bench) -> None:
    receive(bench, "BM-1")
    given = ("receive", "TST-001", "DN-2", "--serial", "bm-1", "--as", "ines", "--instance", instance)

    status, out, err = run(*given)
    assert status == 2
    assert "arrived before in TST-001-L01" in out
    assert "--accept-unusual" in err
    assert len(workflow.lots(bench.place)) == 1


def test_a_wrong_password_does_nothing(run: Run, instance: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("INSPECT_APP_PASSWORD", "not the right words")

    status, _, err = run("receive", "TST-001", "DN-1", "--serial", "X", "--as", "ines", "--instance", instance)

    assert status == 2
    assert "login or password is not right" in err
    assert workflow.lots(bench.place) == ()


def test_a_lot_is_certified_and_what_cannot_be_is_told(run: Run, lived: Path) -> None:
    status, out, err = run("certify", "--lot", "TST-001-L01", "--as", "ada", "--instance", lived)

    assert (status, err) == (0, "")
    rows = [line.split() for line in out.splitlines() if line.startswith("BM-")]
    assert [row[:4] for row in rows] == [["BM-001", "accepted,", "revoked", "C-2026-0001"], ["BM-002", "open"]]
    assert Path(rows[0][4]).read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "give serials or one lot"),
        (("BM-002",), "not signed"),
        (("XX",), "never arrived"),
        (("--lot", "L9"), "no such lot"),
    ],
)
def test_what_cannot_be_certified_is_told_in_words(
    run: Run, lived: Path, arguments: tuple[str, ...], words: str
) -> None:
    status, _, err = run("certify", *arguments, "--as", "ada", "--instance", lived)

    assert status == 2
    assert words in err


def test_reports_are_issued_by_name_and_scope_or_looked_at_as_a_draft(run: Run, lived: Path, tmp_path: Path) -> None:
    acting = ("--as", "ada", "--instance", lived)

    assert run("report", "lot", "tst-001-l01", *acting)[1].startswith("L-2026-0001 lot report: ")
    assert run("report", "fleet", "--contract", "TST-001", *acting)[1].startswith("F-2026-0001 fleet report: ")
    assert run("report", "fleet", "--draft", tmp_path / "draft.pdf", *acting)[:2] == (0, "")
    assert (tmp_path / "draft.pdf").read_bytes().startswith(b"%PDF-")
    assert run("verify", lived / "documents" / "F-2026-0001.pdf", "--instance", lived)[0] == 0
    assert "L-2026-0001,lot report,,,TST-001-L01," in run("export", "documents", "--instance", lived)[1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("lot",), "the fleet has none"),
        (("fleet", "X"), "the fleet has none"),
        (("lot", "L9"), "no such lot"),
        (("return", "RT-9"), "no such return"),
        (("fleet", "--contract", "NONE"), "no lot was received"),
        (("fleet", "--from", "2026-02-01", "--until", "2026-01-01"), "is before"),
    ],
)
def test_what_cannot_be_reported_is_told_in_words(
    run: Run, lived: Path, arguments: tuple[str, ...], words: str
) -> None:
    status, _, err = run("report", *arguments, "--as", "ada", "--instance", lived)

    assert status == 2
    assert words in err


def test_the_history_of_a_serial_is_told_and_part_of_one_lists_devices(run: Run, lived: Path) -> None:
    _, out, _ = run("history", "bm-001", "--instance", lived)
    listed = run("history", "BM-00", "--instance", lived)[1]

    assert "under DN-1 in lot TST-001-L01" in out
    assert "certificate C-2026-0001" in out
    assert "4.1 Resolution by eye: conforming" in out
    assert [line.split()[0] for line in listed.splitlines()] == ["BM-001", "BM-002", "BM-003"]
    assert run("history", "nothing", "--instance", lived)[0] == 2


def test_a_list_is_exported_to_a_file_or_to_stdout(run: Run, lived: Path, tmp_path: Path) -> None:
    target = tmp_path / "devices.json"
    arguments = ("export", "devices", "--instance", lived)

    assert run(*arguments, "--as", "json", "--where", "serial=bm-002", "--output", target)[0] == 0
    assert [row["serial"] for row in json.loads(target.read_text(encoding="utf-8"))] == ["BM-002"]
    assert run(*arguments, "--where", "colour=red")[0] == 2
    assert run(*arguments, "--output", tmp_path / "nowhere" / "x.csv")[0] == 2


def test_a_list_is_imported_after_a_look_at_each_line(run: Run, instance: Path, tmp_path: Path) -> None:
    file = tmp_path / "more.csv"
    run("export", "accounts", "--instance", instance, "--output", file)
    lines = file.read_bytes()
    file.write_bytes(lines + b"nia,Nia,inspector,true\r\nivo,Ivo,owner,true\r\n")

    status, said, _ = run("import", "accounts", file, "--instance", instance, "--preview")
    assert status == 2
    assert "line 7: new\nline 8: wrong: role: 'owner' is none" in said
    assert "7 lines, 1 new, 5 known, 1 wrong; nothing was taken over" in said

    file.write_bytes(lines + b"nia,Nia,inspector,true\r\n")
    assert run("import", "accounts", file, "--instance", instance)[:2] == (
        0,
        "more.csv: 6 lines, 1 new, 5 known, 0 wrong\n",
    )


def test_what_follows_from_signatures_is_not_imported_by_command_either(
    run: Run, instance: Path, tmp_path: Path
) -> None:
    file = tmp_path / "results.csv"
    run("export", "results", "--instance", instance, "--output", file)

    status, _, told = run("import", "results", file, "--instance", instance)

    assert status == 2
    assert "they are measured from captures and readings, and signed. Import what was typed and inspect" in told


def test_verify_says_that_all_agrees_or_names_what_does_not(run: Run, lived: Path) -> None:
    status, out, _ = run("verify", "--instance", lived)
    assert (status, out.splitlines()[-1]) == (0, "All agrees.")

    next((lived / "evidence").glob("??/*")).unlink()
    status, out, err = run("verify", "--json", "--instance", lived)

    assert status == 1
    assert "missing" in json.loads(out)["problems"][0]
    assert "1 problem found" in err


def test_a_document_is_verified_superseded_and_revoked_by_commands(run: Run, bench: Bench, tmp_path: Path) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    sign(bench, inspection_id)
    instance = bench.place.settings.instance
    acting = ("--as", "ada", "--instance", instance)

    assert run("certify", "BM-001", *acting)[0] == 0
    paper = instance / "documents" / "C-2026-0001.pdf"
    assert run("verify", paper, "--instance", instance)[0] == 0
    elsewhere = ("--instance", tmp_path / "none", "--authority", instance / "authority.pem")
    assert run("verify", paper, *elsewhere)[0] == 0
    status, out, _ = run("supersede", "C-2026-0001", "--reason", "misprint", *acting)
    assert (status, out.split(":")[0]) == (0, "C-2026-0002 supersedes C-2026-0001")
    status, out, err = run("verify", paper, "--instance", instance)
    assert status == 1
    assert "superseded by C-2026-0002" in out
    assert "not every proof holds" in err
    assert run("revoke", "C-2026-0002", "--reason", "wrong lens", *acting)[1] == "C-2026-0002 is revoked.\n"
    (tmp_path / "bad.pdf").write_bytes(paper.read_bytes() + b" ")
    status, out, _ = run("verify", tmp_path / "bad.pdf", "--json", *elsewhere)
    assert (status, json.loads(out)[str(tmp_path / "bad.pdf")][0]["holds"]) == (1, False)


def test_a_backup_is_restored_elsewhere_and_verifies(run: Run, lived: Path, tmp_path: Path) -> None:
    archive, elsewhere = tmp_path / "backup.zip", tmp_path / "elsewhere"

    assert run("backup", archive, "--instance", lived)[0] == 0
    status, out, err = run("restore", archive, "--instance", elsewhere)

    assert (status, err) == (0, "")
    assert "3 inspections" in out
    assert run("verify", "--instance", elsewhere)[1] == run("verify", "--instance", lived)[1]
    assert (elsewhere / "documents" / "C-2026-0001.pdf").is_file()
    assert run("restore", archive, "--instance", lived)[0] == 2


def test_the_schema_is_checked_and_upgraded(run: Run, tmp_path: Path) -> None:
    assert run("database", "check", "--instance", tmp_path)[0] == 2
    assert run("database", "upgrade", "--instance", tmp_path)[0] == 0
    assert run("database", "check", "--instance", tmp_path)[0] == 0
    assert "already" in run("database", "upgrade", "--instance", tmp_path)[1]


def test_a_tally_that_was_changed_is_told_and_counted_anew(run: Run, lived: Path) -> None:
    with closing(sqlite3.connect(lived / "record.db")) as stranger, stranger:
        stranger.execute("UPDATE lot_tally SET held = held + 1 WHERE lot_id = 1")

    status, out, err = run("verify", "--instance", lived)
    assert (status, "tally of lot 1" in out + err, "inspect-app database recount" in out + err) == (1, True, True)
    assert run("database", "recount", "--instance", lived)[:2] == (0, "2 lots counted.\n")
    assert run("verify", "--instance", lived)[0] == 0


@pytest.fixture
def server(instance: Path) -> Iterator[subprocess.Popen[str]]:
    """Serve a record on any free port."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "inspect_app",
            "serve",
            "--port",
            "0",
            "--instance",
            str(instance),
            "--proxy",
            "127.0.0.1",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    yield process
    process.kill()
    process.communicate()


def test_serve_prints_its_address_answers_there_and_stops_when_told(server: subprocess.Popen[str]) -> None:
    assert server.stdout is not None
    line = server.stdout.readline()
    address = line.split()[2]

    asked = urllib.request.Request(address, headers={"X-Forwarded-Proto": "https"})  # noqa: S310 (as it was printed)
    with urllib.request.urlopen(asked, timeout=60) as answer:  # noqa: S310 (likewise)
        page, headers = answer.read().decode(), answer.headers
    server.send_signal(signal.SIGTERM)

    assert address.startswith("http://127.0.0.1:")
    assert "<html" in page
    assert "Strict-Transport-Security" in headers
    assert server.wait(60) == 0


def test_a_port_that_is_taken_is_told_in_words(run: Run, instance: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        status, _, err = run("serve", "--port", other.getsockname()[1], "--instance", instance)

    assert status == 2
    assert "already in use" in err


def test_an_address_that_is_none_is_told_in_words(run: Run, instance: Path) -> None:
    status, _, err = run("serve", "--host", "203.0.113.7", "--port", "0", "--instance", instance)

    assert status == 2
    assert "cannot listen there" in err


def test_a_token_is_made_printed_once_listed_and_revoked(run: Run, instance: Path) -> None:
    made = ("user", "token", "make", "ines", "--for", "bench 2", "--scope", "read", "--instance", instance)
    status, secret, told = run(*made)

    assert (status, secret.startswith("inspect_"), told.startswith("Made token 1 of ines, until ")) == (0, True, True)
    assert "in force" in run("user", "token", "list", "--instance", instance)[1]
    assert secret.strip() not in run("user", "token", "list", "--instance", instance)[1]
    assert run("user", "token", "revoke", "1", "--instance", instance)[1] == "Revoked token 1 of ines\n"
    assert "ended" in run("user", "token", "list", "--instance", instance)[1]
    assert run("user", "token", "revoke", "2", "--instance", instance)[0] == 2
    refused = run("user", "token", "make", "otto", "--for", "x", "--scope", "inspect", "--instance", instance)
    assert (refused[0], refused[1]) == (2, "")
