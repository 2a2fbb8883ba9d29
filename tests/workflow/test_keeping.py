"""Keeping: verify finds what was touched, backups come back whole, damaged ones do not."""

import io
import json
import shutil
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from inspect_app import workflow
from inspect_app.errors import Damaged, InspectError, NotAllowed, NotFound, UnusableInput
from inspect_app.storage import arrivals
from inspect_app.workflow import Workplace
from tests.truth.workplaces import Bench, even_frame, keep, live_through_everything, open_first, workplace
from tests.truth.workplaces import bench as opened


@pytest.fixture(scope="module")
def story(furnished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Live through everything once, to be copied."""
    folder = tmp_path_factory.mktemp("story") / "instance"
    shutil.copytree(furnished, folder)
    with opened(folder) as bench:
        live_through_everything(bench)
    return folder


@pytest.fixture
def lived(story: Path, tmp_path: Path) -> Iterator[Bench]:
    shutil.copytree(story, tmp_path / "lived")
    with opened(tmp_path / "lived") as bench:
        yield bench


@pytest.fixture
def restored(tmp_path: Path) -> Path:
    return tmp_path / "restored"


def evidence_files(place: Workplace) -> list[Path]:
    return sorted(path for path in place.settings.evidence_folder.glob("??/*"))


def test_a_record_that_nobody_touched_verifies(either_bench: Bench) -> None:
    live_through_everything(either_bench)

    report = workflow.verify(either_bench.place)

    assert report.problems == ()
    assert report.counts["documents"] == 1
    assert report.counts["inspections"] == 3
    assert report.head == workflow.events(either_bench.place, count=1)[0].digest


def test_a_changed_row_is_found_on_postgresql_too(postgresql_url: str, tmp_path: Path) -> None:
    with opened(tmp_path, postgresql_url) as bench:
        open_first(bench)
        with bench.place.database.engine.begin() as connection:
            connection.execute(text("ALTER TABLE device DISABLE TRIGGER device_no_change"))
            connection.execute(text("UPDATE device SET serial = 'BM-002'"))

        problems = workflow.verify(bench.place).problems

    assert any("device_no_change" in problem for problem in problems)
    assert any("a row that it wrote was changed" in problem for problem in problems)


def test_a_function_that_refuses_no_longer_is_found_on_postgresql(postgresql_url: str, tmp_path: Path) -> None:
    with opened(tmp_path, postgresql_url) as bench:
        function = "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql"
        with bench.place.database.engine.begin() as connection:
            connection.execute(text(f"{function} AS $$ BEGIN RETURN NEW; END $$"))

        assert any("refuse_change" in problem for problem in workflow.verify(bench.place).problems)


def test_a_changed_byte_in_any_kept_file_is_found(lived: Bench) -> None:
    for path in evidence_files(lived.place):
        whole = path.read_bytes()
        path.chmod(0o644)
        path.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))

        assert any(path.name[:12] in problem for problem in workflow.verify(lived.place).problems)
        path.write_bytes(whole)

    assert workflow.verify(lived.place).problems == ()


def test_a_missing_file_and_a_changed_copy_of_a_document_are_found(lived: Bench) -> None:
    evidence_files(lived.place)[0].unlink()
    (copy,) = lived.place.settings.documents_folder.iterdir()
    copy.write_bytes(copy.read_bytes() + b" ")

    problems = workflow.verify(lived.place).problems

    assert any("missing" in problem for problem in problems)
    assert any(copy.name in problem for problem in problems)


def test_a_crash_between_file_and_row_leaves_nothing_half(bench: Bench) -> None:
    """The file is in place and no row names it: nobody sees it, the record verifies, and it can be sent again."""
    stray = bench.place.evidence.keep("frame.png", io.BytesIO(even_frame(1)))

    with pytest.raises(NotFound):
        workflow.open_evidence(bench.place, stray.sha256)
    assert workflow.verify(bench.place).problems == ()
    assert keep(bench, "frame.png", even_frame(1)).sha256 == stray.sha256
    assert workflow.open_evidence(bench.place, stray.sha256).is_file()


def test_a_write_that_fails_half_way_leaves_no_row_and_no_event(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_given: object) -> None:
        raise RuntimeError("the power went")

    before = workflow.verify(bench.place)
    monkeypatch.setattr(arrivals, "add_arrivals", broken)
    with pytest.raises(RuntimeError, match="power"):
        open_first(bench)

    assert workflow.verify(bench.place) == before
    assert workflow.lots(bench.place) == ()


def test_a_record_that_is_no_database_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "record.db").write_bytes(b"this is no database at all, " * 100)

    with pytest.raises(InspectError, match="not a database"):
        workplace(tmp_path)


def test_a_busy_record_says_that_nothing_was_lost(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("inspect_app.storage.database._WAIT_FOR_LOCK_S", 0.05)
    impatient = workplace(bench.place.settings.instance)
    with closing(sqlite3.connect(bench.place.settings.record_path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")

        with pytest.raises(InspectError, match="busy"):
            workflow.add_instrument(impatient, None, "tape", "Tape", "T-1")

    workflow.close_workplace(impatient)


def test_a_backup_comes_back_with_the_same_seal_and_files(either_bench: Bench, restored: Path, tmp_path: Path) -> None:
    live_through_everything(either_bench)
    before = workflow.verify(either_bench.place)

    archive = workflow.back_up(either_bench.place, tmp_path / "backup.zip")
    workflow.restore(archive, restored)

    place = workplace(restored)
    assert workflow.verify(place) == before
    assert [one.document for one in workflow.issued_documents(place)] == [
        one.document for one in workflow.issued_documents(either_bench.place)
    ]
    workflow.close_workplace(place)


def test_a_backup_of_sqlite_comes_back_on_postgresql_and_work_goes_on(
    lived: Bench, restored: Path, tmp_path: Path, postgresql_url: str
) -> None:
    before = workflow.verify(lived.place)

    workflow.restore(workflow.back_up(lived.place, tmp_path / "backup.zip"), restored, postgresql_url)

    place = workplace(restored, postgresql_url)
    assert workflow.verify(place) == before
    workflow.add_instrument(place, None, "tape", "Tape", "T-1")
    workflow.add_account(place, None, "nora", "Nora", lived.inspector.role, "seven green bicycles")
    assert workflow.verify(place).problems == ()
    workflow.close_workplace(place)


def test_a_backup_is_not_written_over_anything_nor_restored_over_anything(lived: Bench, tmp_path: Path) -> None:
    archive = workflow.back_up(lived.place, tmp_path / "backup.zip")

    with pytest.raises(NotAllowed, match="exists"):
        workflow.back_up(lived.place, archive)
    with pytest.raises(NotAllowed, match="holds a record already"):
        workflow.restore(archive, lived.place.settings.instance)


def test_a_damaged_record_is_not_backed_up(lived: Bench, tmp_path: Path) -> None:
    evidence_files(lived.place)[0].unlink()

    with pytest.raises(Damaged, match="missing"):
        workflow.back_up(lived.place, tmp_path / "backup.zip")

    assert not (tmp_path / "backup.zip").exists()


def repack(archive: Path, target: Path, changes: dict[str, bytes | None]) -> Path:
    """Copy an archive with members changed, or left out where None."""
    with zipfile.ZipFile(archive) as source, zipfile.ZipFile(target, "w") as copy:
        for name in source.namelist():
            content = changes.get(name, source.read(name))
            if content is not None:
                copy.writestr(name, content)
    return target


def test_a_changed_missing_or_foreign_member_of_a_backup_is_refused(
    lived: Bench, restored: Path, tmp_path: Path
) -> None:
    archive = workflow.back_up(lived.place, tmp_path / "backup.zip")
    with zipfile.ZipFile(archive) as pack:
        member = next(name for name in pack.namelist() if name.startswith("evidence/"))
        manifest = json.loads(pack.read("manifest.json"))
    outside = {**manifest, "files": {**manifest["files"], "../../outside": "0" * 64}}
    spoilt: list[tuple[dict[str, bytes | None], type[InspectError]]] = [
        ({member: b"other"}, Damaged),
        ({member: None}, Damaged),
        ({"record.db": b"other"}, Damaged),
        ({"manifest.json": None}, UnusableInput),
        ({"manifest.json": b"[]"}, UnusableInput),
        ({"manifest.json": json.dumps(outside).encode()}, UnusableInput),
    ]

    for number, (changes, error) in enumerate(spoilt):
        with pytest.raises(error):
            workflow.restore(repack(archive, tmp_path / f"{number}.zip", changes), restored)
        assert not (restored / "record.db").exists()


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x03\x04"])
def test_what_is_no_backup_is_refused_in_words(tmp_path: Path, restored: Path, content: bytes) -> None:
    archive = tmp_path / "backup.zip"
    archive.write_bytes(content)

    with pytest.raises(UnusableInput, match="backup"):
        workflow.restore(archive, restored)


def test_the_secret_key_is_made_once_and_is_for_its_owner_alone(bench: Bench) -> None:
    key = workflow.secret_key(bench.place)

    assert workflow.secret_key(bench.place) == key
    assert len(key) >= 32
    assert (bench.place.settings.instance / "secret_key").stat().st_mode & 0o077 == 0
