"""Opening, signing, taking up again, issuing: each once, by who may, with numbers without gaps."""

import hashlib
import threading
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from pypdf import PdfReader

from inspect_app import definitions, workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import DocumentKind, Outcome
from tests.truth.workplaces import (
    CONTRACT,
    DOUBTFUL_READINGS,
    FORM,
    GOOD_READINGS,
    PASSWORD,
    POOR_READINGS,
    Bench,
    answer_all,
    bar_answers,
    open_first,
    receive,
    sign,
)


def signed(bench: Bench, readings: tuple[str, ...], serial: str = "BM-001") -> int:
    inspection_id = open_first(bench, serial)
    answer_all(bench, inspection_id, readings)
    sign(bench, inspection_id)
    return inspection_id


def test_two_who_open_one_device_at_once_share_one_inspection(either_bench: Bench) -> None:
    lot_id = receive(either_bench, "BM-001")
    device_id = workflow.lot_devices(either_bench.place, lot_id)[0].device.id
    opened: set[int] = set()

    def opener(person: str) -> None:
        who = getattr(either_bench, person)
        opened.add(workflow.open_inspection(either_bench.place, who, lot_id, device_id).id)

    threads = [threading.Thread(target=opener, args=(person,)) for person in ("inspector", "second", "approver")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(opened) == 1


def test_an_inspection_pins_form_and_contract_as_they_stood(bench: Bench) -> None:
    inspection_id = open_first(bench)
    workflow.adopt_contract(bench.place, None, CONTRACT.replace('revision = "1"', 'revision = "2"'), "two.toml")
    newer = definitions.read_form_text(FORM.replace('revision = "A"', 'revision = "B"'), "b.toml")
    later = replace(bench.place, forms={newer.device_class: newer})

    found = workflow.inspection(later, inspection_id)

    assert workflow.contract_of(later, found).revision == found.contract_revision == "1"
    assert workflow.form_of(later, found).revision == found.form_revision == "A"
    assert workflow.contract(later, "TST-001").revision == "2"


def test_a_form_changed_under_its_old_revision_is_refused(bench: Bench) -> None:
    open_first(bench)
    edited = definitions.read_form_text(FORM.replace("Read the target.", "Read it well."), "a.toml")
    place = replace(bench.place, forms={edited.device_class: edited})
    lot_id = receive(bench, "BM-002", reference="DN-2")
    device_id = workflow.lot_devices(place, lot_id)[0].device.id

    with pytest.raises(NotAllowed, match="give it the next revision"):
        workflow.open_inspection(place, bench.inspector, lot_id, device_id)


def test_a_contract_changed_under_its_old_revision_is_refused(bench: Bench) -> None:
    with pytest.raises(UnusableInput, match="next revision"):
        workflow.adopt_contract(bench.place, None, CONTRACT.replace("at_least = 20", "at_least = 2"), "soft.toml")


def test_a_device_of_another_lot_cannot_be_opened(bench: Bench) -> None:
    lot_id = receive(bench, "BM-001")

    with pytest.raises(NotFound):
        workflow.open_inspection(bench.place, bench.inspector, lot_id, 4711)


def test_signing_freezes_the_judgements(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, DOUBTFUL_READINGS)
    before = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id))

    sign(bench, inspection_id)

    found = workflow.inspection(bench.place, inspection_id)
    assert found.signature is not None
    assert found.signature.outcome is Outcome.HELD
    assert workflow.judge_inspection(bench.place, found) == before


def test_an_inspection_with_open_steps_cannot_be_signed(bench: Bench) -> None:
    inspection_id = open_first(bench)
    workflow.record_step(bench.place, bench.inspector, inspection_id, "bar-target.vertical", bar_answers(bench), 0)

    with pytest.raises(NotAllowed, match="2 steps are not answered: Bar target, horizontal; Noise"):
        sign(bench, inspection_id)

    found = workflow.inspection(bench.place, inspection_id)
    assert [step.id for step in workflow.unanswered_steps(bench.place, found)] == ["bar-target.horizontal", "noise"]


@pytest.mark.parametrize(
    ("password", "serial"), [("wrong words entirely", "BM-001"), (PASSWORD, "BM-002"), (PASSWORD, "")]
)
def test_signing_wants_the_password_and_the_serial_again(bench: Bench, password: str, serial: str) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)

    with pytest.raises((NotAllowed, UnusableInput)):
        workflow.conclude(bench.place, bench.inspector, inspection_id, password, serial)

    assert workflow.inspection(bench.place, inspection_id).signature is None


