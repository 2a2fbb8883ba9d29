"""Documents on the pages: read, proved, superseded, revoked."""

import io
import re

import pypdf
import pytest

from inspect_app import workflow
from inspect_app.workflow.papers import issued
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD


@pytest.fixture
def document(place, people, inspection):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    return workflow.issue_document(place, people["app"], inspection.id)


@pytest.fixture
def issued_bytes(place, document):
    return workflow.document_path(place, document).read_bytes()


@pytest.fixture
def approver(as_role):
    return as_role("app")


def end(visitor, act, reason="the address of the issuer was wrong", password=PASSWORD):
    visitor.get("/documents/C-2026-0001")
    return visitor.post(f"/documents/C-2026-0001/{act}", {"reason": reason, "password": password})


def prove(visitor, content, name="C-2026-0001.pdf"):
    visitor.get("/documents/verify")
    return visitor.post("/documents/verify", {"file": (io.BytesIO(content), name), "text": ""})


def test_the_document_page_shows_digest_and_judgements_as_printed(inspector, document):
    inspector.get("/documents/C-2026-0001")

    assert document.sha256 in inspector.words()
    assert "✓ Conforms" in inspector.words()


def test_a_document_is_read_in_place_or_downloaded_as_asked(inspector, document):
    in_place = inspector.get("/documents/C-2026-0001.pdf")
    stored = inspector.get("/documents/C-2026-0001.pdf?download=1")

    assert in_place.mimetype == "application/pdf"
    assert "TM-0001" in pypdf.PdfReader(io.BytesIO(in_place.get_data())).pages[0].extract_text()
    assert in_place.headers["Content-Disposition"].startswith("inline")
    assert stored.headers["Content-Disposition"] == "attachment; filename=C-2026-0001.pdf"


def test_a_number_that_was_not_issued_is_not_found(inspector):
    assert inspector.get("/documents/C-1999-0001").status_code == 404
    assert inspector.get("/documents/C-1999-0001.pdf").status_code == 404


def test_the_list_of_documents_names_device_and_lot(inspector, document, lot):
    inspector.get("/documents/")

    assert f"C-2026-0001 certificate TM-0001 {lot.number}" in inspector.words()


def test_documents_are_paged_and_searched_and_the_address_says_so(inspector, approver, document, monkeypatch):
    """Two documents, one on a page: the newest first, the other by its page or by what is looked for."""
    monkeypatch.setattr(issued, "DOCUMENTS_ON_A_PAGE", 1)
    end(approver, "supersede")

    first = inspector.get("/documents/")
    second = inspector.get("/documents/?page=2")
    found = inspector.get(f"/documents/?find={document.number.lower()}")
    none = inspector.get("/documents/?find=nothing-like-it")

    assert "2 documents, page 1 of 2" in first.text
    assert "C-2026-0002" in first.text
    assert "C-2026-0001" in second.text
    assert "1 document" in found.text
    assert "No document fits." in none.text


def test_a_superseded_document_names_the_new_one_and_stays_readable(approver, document, issued_bytes):
    page = end(approver, "supersede")

    assert page.request.path == "/documents/C-2026-0002"
    approver.get("/documents/C-2026-0001")
    assert "This document stands no longer. It was superseded by C-2026-0002" in approver.words()
    assert "Reason: the address of the issuer was wrong" in approver.words()
    assert approver.get("/documents/C-2026-0001.pdf").get_data() == issued_bytes
    approver.get("/documents/")
    assert "superseded by C-2026-0002" in approver.words()


def test_a_revoked_document_says_so_and_its_inspection_may_be_taken_up_again(approver, document, inspection, place):
    page = end(approver, "revoke", reason="measured with the wrong lens")

    assert page.request.path == "/documents/C-2026-0001"
    assert "It was revoked" in approver.words()
    approver.get(f"/inspections/{inspection.id}")
    approver.post(f"/inspections/{inspection.id}/reopen", {"reason": "measured with the wrong lens"})
    assert workflow.inspection(place, inspection.id).signature is None


@pytest.mark.parametrize("changes", [{"reason": " "}, {"password": "not the password"}])
def test_nothing_ends_without_a_reason_and_the_password(approver, document, place, changes):
    page = end(approver, "revoke", **changes)

    assert page.status_code == 422
    assert workflow.document(place, "C-2026-0001").end is None


