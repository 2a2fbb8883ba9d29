"""The life of a document: approved by another, sealed, proved, superseded, revoked."""

import dataclasses
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Document, EndManner
from inspect_app.workflow import ProofLine, Workplace
from inspect_app.workflow.papers.sealing import authorities
from tests.documents.reading import text_of
from tests.truth.workplaces import (
    GOOD_READINGS,
    PASSWORD,
    Bench,
    answer_all,
    live_through_everything,
    open_first,
    sign,
    workplace,
)


@pytest.fixture
def signed(bench: Bench) -> int:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, GOOD_READINGS)
    sign(bench, inspection_id)
    return inspection_id


@pytest.fixture
def document(bench: Bench, signed: int) -> Document:
    return workflow.issue_document(bench.place, bench.approver, signed)


def bytes_of(place: Workplace, document: Document) -> bytes:
    return workflow.document_path(place, document).read_bytes()


def said(lines: tuple[ProofLine, ...], question: str) -> ProofLine:
    (line,) = [line for line in lines if line.question == question]
    return line


def test_who_inspected_does_not_approve_unless_the_settings_say_so(bench: Bench, signed: int) -> None:
    for person in (bench.inspector, bench.second):
        with pytest.raises(NotAllowed):
            workflow.issue_document(bench.place, person, signed)

    settings = dataclasses.replace(bench.place.settings, is_self_approved=True)
    issued = workflow.issue_document(dataclasses.replace(bench.place, settings=settings), bench.inspector, signed)

    assert issued.issued_by == bench.inspector


