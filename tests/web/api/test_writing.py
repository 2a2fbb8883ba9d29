"""What programs send: shipments, captures, answers; done once, judged at once, refused in words that help."""

import hashlib
import json

import pytest

from inspect_app import workflow
from tests.web.api.program import ROOT
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD, edge_png

SHIPMENT = {
    "contract_number": "TST-1",
    "reference": "DN-9",
    "devices": [{"serial": f"tm-9{n}", "device_class": "test monocular"} for n in (1, 2)],
}
EDGE = "slanted-edge.1lx"
READ_ELSEWHERE = {"step_id": EDGE, "answers": {"axis": "horizontal", "mtf50_reading": ["0.25", "0.26", "0.25"]}}


@pytest.fixture
def entries(inspection):
    return f"/inspections/{inspection.id}/entries"


def test_a_capture_is_posted_measured_and_judged(program, entries):
    """Truth: the contract wants an MTF50 of 0.1 cy/px at least; the edge is a logistic curve of 0.9 px.

    The spectrum of its density is u / sinh u with u = 2 pi^2 0.9 f, one half at u = 2.177: 0.1226 cy/px.
    """
    content = edge_png()
    kept = program.keep("edge.png", content)
    sha256 = kept.get_json()["sha256"]

    answer = program.post(entries, {"step_id": EDGE, "captures": [{"sha256": sha256}]})

    assert sha256 == hashlib.sha256(content).hexdigest()
    assert answer.status_code == 201, answer.get_json()
    (judgement,) = answer.get_json()["judgements"]
    assert (judgement["finding"], judgement["unit"]) == ("conforming", "cy/px")
    assert judgement["value"] == pytest.approx(0.1226, abs=2 * judgement["standard_uncertainty"] + 0.002)
    assert program.get(answer.headers["Location"]).get_json() == answer.get_json()
    assert program.get(kept.headers["Location"] + "/content").get_data() == content


def test_a_shipment_is_received_with_a_lot_for_each_class(program, place):
    answer = program.post("/shipments", SHIPMENT)

    assert answer.status_code == 201
    told = answer.get_json()
    assert (told["devices"], told["lots"][0]["number"]) == (2, "TST-1-L01")
    devices = program.get(f"/devices?lot={told['lots'][0]['number']}").get_json()["items"]
    assert [one["device"]["serial"] for one in devices] == ["TM-91", "TM-92"]
    opened = program.post("/inspections", {"lot_id": told["lots"][0]["id"], "device_id": devices[0]["device"]["id"]})
    assert [step["id"] for step in opened.get_json()["steps"]] == ["look", "bar-target.horizontal.1lx", EDGE]
    assert program.get(opened.headers["Location"]).get_json() == opened.get_json()


def test_the_same_request_sent_twice_is_done_once_and_answered_alike(program, entries, place, inspection):
    first = program.post(entries, READ_ELSEWHERE, key="bench-2-0001")
    again = program.post(entries, READ_ELSEWHERE, key="bench-2-0001")

    assert first.status_code == again.status_code == 201
    assert again.get_data() == first.get_data()
    assert again.headers["Location"] == first.headers["Location"]
    assert (first.headers.get("Idempotency-Replayed"), again.headers["Idempotency-Replayed"]) == (None, "true")
    assert len(workflow.entry_history(place, inspection.id, EDGE)) == 1


def test_another_request_under_the_same_key_is_refused(program, entries):
    program.post(entries, READ_ELSEWHERE, key="one")

    other = program.post(entries, {**READ_ELSEWHERE, "reason": "again"}, key="one")
    elsewhere = program.keep("log.csv", b"time_s,voltage_v\n0,4.1\n", key="one")

    assert (other.status_code, elsewhere.status_code) == (422, 422)
    assert other.get_json()["where"] == "Idempotency-Key"


def test_a_key_belongs_to_its_token(program, program_of):
    assert program.post("/shipments", SHIPMENT, key="one").status_code == 201

    assert "Idempotency-Replayed" not in program_of("app").post("/shipments", SHIPMENT, key="one").headers


@pytest.mark.parametrize("key", ["", "with space", "ünseen", "x" * 201])
def test_a_post_without_a_usable_key_does_nothing(idle_program, idle_place, key):
    headers = {**idle_program.headers, **({"Idempotency-Key": key} if key else {})}

    answer = idle_program.client.post(f"{ROOT}/shipments", json=SHIPMENT, headers=headers)

    assert (answer.status_code, answer.get_json()["where"]) == (400, "Idempotency-Key")
    assert workflow.lots(idle_place) == ()