def test_who_signed_the_inspection_cannot_end_its_document(inspector, document):
    inspector.get("/documents/C-2026-0001")

    assert "Revoke it" not in inspector.words()
    assert inspector.post("/documents/C-2026-0001/revoke", {"reason": "x", "password": PASSWORD}).status_code == 403


def test_the_file_that_was_issued_is_proved_in_every_respect(inspector, issued_bytes):
    prove(inspector, issued_bytes)

    words = inspector.words()
    assert "✓ Every proof holds" in words
    assert "The very file that was issued as C-2026-0001" in words
    assert "Record ✓ Yes As it was kept" in words


def test_a_file_that_was_changed_is_named_even_under_another_name(inspector, issued_bytes):
    middle = len(issued_bytes) // 2
    changed = issued_bytes[:middle] + bytes([issued_bytes[middle] ^ 1]) + issued_bytes[middle + 1 :]

    prove(inspector, changed, name="scan.pdf")

    assert "✗ Not every proof holds" in inspector.words()


def test_a_printed_document_is_proved_by_what_its_code_says(inspector, place, document):
    (record,) = [one for one in workflow.attachments(place, document) if one.name == "measurements.json"]

    inspector.get(f"/documents/verify?text=C-2026-0001:{record.sha256}")

    assert "its digest is that of the record" in inspector.words()
    forged = re.sub(".", "0", record.sha256)
    inspector.get(f"/documents/verify?text=C-2026-0001:{forged}")
    assert "this is not the paper issued" in inspector.words()


@pytest.mark.parametrize(
    ("text", "words"), [("", "it is empty"), ("no number", "holds none"), ("C-1999-0001", "no document C-1999-0001")]
)
def test_what_is_no_document_is_told_at_its_field(inspector, text, words):
    inspector.get("/documents/verify")

    page = inspector.post("/documents/verify", {"text": text})

    assert page.status_code == 422
    assert words in inspector.words()


def test_what_is_no_pdf_is_told_without_a_failure(inspector):
    prove(inspector, b"no document at all", name="letter.pdf")

    assert "It cannot be read as a signed PDF" in inspector.words()


def test_a_lot_is_ordered_watched_and_taken_away(approver, inspector, place, people, lot, inspection):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    folder = f"/lots/{lot.id}/documents"
    inspector.get(f"{folder}/")
    assert "Approve and issue it" not in inspector.words()
    approver.get(f"{folder}/")

    approver.post(f"{folder}/order", {"password": PASSWORD})
    assert "0 of 1 documents, waiting" in approver.words()
    workflow.work(place, processes=1, is_stopped=lambda: False, until_empty=True)

    assert approver.get(f"{folder}/progress").get_json()["words"] == "1 of 1 documents, finished"
    approver.get(f"{folder}/")
    assert "1 issued" in approver.words()
    assert approver.get(f"{folder}/documents.zip").get_data().startswith(b"PK")
    assert approver.get(f"{folder}/documents.pdf").get_data().startswith(b"%PDF-")


def test_a_batch_is_cancelled_on_its_page(approver, place, people, lot, inspection):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    workflow.order_batch(place, people["app"], lot.id, PASSWORD)
    approver.get(f"/lots/{lot.id}/documents/")

    approver.post(f"/lots/{lot.id}/documents/cancel")

    assert "0 of 1 documents, cancelled" in approver.words()
    assert "Go on: approve and issue it" in approver.words()


def test_what_waits_for_an_approver_is_paged_beside_what_was_issued(
    inspector, place, people, lot, inspection, monkeypatch
):
    """Two signed devices, one on a page, in order of arrival; the second page stands in the address."""
    monkeypatch.setattr(issued, "DOCUMENTS_ON_A_PAGE", 1)
    second = workflow.lot_devices(place, lot.id)[1]
    other = workflow.open_inspection(place, people["ina"], lot.id, second.device.id)
    for one, serial in ((inspection, "TM-0001"), (other, second.device.serial)):
        answer_all(place, people["ina"], one)
        workflow.conclude(place, people["ina"], one.id, PASSWORD, serial)

    first = inspector.get("/documents/")
    last = inspector.get("/documents/?waiting=9")

    assert "2 wait, page 1 of 2" in first.text
    assert "Review TM-0001" in first.text
    assert 'href="/documents/?waiting=2"' in first.text
    assert f"Review {second.device.serial}" in last.text
    assert "Review TM-0001" not in last.text
