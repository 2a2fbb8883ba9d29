"""Review, signature and document; what is held is taken up again."""

import dataclasses

import pytest

from inspect_app import workflow
from inspect_app.model import EntryState, Outcome
from inspect_app.workflow import StepAnswers
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD

LOOK, BARS, EDGE = "look", "bar-target.horizontal.1lx", "slanted-edge.1lx"


def answer_all(place, person, inspection, reading="1,4", mtf50="0.25"):
    """Record all steps; 1,4 is 2.83 cy/mrad at 1 m (at least 0.9 wanted), 0.25 cy/px is above 0.1."""
    meters = tuple(
        one.id for one in workflow.instruments(place) if one.calibration_on(place.clock().date()) is not None
    )
    look = {"item": ("Housing undamaged=yes", "Markings readable=yes")}
    bars = {"reading": (reading,) * 3, "distance_m": ("1",)}
    conditions = {"illuminance_lx_before": "1", "illuminance_lx_after": "1", "temperature_c": "21"}
    edge = {"mtf50_reading": (mtf50, mtf50, mtf50), "axis": ("horizontal",)}
    recorded = EntryState.RECORDED
    for step, answers in (
        (LOOK, StepAnswers(state=recorded, answers=look)),
        (BARS, StepAnswers(state=recorded, answers=bars, conditions=conditions, instrument_ids=meters)),
        (EDGE, StepAnswers(state=recorded, answers=edge)),
    ):
        workflow.record_step(place, person, inspection.id, step, answers, 0)


def sign(visitor, inspection, **changes):
    visitor.get(f"/inspections/{inspection.id}/sign")
    fields = {"serial_again": "tm-0001 ", "password": PASSWORD, "remark": "", **changes}
    return visitor.post(f"/inspections/{inspection.id}/sign", fields)


@pytest.fixture
def approve(as_role):
    """Let the approver issue the document of a signed inspection."""

    def approved(inspection, password=PASSWORD):
        approver = as_role("app")
        approver.get(f"/inspections/{inspection.id}")
        return approver.post(f"/inspections/{inspection.id}/approve", {"password": password})

    return approved


@pytest.fixture
def answered(place, people, inspection):
    answer_all(place, people["ina"], inspection)
    return inspection


def test_the_review_counts_what_waits_and_leads_there(inspector, inspection):
    inspector.get(f"/inspections/{inspection.id}")

    assert "3 of 3 steps wait for an answer." in inspector.words()
    assert "To the signature" not in inspector.words()


def test_the_review_shows_every_judgement_with_its_clause_and_result(inspector, answered):
    inspector.get(f"/inspections/{answered.id}")

    words = inspector.words()
    assert "4.1 Resolution by eye at 1 lux" in words
    assert "4.2 MTF50 at 1 lux" in words
    assert "≥ 0.9 cy/mrad" in words
    assert "To the signature" in words


def test_nothing_is_signed_while_steps_wait(inspector, inspection, place):
    page = sign(inspector, inspection)

    assert page.status_code == 422
    assert workflow.inspection(place, inspection.id).signature is None


def test_a_signed_inspection_waits_for_an_approver_who_is_somebody_else(inspector, answered, place, as_role):
    page = sign(inspector, answered)

    assert page.request.path == f"/inspections/{answered.id}"
    assert "waits for an approver other than Ina Vestergard" in inspector.words()
    assert "Approve and issue" not in inspector.words()
    assert workflow.issued_documents(place) == ()
    approver = as_role("app")
    approver.get("/documents/")
    assert "Review TM-0001" in approver.words()


def test_an_approver_signs_off_with_the_password_and_the_certificate_is_issued(inspector, answered, approve, place):
    sign(inspector, answered)

    refused = approve(answered, password="not the password")
    page = approve(answered)

    assert refused.status_code == 422
    assert page.request.path == "/documents/C-2026-0001"
    assert "Approved. The certificate C-2026-0001 is issued." in page.get_data(as_text=True)
    assert workflow.document(place, "C-2026-0001").issued_by.login == "app"


