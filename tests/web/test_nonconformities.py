"""Nonconformities and suppliers on their pages: decided about, sent back, inspected again, counted, ruled on."""

import csv
import io

import openpyxl
import pytest

from inspect_app import workflow
from inspect_app.model import Disposition
from tests.web.test_sampling import inspect, receive

NUMBER = "NC-2026-0001"
PAGE = f"/nonconformities/{NUMBER}"
SUPPLIER = "Test Supplier (invented)"


@pytest.fixture
def rejected(place, people):
    """Reject the first device of a sampled lot for its resolution."""
    lot_id = receive(place, people, "SA")
    workflow.draw_sample(place, people["ina"], lot_id)
    inspect(place, people, lot_id, reading="-2,1")
    return lot_id


@pytest.fixture
def approver(as_role):
    return as_role("app")


def dispose(visitor, disposition, **more):
    visitor.get(PAGE)
    fields = {"dispose-disposition": disposition, "dispose-reason": "by letter", **more}
    return visitor.post(f"{PAGE}/disposition", fields)


def test_a_nonconformity_leads_to_its_inspection_and_is_counted(inspector, rejected):
    inspector.get("/nonconformities/")
    words = inspector.words()
    assert f"{NUMBER} SA-" in words
    assert "4.1 Resolution by eye at 1 lux major" in words
    assert "Angular resolution (bar target) 1 100.0 % 100.0 %" in words

    inspector.get(PAGE)

    assert inspector.heading() == f"Nonconformity {NUMBER}"
    assert "State waits for a disposition" in inspector.words()
    assert "Dispose of it" not in inspector.words()


def test_the_review_of_a_rejected_device_leads_to_its_nonconformities(inspector, place, rejected):
    inspector.get(f"/inspections/{workflow.nonconformity(place, NUMBER).nonconformity.inspection_id}")

    assert f'href="{PAGE}"' in inspector.text()


def test_an_approver_disposes_with_a_reason_and_the_page_keeps_it(approver, rejected):
    unanswered = dispose(approver, "", **{"dispose-reason": "why not"})
    assert unanswered.status_code == 422
    assert "What happens with the device?: nothing is chosen. Choose one." in approver.words()
    assert "why not" in approver.text()

    dispose(approver, "return")

    assert "The disposition is recorded." in approver.words()
    assert "Apelle Moor disposed: return by letter" in approver.words()


@pytest.mark.parametrize(
    ("day", "words"), [("", "Say until when"), ("soon", "Write the day"), ("2020-01-01", "is past")]
)
def test_a_concession_without_a_day_to_come_is_refused(approver, rejected, day, words):
    page = dispose(approver, "concession", **{"dispose-valid_until": day})

    assert page.status_code == 422
    assert words in approver.words()
    assert 'id="dispose-valid_until-error"' in approver.text()


def test_a_concession_is_closed_with_its_day(approver, rejected):
    dispose(approver, "concession", **{"dispose-valid_until": "2027-03-31"})
    approver.post(f"{PAGE}/closing", {"close-reason": "crew told"})

    words = approver.words()
    assert f"{NUMBER} is closed." in words
    assert "disposed: concession until 2027-03-31" in words
    assert "Close the nonconformity" not in words


def test_a_closed_one_stays_in_the_list_and_in_the_counts(approver, rejected):
    dispose(approver, "scrap")
    approver.post(f"{PAGE}/closing", {"close-reason": "in the bin"})

    approver.get("/nonconformities/?page=7")

    assert "1 in all" in approver.words()
    assert f"{NUMBER} SA-" in approver.words()
    assert "Angular resolution (bar target) 1 100.0 %" in approver.words()


def test_another_class_stands_beside_that_of_the_contract(approver, rejected):
    approver.get(PAGE)
    approver.post(f"{PAGE}/class", {"classify-severity": "critical", "classify-reason": "blinds the crew"})

    assert "Class critical, by contract major" in approver.words()


