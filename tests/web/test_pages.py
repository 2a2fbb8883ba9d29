"""Every page for every role: it opens, it has one heading, it is safe; who may not act sees nothing to press."""

import io
import re

import pytest

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Disposition, StudyKind
from inspect_app.workflow import NewStudy
from tests.truth import studies
from tests.web.test_inspections import answer_all
from tests.web.test_sampling import inspect, receive
from tests.web.workbench import PASSWORD

READ = [
    "/",
    "/lots/",
    "/lots/1",
    "/lots/1/documents/",
    "/devices",
    "/devices/1",
    "/documents/",
    "/documents/C-2026-0001",
    "/inspections/1",
    "/bench/1/bar-target.horizontal.1lx/result",
    "/instruments",
    "/instruments/1",
    "/contracts",
    "/contracts/TST-1",
    "/nonconformities/",
    "/nonconformities/NC-2026-0001",
    "/nonconformities/returns",
    "/suppliers/",
    "/studies/",
    "/studies/RS-2026-001",
    "/lots/2",
    "/help",
    "/password",
    "/documents/verify",
]
INSPECT = ["/receive", "/bench/2/look", "/inspections/2/sign"]
KEEP = ["/accounts/1"]
ACTS = [
    ("/receive", "inspect"),
    ("/receive/confirm", "inspect"),
    ("/lots/1/next", "inspect"),
    ("/lots/1/take", "inspect"),
    ("/lots/1/devices/2", "inspect"),
    ("/bench/2/look", "inspect"),
    ("/inspections/2/sign", "inspect"),
    ("/inspections/2/reopen", "inspect"),
    ("/lots/2/draw", "inspect"),
    ("/lots/2/sample", "inspect"),
    ("/lots/2/verdict", "inspect"),
    ("/lots/2/resubmission", "inspect"),
    ("/nonconformities/NC-2026-0001/class", "approve"),
    ("/nonconformities/NC-2026-0001/disposition", "approve"),
    ("/nonconformities/NC-2026-0001/closing", "approve"),
    ("/nonconformities/NC-2026-0001/again", "inspect"),
    ("/nonconformities/returns", "inspect"),
    ("/suppliers/ruling", "approve"),
    ("/studies/RS-2026-001/adoption", "approve"),
    ("/studies/RS-2026-001/end", "approve"),
    ("/inspections/1/approve", "approve"),
    ("/lots/1/documents/order", "approve"),
    ("/lots/1/documents/cancel", "approve"),
    ("/documents/C-2026-0001/supersede", "approve"),
    ("/documents/C-2026-0001/revoke", "approve"),
    ("/instruments", "keep"),
    ("/instruments/1", "keep"),
    ("/contracts", "keep"),
    ("/accounts", "keep"),
    ("/accounts/1/password", "keep"),
    ("/accounts/1/active", "keep"),
]
ROLES = {"ina": {"inspect"}, "app": {"inspect", "approve"}, "aud": set(), "adm": {"keep"}}


@pytest.fixture
def filled(place, people, inspection, lot):
    """Sign the first device, open the second; reject one of a sampled lot and dispose of it."""
    person = people["ina"]
    answer_all(place, person, inspection)
    workflow.conclude(place, person, inspection.id, PASSWORD, "TM-0001")
    workflow.issue_document(place, people["app"], inspection.id)
    second = workflow.lot_devices(place, lot.id)[1].device
    workflow.open_inspection(place, person, lot.id, second.id)
    sampled = receive(place, people, "SA")
    workflow.draw_sample(place, person, sampled)
    inspect(place, people, sampled, reading="-2,1")
    workflow.dispose(place, people["app"], "NC-2026-0001", Disposition.RETURN, "to the maker")
    study = NewStudy(kind=StudyKind.ELEMENTS, title="Bar target", table_name="study.csv", table=studies.elements())
    workflow.keep_study(place, person, study)


def prove_sound(visitor, path):
    page = visitor.get(path)
    text = visitor.text()
    assert page.status_code == 200, path
    assert len(re.findall(r"<h1[ >]", text)) == 1, path
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids)), (path, [one for one in ids if ids.count(one) > 1])
    labelled = set(re.findall(r'<label[^>]* for="([^"]+)"', text))
    fields = re.findall(r'<(?:input|select|textarea)(?![^>]*type="(?:hidden|checkbox|radio)")[^>]* id="([^"]+)"', text)
    assert set(fields) <= labelled, (path, set(fields) - labelled)
    described = {one for found in re.findall(r'aria-describedby="([^"]+)"', text) for one in found.split()}
    assert described <= set(ids), path


@pytest.mark.parametrize("login", ROLES)
def test_every_page_opens_for_who_may_see_it_and_is_well_made(as_role, filled, login):
    visitor = as_role(login)
    may_see = READ + (INSPECT if "inspect" in ROLES[login] else []) + (KEEP if "keep" in ROLES[login] else [])

    for path in may_see:
        prove_sound(visitor, path)