def test_where_the_settings_allow_it_the_inspector_gets_the_certificate_at_once(app, answered, place):
    settings = dataclasses.replace(place.settings, is_self_approved=True)
    app.extensions["workplace"] = dataclasses.replace(place, settings=settings)
    inspector = Visitor(app.test_client())
    inspector.sign_in("ina", PASSWORD)
    inspector.get(f"/inspections/{answered.id}/sign")
    assert "Sign and issue the certificate" in inspector.words()

    page = sign(inspector, answered)

    assert page.request.path == "/documents/C-2026-0001"
    assert "Signed. The certificate C-2026-0001 is issued." in inspector.words()


def test_a_rejected_device_gets_a_rejection_notice_that_names_the_clause(inspector, inspection, place, people, approve):
    """Element -1,1 is 0.5 lp/mm, 0.5 cy/mrad at 1 m: below 0.9."""
    answer_all(place, people["ina"], inspection, reading="-1,1")
    inspector.get(f"/inspections/{inspection.id}/sign")
    assert "A rejection notice will be issued once an approver agrees." in inspector.words()
    sign(inspector, inspection)

    page = approve(inspection)

    assert page.request.path == "/documents/R-2026-0001"
    assert "Clause 4.1" in inspector.words()


@pytest.mark.parametrize(
    ("changes", "field"),
    [({"password": "not the password"}, "password"), ({"serial_again": "TM-0002"}, "serial_again")],
)
def test_a_wrong_password_or_serial_signs_nothing_and_stands_at_its_field(inspector, answered, place, changes, field):
    page = sign(inspector, answered, **changes)

    assert page.status_code == 422
    assert f'id="{field}-error"' in inspector.text()
    assert workflow.inspection(place, answered.id).signature is None


def test_signing_and_approving_twice_issues_one_document(inspector, answered, place, approve):
    sign(inspector, answered)
    approve(answered)
    inspector.get("/")

    inspector.post(f"/inspections/{answered.id}/sign", {"serial_again": "TM-0001", "password": PASSWORD})
    approve(answered)

    assert [one.document.number for one in workflow.issued_documents(place)] == ["C-2026-0001"]


def test_a_held_device_gets_no_document_and_can_be_taken_up_again(inspector, inspection, place, people):
    answer_all(place, people["ina"], inspection)
    revision = workflow.inspection(place, inspection.id).entries[BARS].revision
    unsure = StepAnswers(state=EntryState.CANNOT_TELL, reason="target cracked")
    workflow.record_step(place, people["ina"], inspection.id, BARS, unsure, revision)

    sign(inspector, inspection)
    assert workflow.inspection(place, inspection.id).signature.outcome is Outcome.HELD
    assert workflow.issued_documents(place) == ()
    assert "The device is held" in inspector.words()
    refused = inspector.post(f"/inspections/{inspection.id}/reopen", {"reason": " "})
    assert refused.status_code == 422
    inspector.post(f"/inspections/{inspection.id}/reopen", {"reason": "new target arrived"})

    assert workflow.inspection(place, inspection.id).signature is None


def test_a_signed_inspection_is_read_and_no_longer_asked(inspector, answered):
    sign(inspector, answered)

    page = inspector.get(f"/bench/{answered.id}/{BARS}")

    assert page.request.path.endswith("/result")
    assert "Correct or repeat" not in inspector.words()


def test_why_walks_from_the_readings_to_the_judgement(inspector, answered):
    """The bar target's reading gives one line, the step from element to element: rectangular, divisor √3 = 1.73."""
    inspector.get(f"/inspections/{answered.id}/why/1")
    said = inspector.words()

    assert "Why: 4.1 Resolution by eye at 1 lux" in said
    assert "step from element to element rectangular" in said
    assert "1.73" in said
    places = [said.index(f" {stage} ") for stage in ("Capture", "Method", "Reading", "Limit", "Rule", "Result")]
    assert places == sorted(places)


def test_every_judgement_of_the_review_leads_to_its_why(inspector, answered):
    inspector.get(f"/inspections/{answered.id}")

    assert f"/inspections/{answered.id}/why/1" in inspector.text()
    assert inspector.get(f"/inspections/{answered.id}/why/2").status_code == 200
    assert inspector.get(f"/inspections/{answered.id}/why/99").status_code == 404