def test_what_is_not_carried_out_is_not_closed(approver, rejected):
    dispose(approver, "repair")
    page = approver.post(f"{PAGE}/closing", {"close-reason": "done"})

    assert page.status_code == 422
    assert "was not accepted since. Inspect it again first." in approver.words()


def test_after_repair_the_bench_asks_only_what_failed(inspector, place, people, rejected):
    workflow.dispose(place, people["app"], NUMBER, Disposition.REPAIR, "new lens")
    inspector.get(PAGE)
    page = inspector.post(f"{PAGE}/again")

    again = workflow.open_inspections(place)[0]
    assert page.request.path == f"/bench/{again.inspection_id}/bar-target.horizontal.1lx"
    inspection = workflow.inspection(place, again.inspection_id)
    assert set(inspection.entries) == {"look", "slanted-edge.1lx"}


def test_the_checks_that_a_repair_could_upset_are_offered_and_kept(approver, place, rejected):
    approver.get(PAGE)
    assert 'value="slanted-edge"' in approver.text()

    dispose(approver, "repair", **{"dispose-repeats": "slanted-edge"})

    assert workflow.nonconformity(place, NUMBER).nonconformity.disposed.repeats == ("slanted-edge",)
    assert "repeat slanted-edge" in approver.words()


def test_what_goes_back_is_listed_sent_and_gone_from_the_list(inspector, place, people, rejected):
    workflow.dispose(place, people["app"], NUMBER, Disposition.RETURN, "by letter")
    (waiting,) = workflow.devices_to_return(place)
    sent = {"supplier": SUPPLIER, "prefix": "r0", "device": str(waiting.device.id)}
    inspector.get("/nonconformities/returns")
    assert f"{waiting.device.serial}: {NUMBER} Resolution by eye at 1 lux (return)" in inspector.words()

    nameless = inspector.post("/nonconformities/returns", {**sent, "r0-reference": ""})
    assert nameless.status_code == 422
    for chosen in ("", "x", "9" * 30):
        assert (
            inspector.post("/nonconformities/returns", {**sent, "r0-reference": "RT", "device": chosen}).status_code
            == 422
        )
    inspector.post("/nonconformities/returns", {**sent, "r0-reference": "RT-7", "r0-remark": "one crate"})

    words = inspector.words()
    assert "The return shipment is recorded. What goes back to suppliers No device waits to be sent back." in words
    assert f"RT-7 {SUPPLIER} 2026-06-01 12:00 UTC Ina Vestergard {waiting.device.serial} one crate" in words


def test_a_supplier_shows_rates_with_exact_intervals_and_its_switching(inspector, rejected):
    """Truth: 1 of 1: the exact interval begins at 0.025 = 2.5 %."""
    inspector.get("/suppliers/")

    words = inspector.words()
    assert f"{SUPPLIER}: test monocular" in words
    assert "Devices rejected 1 of 1: 100.0 % (2.5 to 100.0 %)" in words
    assert "Lots rejected none decided" in words
    assert "Inspection for major nonconformities: normal" in words


def test_an_approver_rules_on_switching(approver, rejected):
    approver.get("/suppliers/")
    fields = {"which": "0 major", "kind": "reduced inspection allowed", "reason": "steady"}
    assert approver.post("/suppliers/ruling", {**fields, "which": "7 minor"}).status_code == 422
    assert approver.post("/suppliers/ruling", {**fields, "kind": "whatever"}).status_code == 422

    approver.post("/suppliers/ruling", fields)

    assert "Apelle Moor: reduced inspection allowed. steady; then normal" in approver.words()


def test_the_record_of_suppliers_can_be_had_as_files(inspector, rejected):
    as_csv = inspector.get("/export/suppliers.csv")
    workbook = inspector.get("/export/suppliers.xlsx")

    assert as_csv.headers["Content-Disposition"] == "attachment; filename=suppliers.csv"
    assert next(csv.DictReader(io.StringIO(as_csv.get_data().decode("utf-8-sig"))))["devices_rejected"] == "1"
    assert openpyxl.load_workbook(io.BytesIO(workbook.get_data())).active.cell(2, 1).value == SUPPLIER