@pytest.mark.parametrize("login", ROLES)
def test_who_may_not_act_is_refused_in_plain_words_whatever_is_sent(as_role, filled, login):
    visitor = as_role(login)
    for path, act in ACTS:
        if act in ROLES[login]:
            continue
        visitor.get("/")
        page = visitor.post(path, {"act": "record"})
        assert page.status_code == 403, path
        assert visitor.heading() == "Not permitted", path


LOOKS_UP = 'action="/find/label"'  # posts because it carries a picture; it keeps nothing
THEIR_OWN = 'action="/views/"'  # a name for what they look at, for themselves alone


def test_an_auditor_reads_everything_and_finds_nothing_to_press(as_role, filled):
    auditor = as_role("aud")
    for path in [*READ[:-3], "/accounts"]:
        auditor.get(path)
        main = auditor.text().split("<main")[1].split("</main>")[0]
        forms = re.findall(r"<form[^>]*>", main)
        harmless = ('method="get"', LOOKS_UP, THEIR_OWN)
        assert [form for form in forms if not any(one in form for one in harmless)] == [], path


def test_who_does_not_keep_accounts_does_not_see_them(inspector):
    assert inspector.get("/accounts").status_code == 403


def test_every_page_forbids_what_it_does_not_need(inspector):
    headers = inspector.get("/").headers

    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cache-Control"] == "no-store"


def test_the_fonts_and_scripts_are_our_own(inspector, filled):
    inspector.get("/bench/2/bar-target.horizontal.1lx")

    sources = re.findall(r'(?:src|href)="([^"]+)"', inspector.text())

    assert [source for source in sources if not source.startswith(("/", "#"))] == []


@pytest.mark.parametrize(
    ("path", "status"), [("/nothing-here", 404), ("/lots/999", 404), ("/devices/999", 404), ("/bench/999", 404)]
)
def test_what_is_not_there_is_told_in_plain_words(inspector, path, status):
    page = inspector.get(path)

    assert page.status_code == status
    assert inspector.heading() == "Not in the record"
    assert "Traceback" not in inspector.text()


def test_a_wrong_method_is_told_in_plain_words(inspector):
    assert inspector.get("/theme").status_code == 405
    assert inspector.heading() == "That cannot be done here"


def test_a_request_that_is_too_large_is_told_so(app, as_role):
    app.config["MAX_CONTENT_LENGTH"] = 1000
    visitor = as_role("ina")
    visitor.get("/receive")

    page = visitor.post("/receive", {"packing_list": (io.BytesIO(b"x" * 5000), "list.csv")})

    assert page.status_code == 413
    assert visitor.heading() == "Too large to be taken"


def test_a_failure_of_the_program_is_told_without_its_insides(inspector, monkeypatch):
    def fail(*_given, **_options):
        raise RuntimeError("secret insides")

    monkeypatch.setattr(workflow, "lot_page", fail)

    page = inspector.get("/lots/")

    assert page.status_code == 500
    assert "secret insides" not in inspector.text()
    assert inspector.heading() == "The program failed"


def test_a_refusal_of_the_record_is_told_as_where_what_and_what_next(inspector, monkeypatch):
    def refuse(*_given, **_options):
        raise NotFound("lot 7", "it is not in the record", "Choose one of the list.")

    monkeypatch.setattr(workflow, "lot_page", refuse)

    assert inspector.get("/lots/").status_code == 404
    assert "Lot 7: it is not in the record. Choose one of the list." in inspector.words()


def test_hostile_names_are_shown_as_text(as_role, place, people):
    hostile = "<img src=x onerror=alert(1)>"
    workflow.add_instrument(place, None, "meter", hostile, "S-1")
    visitor = as_role("adm")

    visitor.get("/instruments")

    assert hostile not in visitor.text()
    assert hostile in visitor.words() or "&lt;img" in visitor.text()


def test_a_lot_offers_its_next_device_and_takes_the_one_that_is_scanned(inspector, lot, place):
    inspector.get(f"/lots/{lot.id}")
    page = inspector.post(f"/lots/{lot.id}/next")
    assert page.request.path.endswith("/look")

    inspector.get(f"/lots/{lot.id}")
    inspector.post(f"/lots/{lot.id}/take", {"serial": "tm-0003"})

    assert "TM-0003" in inspector.words()
    assert {one.device.serial for one in workflow.open_inspections(place)} == {"TM-0001", "TM-0003"}


def test_a_scan_of_another_lot_is_refused_at_the_field(inspector, lot):
    inspector.get(f"/lots/{lot.id}")

    page = inspector.post(f"/lots/{lot.id}/take", {"serial": "ZZ-9"})

    assert page.status_code == 422
    assert 'id="serial-error"' in inspector.text()
