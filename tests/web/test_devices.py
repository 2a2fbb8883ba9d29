"""Devices are found by serial; a page tells all that happened to one; its evidence is sent so that it cannot run."""

import io
import re

import numpy as np
import pytest
from PIL import Image

from inspect_app import workflow
from inspect_app.model import EntryState
from inspect_app.workflow import AcceptedArrival, StepAnswers
from tests.truth.labels import label
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD

EDGE = "slanted-edge.1lx"


def png():
    buffer = io.BytesIO()
    Image.fromarray(np.full((600, 900), 200, np.uint8)).save(buffer, format="PNG")
    return buffer.getvalue()


@pytest.fixture
def keep(place, people, inspection):
    """Keep a file with a draft of the edge step; return its address."""

    def kept(name, content):
        evidence = workflow.keep_file(place, people["ina"], name, io.BytesIO(content))
        draft = StepAnswers(state=EntryState.DRAFT, evidence=(evidence,))
        revision = getattr(workflow.inspection(place, inspection.id).entries.get(EDGE), "revision", 0)
        workflow.record_step(place, people["ina"], inspection.id, EDGE, draft, revision)
        return f"/evidence/{inspection.id}/{evidence.sha256}"

    return kept


def test_a_whole_serial_opens_its_device_whatever_the_scanner_adds(inspector, lot):
    page = inspector.get("/find", query_string={"serial": " tm-0002\r"})

    assert page.request.path.startswith("/devices/")
    assert inspector.heading() == "TM-0002"


def test_a_part_of_a_serial_lists_what_holds_it(inspector, lot):
    page = inspector.get("/find?serial=000")

    assert page.request.path == "/devices"
    assert "3 found" in inspector.words()


def test_a_serial_that_nobody_received_is_told_so(inspector):
    inspector.get("/find?serial=ZZ-1")

    assert "No device has a serial with “ZZ-1” in it." in inspector.words()


def test_an_empty_search_shows_the_list(inspector, lot):
    assert inspector.get("/find?serial=").request.path == "/devices"


@pytest.mark.parametrize("text", ["%", "_", "'; DROP TABLE device; --", "<script>", "\x00", "É" * 300])
def test_no_search_text_breaks_the_page(inspector, lot, text):
    assert inspector.get("/find", query_string={"serial": text}).status_code == 200
    assert "<script>" not in inspector.text()


def test_scanning_on_the_start_page_resumes_the_open_inspection(inspector, inspection):
    page = inspector.get("/find?resume=1&serial=TM-0001")

    assert page.request.path == f"/bench/{inspection.id}/look"


def test_scanning_a_device_without_an_inspection_opens_its_history(inspector, lot):
    inspector.get("/find?resume=1&serial=TM-0003")

    assert inspector.heading() == "TM-0003"


def test_the_history_tells_shipments_inspections_results_documents_and_acts(
    inspector, inspection, place, people, clock
):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    workflow.issue_document(place, people["app"], inspection.id)

    inspector.get(f"/devices/{inspection.device.id}")

    words = inspector.words()
    assert "✓ Accepted , signed 2026-06-01 12:00 UTC by Ina Vestergard" in words
    assert "DN-100" in words
    assert "certificate C-2026-0001" in words
    assert re.search(r"Slanted edge, 1 lux MTF50, horizontal limit ≥ 0\.1 cy/px 0\.25", words)
    assert "Angular resolution" in words
    assert "inspection signed" in words


def test_a_device_that_came_twice_shows_every_result_over_time(inspector, inspection, place, people, clock):
    """Two inspections of one device: two columns, and a drawing with both values in words."""
    person = people["ina"]
    answer_all(place, person, inspection, reading="-1,1")
    workflow.conclude(place, person, inspection.id, PASSWORD, "TM-0001")
    clock.move(days=20)
    again = [AcceptedArrival(serial="TM-0001", device_class="test monocular", note="back from repair")]
    shipment = workflow.receive_shipment(place, person, "TST-1", "DN-101", again)
    lot = workflow.lots_of_shipment(place, shipment.id)[0]
    second = workflow.open_inspection(place, person, lot.id, inspection.device.id)
    answer_all(place, person, second)
    inspector.sign_in("ina", PASSWORD)

    inspector.get(f"/devices/{inspection.device.id}")

    words = inspector.words()
    assert "Over time 2026-06-01 2026-06-21" in words
    assert "back from repair" in words
    assert 'aria-label="Angular resolution' in inspector.text()


def test_a_picture_is_shown_in_place_and_cannot_run(inspector, keep):
    page = inspector.get(keep("edge.png", png()))

    assert page.mimetype == "image/png"
    assert page.headers["Content-Disposition"].startswith("inline")
    assert page.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in page.headers["Content-Security-Policy"]
    assert page.get_data() == png()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("page.html", b"<!doctype html><script>alert(1)</script>"),
        ("drawing.svg", b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"),
        ("log.csv", b"time_s,voltage_v\n0,4.1\n"),
        ("photo.png", b"<!doctype html><script>alert(1)</script>"),
    ],
)
def test_whatever_else_was_kept_is_only_ever_downloaded(inspector, keep, name, content):
    page = inspector.get(keep(name, content))

    assert page.headers["Content-Disposition"].startswith("attachment")
    assert page.mimetype not in ("text/html", "image/svg+xml")
    assert "sandbox" in page.headers["Content-Security-Policy"]