def test_an_approver_who_signed_the_inspection_does_not_approve_it(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    workflow.conclude(bench.place, bench.approver, inspection_id, PASSWORD, "BM-001")

    with pytest.raises(NotAllowed, match="somebody else"):
        workflow.issue_document(bench.place, bench.approver, inspection_id)


def test_a_sign_off_with_a_wrong_password_issues_nothing(bench: Bench, signed: int) -> None:
    with pytest.raises(NotAllowed):
        workflow.approve(bench.place, bench.approver, signed, "not the password")

    assert workflow.issued_documents(bench.place) == ()
    assert [one.inspection_id for one in workflow.awaiting_documents(bench.place)] == [signed]
    assert workflow.approve(bench.place, bench.approver, signed, PASSWORD).number == "C-2026-0001"
    assert workflow.awaiting_documents(bench.place) == ()


def test_an_issued_document_is_proved_whole_equal_to_the_record_and_standing(bench: Bench, document: Document) -> None:
    lines = workflow.prove_file(bench.place, "x.pdf", bytes_of(bench.place, document))

    assert {line.question: line.holds for line in lines if line.holds is not None} == {
        "Signature": True,
        "Signed by": True,
        "Bytes": True,
        "Record": True,
        "Standing": True,
    }


def test_a_new_name_in_the_settings_makes_no_old_document_differ(bench: Bench, document: Document) -> None:
    settings = dataclasses.replace(bench.place.settings, issuer="Another name")

    lines = workflow.prove_file(
        dataclasses.replace(bench.place, settings=settings), "x.pdf", bytes_of(bench.place, document)
    )

    assert said(lines, "Record").holds


def test_a_changed_byte_is_named_by_its_place(bench: Bench, document: Document) -> None:
    content = bytearray(bytes_of(bench.place, document))
    content[4321] ^= 4

    lines = workflow.prove_file(bench.place, "C-2026-0001.pdf", bytes(content) + b"xyz")

    assert said(lines, "Signature").holds is False
    assert "1 of its bytes differ, the first at 4321, 3 bytes were appended" in said(lines, "Bytes").said


def test_a_database_that_was_changed_behind_the_document_is_found(bench: Bench, document: Document) -> None:
    with closing(sqlite3.connect(bench.place.settings.record_path)) as forger:
        forger.execute("DROP TRIGGER device_no_update")
        forger.execute("UPDATE device SET serial = 'BM-007'")
        forger.commit()

    lines = workflow.prove_file(bench.place, "x.pdf", bytes_of(bench.place, document))

    assert said(lines, "Bytes").holds
    assert said(lines, "Record") == ProofLine(
        question="Record", holds=False, said="differs from the database in device"
    )


def test_a_document_is_proved_without_a_record_by_its_authority(bench: Bench, document: Document) -> None:
    content = bytes_of(bench.place, document)

    known = workflow.prove_file(None, "x.pdf", content, authorities(bench.place))
    unknown = workflow.prove_file(None, "x.pdf", content)

    assert (said(known, "Signature").holds, said(known, "Signed by").holds) == (True, True)
    assert (said(unknown, "Signature").holds, said(unknown, "Signed by").holds) == (True, False)


def test_a_document_of_another_record_is_not_known_here(bench: Bench, document: Document, tmp_path: Path) -> None:
    other = workplace(tmp_path / "other")

    lines = workflow.prove_file(other, "C-2026-0001.pdf", bytes_of(bench.place, document))

    workflow.close_workplace(other)
    assert said(lines, "Record") == ProofLine(
        question="Record", holds=False, said="the record knows no document of this number"
    )


def test_the_seal_is_made_once_is_its_owners_alone_and_outlives_a_restore(bench: Bench, tmp_path: Path) -> None:
    live_through_everything(bench)
    key = bench.place.settings.signing_key
    assert key.stat().st_mode & 0o077 == 0
    assert len(authorities(bench.place)) == 1
    document = workflow.document(bench.place, "C-2026-0001")

    workflow.restore(workflow.back_up(bench.place, tmp_path / "backup.zip"), tmp_path / "restored")

    restored = workplace(tmp_path / "restored")
    lines = workflow.prove_file(restored, "x.pdf", bytes_of(restored, document))
    workflow.close_workplace(restored)
    assert said(lines, "Signed by").holds


def test_a_key_that_the_settings_name_and_that_is_not_there_is_told(bench: Bench, signed: int) -> None:
    settings = dataclasses.replace(bench.place.settings, given_signing_key=Path("/nowhere/own.p12"))

    with pytest.raises(NotFound, match="there is no such file"):
        workflow.issue_document(dataclasses.replace(bench.place, settings=settings), bench.approver, signed)


def test_a_superseded_document_and_its_successor_name_each_other(bench: Bench, document: Document) -> None:
    before = bytes_of(bench.place, document)

    new = workflow.supersede_document(bench.place, bench.approver, "c-2026-0001", "the address was wrong")

    old = workflow.document(bench.place, "C-2026-0001")
    assert new.number == "C-2026-0002"
    assert old.end is not None
    assert (old.end.manner, old.end.successor, old.end.reason) == (
        EndManner.SUPERSEDED,
        "C-2026-0002",
        "the address was wrong",
    )
    assert "Supersedes C-2026-0001 of 2026-03-02, which stands no longer: the address was wrong" in text_of(
        bytes_of(bench.place, new)
    )
    assert bytes_of(bench.place, old) == before
    line = said(workflow.prove_file(bench.place, "x.pdf", before), "Standing")
    assert line.holds is False
    assert "superseded by C-2026-0002" in line.said
    assert workflow.verify(bench.place).problems == ()


def test_what_stands_no_longer_does_not_end_again(bench: Bench, document: Document) -> None:
    workflow.supersede_document(bench.place, bench.approver, document.number, "misprint")

    for ending in (workflow.supersede_document, workflow.revoke_document):
        with pytest.raises(NotAllowed, match="superseded by C-2026-0002"):
            ending(bench.place, bench.approver, document.number, "again")
        with pytest.raises(UnusableInput, match="reason"):
            ending(bench.place, bench.approver, "C-2026-0002", "  ")
        with pytest.raises(NotAllowed):
            ending(bench.place, bench.inspector, "C-2026-0002", "by the wrong person")


def test_a_revoked_document_lets_its_inspection_be_signed_and_issued_anew(
    bench: Bench, document: Document, signed: int
) -> None:
    with pytest.raises(NotAllowed):
        workflow.reopen(bench.place, bench.inspector, signed, "too early")
    workflow.revoke_document(bench.place, bench.approver, document.number, "wrong distance")
    with pytest.raises(NotAllowed, match="revoked"):
        workflow.issue_document(bench.place, bench.approver, signed)

    workflow.reopen(bench.place, bench.inspector, signed, "wrong distance")
    sign(bench, signed)
    new = workflow.issue_document(bench.place, bench.approver, signed)

    assert new.number == "C-2026-0002"
    assert "C-2026-0001 of 2026-03-02 on the same inspection was revoked: wrong distance" in text_of(
        bytes_of(bench.place, new)
    )
    assert workflow.document(bench.place, "C-2026-0001").end is not None
    assert workflow.verify(bench.place).problems == ()
