"""A phone that was paired adds captures to one inspection for half an hour, and can do nothing else."""

import io
import re
from dataclasses import replace

import pytest
import segno

from inspect_app import workflow
from inspect_app.web import create_app
from tests.web.test_bench import EDGE
from tests.web.test_captures import chosen_places
from tests.web.test_inspections import answer_all
from tests.web.test_uploads import EDGE_PNG, Parts, digest_of
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD

LAN = "http://bench.example"


@pytest.fixture
def place(place):
    return replace(place, settings=replace(place.settings, address=LAN))


@pytest.fixture
def paired(inspector, inspection, place, app):
    """Pair a phone at the step with the slanted edge, and stand before its page."""
    inspector.get(f"/bench/{inspection.id}/captures?step={EDGE}")
    inspector.post(f"/bench/{inspection.id}/phones", {"step": EDGE})
    phone = Visitor(app.test_client())
    phone.get(shown_address(inspector))
    return phone


def shown_address(visitor):
    return re.search(r"/phone/enter/[\w-]+", visitor.text())[0]


def test_the_code_says_the_address_of_the_phone_s_page(paired, inspector, inspection):
    """Truth: the QR code that another call of the library makes of the same address."""
    inspector.get(f"/bench/{inspection.id}/captures")

    modules = re.search(r'<path stroke="#000"[^>]* d="([^"]+)"', inspector.text())[1]

    assert modules in segno.make_qr(LAN + shown_address(inspector), error="m").svg_inline(border=4)


def test_the_token_leaves_the_address_and_the_page_shows_the_device(paired):
    assert paired.page.request.path == "/phone/"
    assert paired.heading() == "Captures of TM-0001"
    assert "It was let in by Ina Vestergard." in paired.words()


def test_a_capture_of_the_phone_waits_at_the_bench_for_the_step_where_it_was_paired(
    paired, inspector, inspection, place
):
    paired.post("/phone/", {"files": [(io.BytesIO(EDGE_PNG), "IMG_0042.png")]})
    assert "IMG_0042.png" in paired.words()

    inspector.get(f"/bench/{inspection.id}/captures")

    assert list(chosen_places(inspector).values()) == [f"{EDGE}|scene"]
    assert "phone 1 of Ina Vestergard" in inspector.words()
    assert inspector.client.get(f"/bench/{inspection.id}/captures/waiting").get_json() == {"count": 1}


def test_a_phone_sends_in_parts(paired, inspection, place):
    parts = Parts(paired, "/phone/parts")
    where = parts.begin("film.mp4").headers["Location"]

    sent = parts.add(where, 0, EDGE_PNG, **{"Repr-Digest": digest_of(EDGE_PNG)})

    assert sent.status_code == 204
    assert workflow.waiting_captures(place, inspection.id)[0].pairing.id == 1


def test_the_audit_chain_says_by_which_pairing_a_capture_came(paired, place):
    paired.post("/phone/", {"files": [(io.BytesIO(EDGE_PNG), "IMG_0042.png")]})

    told = {event.action: event for event in workflow.events(place)}

    assert told["phone paired"].detail["pairing"] == "1"
    assert told["capture sent"].detail["pairing"] == "1"
    assert (told["capture sent"].actor, told["capture sent"].detail["file"]) == ("ina", "IMG_0042.png")
    assert workflow.verify(place).problems == ()


def test_a_wrong_file_is_said_on_the_phone_and_the_others_go_on(paired, inspection, place):
    files = [(io.BytesIO(b"%PDF-1.7"), "manual.pdf"), (io.BytesIO(EDGE_PNG), "edge.png")]

    paired.post("/phone/", {"files": files})

    assert "Not taken: manual.pdf: it is a PDF document" in paired.words()
    assert len(workflow.waiting_captures(place, inspection.id)) == 1


@pytest.mark.parametrize(
    "path",
    ["/", "/lots/", "/bench/1", "/bench/1/captures", "/bench/1/captures/waiting", "/inspections/1", "/devices/1"],
)
def test_a_phone_opens_no_other_page(paired, path):
    paired.get(path)

    assert paired.heading() == "Sign in"


def test_a_phone_changes_nothing_else(paired, inspection, place):
    paired.get("/phone/")
    for path in (f"/bench/{inspection.id}/look", f"/bench/{inspection.id}/phones", f"/bench/{inspection.id}/captures"):
        paired.post(path, {"act": "record", "answer_item_0": "yes"})
        assert paired.page.status_code == 401
        paired.get("/phone/")

    assert workflow.inspection(place, inspection.id).entries == {}


def test_after_half_an_hour_the_phone_is_refused_and_the_bench_shows_it_no_more(
    paired, inspector, inspection, clock, place
):
    clock.move(minutes=29)
    inspector.get(f"/bench/{inspection.id}/captures")
    assert "Phone 1 may send until" in inspector.words()
    parts = Parts(paired, "/phone/parts")
    begun = parts.begin()

    clock.move(minutes=1)

    assert parts.add(begun.headers["Location"], 0, EDGE_PNG).status_code == 403
    assert paired.get("/phone/").status_code == 403
    inspector.get(f"/bench/{inspection.id}/captures")
    assert "may send until" not in inspector.words()


def test_a_pairing_is_ended_from_the_bench_at_once(paired, inspector, inspection, place):
    inspector.post(f"/bench/{inspection.id}/phones/1/end")

    refused = paired.get("/phone/")

    assert refused.status_code == 403
    assert "its time is over. Let the inspector show a new code" in paired.words()
    assert "phone no longer paired" in [event.action for event in workflow.events(place)]


def test_a_pairing_ends_with_the_account_that_made_it(paired, place, people):
    workflow.set_active(place, None, people["ina"].id, is_active=False)

    page = paired.post("/phone/", {"files": [(io.BytesIO(EDGE_PNG), "edge.png")]})

    assert page.status_code == 403


def test_a_pairing_ends_with_the_signature(paired, inspection, place, people):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")

    page = paired.post("/phone/", {"files": [(io.BytesIO(EDGE_PNG), "edge.png")]})

    assert page.status_code == 403


def test_the_record_knows_the_digest_of_a_token_and_not_the_token(paired, inspector, inspection, place):
    inspector.get(f"/bench/{inspection.id}/captures")
    token = shown_address(inspector).rpartition("/")[2]

    assert token.encode() not in place.settings.record_path.read_bytes()
    assert len(token) == 32


@pytest.mark.parametrize("token", ["a" * 32, "x", "%00"])
def test_a_guessed_token_opens_nothing(visitor, token):
    assert visitor.get(f"/phone/enter/{token}").status_code == 403
    assert visitor.get("/phone/").status_code == 403


def test_guessing_tokens_is_slowed_down(place):
    """Twenty attempts a minute; the next one is refused before it is looked at."""
    visitor = Visitor(create_app({"WORKPLACE": place}).test_client())
    for _ in range(20):
        visitor.get("/phone/enter/guess")

    assert visitor.get("/phone/enter/guess").status_code == 429


def test_another_browser_is_not_shown_the_code(paired, as_role, inspection):
    other = as_role("app")
    other.get(f"/bench/{inspection.id}/captures")

    assert "Its code is shown only where it was made." in other.words()
    assert "/phone/enter/" not in other.text()


def test_a_phone_cannot_be_paired_to_a_step_that_is_none(inspector, inspection):
    inspector.get(f"/bench/{inspection.id}/captures")

    assert inspector.post(f"/bench/{inspection.id}/phones", {"step": "no-such-step"}).status_code == 404