def test_a_refused_request_may_be_put_right_under_its_key(program, entries):
    """What cannot be recorded is kept as a draft; the answers put right follow it."""
    refused = program.post(entries, {"step_id": EDGE}, key="one")
    put_right = program.post(entries, READ_ELSEWHERE, key="one")

    assert refused.status_code == 422
    assert refused.get_json()["remedy"].startswith("Answer one of")
    assert (put_right.status_code, put_right.get_json()["entry"]["revision"]) == (201, 2)


def test_a_newer_entry_is_not_written_over_unseen(program, program_of, entries):
    program.post(entries, READ_ELSEWHERE)
    seen = program.get(f"{entries}/{EDGE}").headers["ETag"]
    corrected = {**READ_ELSEWHERE, "reason": "read again"}

    unseen = program_of("app").post(entries, corrected)
    by_tag = program.post(entries, corrected, If_Match=seen)
    stale = program.post(entries, {**corrected, "reason": "once more"}, If_Match=seen)
    by_revision = program.post(entries, {**corrected, "reason": "once more", "expected_revision": 2})

    assert [one.status_code for one in (unseen, by_tag, stale, by_revision)] == [409, 201, 412, 201]
    assert by_revision.get_json()["entry"]["revision"] == 3


def test_a_signed_inspection_takes_no_more_answers(program, entries, place, people, inspection):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")

    refused = program.post(entries, {**READ_ELSEWHERE, "reason": "late"})

    assert (refused.status_code, refused.get_json()["problem"]) == (403, "its inspection is signed")


@pytest.mark.parametrize(
    ("values", "status"),
    [
        (b"{", 400),
        (b"", 400),
        ({}, 422),
        ({**SHIPMENT, "colour": "red"}, 422),
        ({**SHIPMENT, "devices": []}, 422),
        ({**SHIPMENT, "contract_number": "NONE"}, 404),
        ({**SHIPMENT, "devices": [{"serial": "A-1", "device_class": "sextant"}]}, 422),
        (b'{"contract_number": "\\ud800", "reference": "a", "devices": []}', 400),
        (b" " * (4 << 20) + b"{}", 413),
    ],
)
def test_a_body_that_cannot_be_used_is_refused_as_a_problem(idle_program, idle_place, values, status):
    answer = idle_program.post("/shipments", values)

    told = answer.get_json()
    assert (answer.status_code, told["status"], answer.mimetype) == (status, status, "application/problem+json")
    assert told["where"]
    assert told["remedy"]
    assert workflow.lots(idle_place) == ()


def test_what_is_wrong_with_a_body_is_told_for_each_field(idle_program):
    answer = idle_program.post("/shipments", {"contract_number": 1, "reference": "", "devices": [{"serial": "A"}]})

    assert {one["where"] for one in answer.get_json()["errors"]} == {
        "contract_number",
        "reference",
        "devices/0/device_class",
    }


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/lots", {"Accept": "text/html"}, 406),
        ("/documents/X/content", {"Accept": "application/json"}, 406),
        ("/nothing", {}, 404),
        ("/lots/0", {}, 404),
        ("/lots/99999999999", {}, 404),
        ("/captures/abc", {}, 404),
    ],
)
def test_what_cannot_be_answered_is_refused_as_a_problem(idle_program, path, headers, status):
    answer = idle_program.get(path, **headers)

    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    assert set(answer.get_json()) >= {"type", "title", "status", "detail", "where", "problem", "remedy"}


def test_the_wrong_method_names_the_right_ones(idle_program):
    answer = idle_program.client.delete(f"{ROOT}/shipments", headers=idle_program.headers)

    assert answer.status_code == 405
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD", "POST"}


def test_the_wrong_media_type_is_refused(idle_program):
    as_form = idle_program.post("/shipments", SHIPMENT, kind="application/x-www-form-urlencoded")
    as_json = idle_program.post("/captures?name=a.csv", b"{}", kind="application/json")

    assert (as_form.status_code, as_json.status_code) == (415, 415)


def test_an_empty_capture_and_one_that_was_not_kept_are_refused(program, entries):
    empty = program.keep("edge.png", b"")
    unknown = program.post(entries, {"step_id": EDGE, "captures": [{"sha256": "0" * 64}]})

    assert empty.status_code == 422
    assert unknown.status_code == 404


def test_a_fault_of_the_program_is_told_without_its_insides(app, program, monkeypatch):
    def fail(*_args, **_kwargs):
        raise RuntimeError("the insides")

    monkeypatch.setattr(workflow, "lot", fail)
    answer = program.get("/lots/1")

    assert answer.status_code == 500
    assert "insides" not in json.dumps(answer.get_json())