def test_a_name_with_line_breaks_does_not_reach_the_header(inspector, keep):
    page = inspector.get(keep('a"\r\nSet-Cookie: x=1.csv', b"time_s,voltage_v\n0,4.1\n"))

    assert not page.headers.get("Set-Cookie", "").startswith("x=1")
    assert "\n" not in page.headers["Content-Disposition"]


def test_a_preview_is_small_and_asked_for_once(inspector, keep):
    """Truth: 900 × 600 pixels; the second request carries the tag and gets no bytes."""
    address = keep("edge.png", png()) + "/preview.png"

    first = inspector.get(address)
    second = inspector.client.get(address, headers={"If-None-Match": first.headers["ETag"]})

    picture = Image.open(io.BytesIO(first.get_data()))
    assert max(picture.size) <= 480
    assert second.status_code == 304
    assert second.get_data() == b""


def test_what_is_no_picture_has_no_preview(inspector, keep):
    assert inspector.get(keep("log.csv", b"time_s,voltage_v\n0,4.1\n") + "/preview.png").status_code == 404


def test_a_file_of_an_earlier_revision_can_still_be_had(inspector, keep):
    address = keep("first.png", png())
    keep("second.csv", b"time_s,voltage_v\n0,4.1\n")

    assert inspector.get(address).status_code == 200


@pytest.mark.parametrize("digest", ["0" * 64, "..", "%2e%2e%2fsecret_key"])
def test_no_other_file_can_be_had(inspector, inspection, digest):
    assert inspector.get(f"/evidence/{inspection.id}/{digest}").status_code == 404


def test_a_file_of_another_inspection_is_not_found_under_this_one(inspector, keep, place, people, lot):
    digest = keep("edge.png", png()).rpartition("/")[2]
    device = workflow.lot_devices(place, lot.id)[1].device
    other = workflow.open_inspection(place, people["ina"], lot.id, device.id)

    assert inspector.get(f"/evidence/{other.id}/{digest}").status_code == 404


def test_a_photograph_of_the_label_opens_the_device(inspector, lot):
    """The code is drawn from the published table of Code 39."""
    photo = io.BytesIO()
    label("TM-0002").save(photo, "PNG")
    inspector.get("/devices")

    inspector.post("/find/label", {"label": (io.BytesIO(photo.getvalue()), "label.png")})

    assert inspector.heading() == "TM-0002"


def test_a_photograph_that_cannot_be_read_says_what_to_do(inspector):
    inspector.get("/devices")
    inspector.post("/find/label", {"label": (io.BytesIO(b"no picture"), "label.png")})
    assert "Not read: label.png" in inspector.words()

    inspector.post("/find/label", {})
    assert "Choose a photograph of the label first." in inspector.words()


def test_the_timeline_and_what_changed_stand_on_the_pages_of_a_device_that_came_twice(
    inspector, inspection, place, people, clock
):
    person = people["ina"]
    answer_all(place, person, inspection, reading="-1,1")
    workflow.conclude(place, person, inspection.id, PASSWORD, "TM-0001")
    clock.move(days=20)
    again = [AcceptedArrival(serial="TM-0001", device_class="test monocular")]
    shipment = workflow.receive_shipment(place, person, "TST-1", "DN-101", again)
    second = workflow.open_inspection(
        place, person, workflow.lots_of_shipment(place, shipment.id)[0].id, inspection.device.id
    )
    answer_all(place, person, second)
    inspector.sign_in("ina", PASSWORD)

    inspector.get(f"/devices/{inspection.device.id}")
    assert "Received from Test Supplier (invented) under DN-101" in inspector.words()
    assert "Signed: " in inspector.words()
    assert "It was another serial before" not in inspector.words()

    inspector.get(f"/devices/{inspection.device.id}/changes")
    assert "quantities changed by more than 2 √(u₁² + u₂²)" in inspector.words()
    assert inspector.get(f"/devices/{inspection.device.id}/changes?before=1&after=99").status_code == 422


def test_an_approver_links_a_device_with_the_one_that_it_was(as_role, lot, place):
    approver = as_role("app")
    approver.get("/devices/2")

    approver.post("/devices/2/link", {"serial": "TM-0001", "maker": "", "kind": "re-marked", "reason": "new label"})

    assert "Was before TM-0001 of Test Supplier (invented) (re-marked): new label" in approver.words()
    approver.get("/devices/1")
    assert "Is since TM-0002" in approver.words()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"serial": "ZZ-9", "kind": "re-marked", "reason": "x"}, "devices on record: none"),
        ({"serial": "TM-0002", "kind": "re-marked", "reason": "x"}, "it is this device itself"),
        ({"serial": "TM-0001", "kind": "re-marked", "reason": ""}, "Say how it is known"),
        ({"serial": "TM-0001", "kind": "nonsense", "reason": "x"}, "What happened?"),
    ],
)
def test_a_link_that_cannot_stand_is_refused_with_what_was_typed(as_role, lot, given, words):
    approver = as_role("app")
    approver.get("/devices/2")

    page = approver.post("/devices/2/link", given)

    assert page.status_code == 422
    assert words in approver.words()


def test_nobody_but_an_approver_links_devices(inspector, as_role, lot):
    for visitor in (inspector, as_role("aud")):
        visitor.get("/devices/2")
        answer = visitor.post("/devices/2/link", {"serial": "TM-0001", "kind": "re-marked", "reason": "x"})
        assert answer.status_code == 403