def test_signing_twice_signs_once_and_nobody_signs_over_another(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    first = workflow.conclude(bench.place, bench.inspector, inspection_id, PASSWORD, "bm-001", "fine")

    assert workflow.conclude(bench.place, bench.inspector, inspection_id, PASSWORD, "BM-001", "fine") == first
    with pytest.raises(NotAllowed, match="Ines signed"):
        workflow.conclude(bench.place, bench.second, inspection_id, PASSWORD, "BM-001")


def test_an_auditor_signs_nothing(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)

    with pytest.raises(NotAllowed):
        workflow.conclude(bench.place, bench.auditor, inspection_id, PASSWORD, "BM-001")


def test_a_held_device_gets_no_document_and_is_taken_up_again_with_its_answers(bench: Bench) -> None:
    inspection_id = signed(bench, DOUBTFUL_READINGS)

    with pytest.raises(NotAllowed, match="held"):
        workflow.issue_document(bench.place, bench.approver, inspection_id)
    again = workflow.reopen(bench.place, bench.inspector, inspection_id, "read with a better target")

    assert again.signature is None
    assert len(again.entries) == 3
    sign(bench, inspection_id)
    assert workflow.inspection(bench.place, inspection_id).signature is not None


def test_opening_a_held_device_takes_its_inspection_up_again(bench: Bench) -> None:
    inspection_id = signed(bench, DOUBTFUL_READINGS)
    found = workflow.inspection(bench.place, inspection_id)

    again = workflow.open_inspection(bench.place, bench.second, found.lot.id, found.device.id)

    assert (again.id, again.signature) == (inspection_id, None)


@pytest.mark.parametrize("readings", [GOOD_READINGS, POOR_READINGS])
def test_what_was_accepted_or_rejected_stays_so(bench: Bench, readings: tuple[str, ...]) -> None:
    inspection_id = signed(bench, readings)
    found = workflow.inspection(bench.place, inspection_id)

    with pytest.raises(NotAllowed, match="receive it again"):
        workflow.open_inspection(bench.place, bench.inspector, found.lot.id, found.device.id)
    with pytest.raises(NotAllowed, match="Only a held one"):
        workflow.reopen(bench.place, bench.inspector, inspection_id, "second thoughts")


def test_a_document_is_issued_once_and_kept_by_its_digest(bench: Bench) -> None:
    """The truth is hashlib's digest of the file and pypdf's reading of its text."""
    inspection_id = signed(bench, GOOD_READINGS)

    first = workflow.issue_document(bench.place, bench.approver, inspection_id)

    assert workflow.issue_document(bench.place, bench.approver, inspection_id) == first
    assert (first.number, first.kind) == ("C-2026-0001", DocumentKind.CERTIFICATE)
    path = workflow.document_path(bench.place, first)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == first.sha256
    text = "".join(page.extract_text() for page in PdfReader(path).pages)
    assert "BM-001" in text
    assert first.number in text
    assert workflow.document(bench.place, "c-2026-0001") == first


def test_certificates_and_notices_are_numbered_apart_and_anew_each_year(bench: Bench) -> None:
    rejected, accepted = signed(bench, POOR_READINGS), None
    numbers = [workflow.issue_document(bench.place, bench.approver, rejected).number]
    for year, reference in ((2026, "DN-2"), (2027, "DN-3")):
        bench.clock.now = datetime(year, 3, 2, 9, 0, tzinfo=UTC)
        lot_id = receive(bench, f"BM-{year}", reference=reference)
        device_id = workflow.lot_devices(bench.place, lot_id)[0].device.id
        accepted = workflow.open_inspection(bench.place, bench.inspector, lot_id, device_id).id
        bench.clock.now = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
        answer_all(bench, accepted)
        sign(bench, accepted)
        bench.clock.now = datetime(year, 3, 2, 9, 0, tzinfo=UTC)
        numbers.append(workflow.issue_document(bench.place, bench.approver, accepted).number)

    assert numbers == ["R-2026-0001", "C-2026-0001", "C-2027-0001"]


def test_documents_issued_at_once_are_numbered_without_gaps(either_bench: Bench) -> None:
    bench = either_bench
    lot_id = receive(bench, "BM-001", "BM-002", "BM-003")
    keys = []
    for one in workflow.lot_devices(bench.place, lot_id):
        key = workflow.open_inspection(bench.place, bench.inspector, lot_id, one.device.id).id
        answer_all(bench, key)
        sign(bench, key)
        keys.append(key)

    threads = [
        threading.Thread(target=workflow.issue_document, args=(bench.place, bench.approver, key))
        for key in (*keys, *keys)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    issued = workflow.issued_documents(bench.place)
    assert sorted(one.document.number for one in issued) == [f"C-2026-000{number}" for number in (1, 2, 3)]
    assert {one.device.serial for one in issued} == {"BM-001", "BM-002", "BM-003"}
    assert workflow.verify(bench.place).problems == ()


def test_nothing_is_issued_before_the_signature_or_by_who_may_not(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)

    with pytest.raises(NotAllowed, match="not signed"):
        workflow.issue_document(bench.place, bench.approver, inspection_id)
    sign(bench, inspection_id)
    with pytest.raises(NotAllowed, match="may not do this"):
        workflow.issue_document(bench.place, bench.auditor, inspection_id)
    assert workflow.issued_documents(bench.place) == ()


def test_a_copy_that_was_changed_is_written_again_from_the_kept_bytes(bench: Bench) -> None:
    document = workflow.issue_document(bench.place, bench.approver, signed(bench, GOOD_READINGS))
    path = workflow.document_path(bench.place, document)
    path.write_bytes(b"forged")

    assert hashlib.sha256(workflow.document_path(bench.place, document).read_bytes()).hexdigest() == document.sha256


def test_the_lot_counts_what_became_of_its_devices(bench: Bench) -> None:
    lot_id = receive(bench, *(f"BM-{number}" for number in range(1, 6)))
    readings = (GOOD_READINGS, POOR_READINGS, DOUBTFUL_READINGS, None)
    for one, read in zip(workflow.lot_devices(bench.place, lot_id), readings, strict=False):
        key = workflow.open_inspection(bench.place, bench.inspector, lot_id, one.device.id).id
        if read is not None:
            answer_all(bench, key, read)
            sign(bench, key)

    summary = workflow.lot(bench.place, lot_id)

    counts = (summary.accepted, summary.rejected, summary.held, summary.open, summary.untouched)
    assert counts == (1, 1, 1, 1, 1)
    assert workflow.lots(bench.place) == (summary,)
    following = workflow.next_device(bench.place, lot_id)
    assert following is not None
    assert following.device.serial == "BM-5"
    (resumable,) = workflow.open_inspections(bench.place)
    assert resumable.device.serial == "BM-4"
    assert workflow.open_inspections(bench.place, "bm-4") == (resumable,)
