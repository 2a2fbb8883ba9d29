"""Tokens: as far as their owner may go, shown once, kept by digest, ended; and no cookie opens the interface."""

import re

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Scope
from inspect_app.web import create_app
from tests.web.api.program import ROOT, Program, secret_of
from tests.web.workbench import PASSWORD

SHIPMENT = {
    "contract_number": "TST-1",
    "reference": "DN-9",
    "devices": [{"serial": "TM-9", "device_class": "test monocular"}],
}


@pytest.mark.parametrize(
    "shown", [{}, {"Authorization": "Bearer"}, {"Authorization": "Bearer guess"}, {"Authorization": "Basic aW5hOng="}]
)
def test_without_a_token_nothing_is_told(app, lot, shown):
    answer = app.test_client().get(f"{ROOT}/lots", headers=shown)

    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert answer.mimetype == "application/problem+json"


def test_a_session_does_not_open_the_interface(inspector, lot):
    answer = inspector.client.get(f"{ROOT}/lots")

    assert answer.status_code == 401


def test_a_token_does_not_open_the_pages(program):
    answer = program.client.get("/lots/", headers=program.headers)

    assert answer.headers["Location"].startswith("/sign-in")


def test_the_interface_sets_no_cookie(program):
    assert "Set-Cookie" not in program.get("/lots").headers


@pytest.mark.parametrize(("login", "status"), [("ina", 201), ("app", 201), ("adm", 403)])
def test_rights_are_those_of_the_person(app, place, people, login, status):
    """A token made while its owner could more is worth what its owner may do now."""
    scopes = tuple(Scope) if login != "adm" else (Scope.READ,)
    program = Program(app.test_client(), secret_of(place, login, *scopes))

    assert program.post("/shipments", SHIPMENT).status_code == status


@pytest.mark.parametrize(
    ("scope", "statuses"),
    [(Scope.READ, (200, 403, 403)), (Scope.RECEIVE, (403, 201, 403)), (Scope.INSPECT, (403, 403, 201))],
)
def test_a_token_permits_its_scope_and_no_more(program_of, lot, scope, statuses):
    program = program_of("ina", scope)

    told = (
        program.get("/lots").status_code,
        program.post("/shipments", SHIPMENT).status_code,
        program.keep("log.csv", b"time_s,voltage_v\n0,4.1\n").status_code,
    )

    assert told == statuses


@pytest.mark.parametrize("role", ["aud", "adm"])
def test_who_may_not_inspect_makes_no_token_that_says_so(place, people, role):
    with pytest.raises(UnusableInput, match="may not inspect"):
        workflow.make_token(place, people[role], people[role], "x", [Scope.READ, Scope.INSPECT], days=1)


def test_nobody_makes_or_ends_the_token_of_somebody_else(place, people):
    made = workflow.make_token(place, people["ina"], people["ina"], "bench", [Scope.READ], days=1)

    with pytest.raises(NotAllowed):
        workflow.make_token(place, people["app"], people["ina"], "bench", [Scope.READ], days=1)
    with pytest.raises(NotFound):
        workflow.revoke_token(place, people["app"], made.token.id)
    workflow.revoke_token(place, people["adm"], made.token.id)


@pytest.mark.parametrize("days", [0, 367])
def test_a_token_lasts_a_year_at_most(place, people, days):
    with pytest.raises(UnusableInput, match="days"):
        workflow.make_token(place, people["ina"], people["ina"], "bench", [Scope.READ], days=days)


def test_a_token_ends_when_it_expires_is_revoked_or_its_owner_is_disabled(app, place, people, clock):
    def is_open(secret):
        return Program(app.test_client(), secret).get("/lots").status_code == 200

    expiring, revoked, disabled = (secret_of(place, login, Scope.READ, days=2) for login in ("ina", "app", "aud"))
    assert all(map(is_open, (expiring, revoked, disabled)))

    workflow.revoke_token(place, people["app"], workflow.tokens(place, people["app"])[0].id)
    workflow.set_active(place, people["adm"], people["aud"].id, is_active=False)

    assert [is_open(one) for one in (expiring, revoked, disabled)] == [True, False, False]
    clock.move(days=2)
    assert not is_open(expiring)


def test_the_record_holds_no_secret_and_the_chain_tells_of_tokens_and_acts(place, program, people):
    secret = program.headers["Authorization"].split()[1]
    program.post("/shipments", SHIPMENT)

    assert secret.encode() not in place.settings.record_path.read_bytes()
    told = {event.action: event for event in workflow.events(place)}
    assert told["token made"].detail["scopes"] == "inspect read receive"
    assert told["token made"].detail["by"] == "the console"
    assert told["shipment received"].detail["through"] == "token 1, bench computer"
    assert told["shipment received"].actor == "ina"
    assert workflow.verify(place).problems == ()


def test_too_many_requests_are_refused_with_the_time_to_wait(place):
    app = create_app({"WORKPLACE": place})
    client = app.test_client()

    answers = [client.get(f"{ROOT}/lots") for _ in range(61)]

    assert {one.status_code for one in answers[:60]} == {401}
    assert answers[60].status_code == 429
    assert int(answers[60].headers["Retry-After"]) > 0
    assert answers[60].mimetype == "application/problem+json"


def test_a_person_makes_a_token_on_their_page_sees_it_once_and_revokes_it(inspector, place, people):
    inspector.get("/tokens/")
    fields = {"name": "bench computer 2", "scopes": ["read", "inspect"], "days": "90", "password": PASSWORD}
    made = inspector.post("/tokens/", fields)
    secret = re.search(r"<code[^>]*>(inspect_[\w-]{43})</code>", inspector.text())[1]

    assert made.status_code == 201
    assert workflow.token_of_secret(place, secret).scopes == {Scope.READ, Scope.INSPECT}
    inspector.get("/tokens/")
    assert secret not in inspector.text()
    assert "bench computer 2" in inspector.words()
    inspector.post("/tokens/1/revoke")
    assert "revoked" in inspector.words()
    with pytest.raises(NotAllowed):
        workflow.token_of_secret(place, secret)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"password": "not this one at all"}, "it is not right"),
        ({"scopes": []}, "none is chosen"),
        ({"days": "1000"}, "is not from 1 to 366"),
        ({"days": "many"}, "is no whole number of days"),
        ({"name": " "}, "name: it is empty"),
        ({"scopes": ["rule"]}, "there is no such thing"),
    ],
)
def test_a_token_that_cannot_be_made_is_told_beside_its_field(inspector, place, changed, words):
    inspector.get("/tokens/")
    fields = {"name": "bench", "scopes": ["read"], "days": "1", "password": PASSWORD, **changed}

    answer = inspector.post("/tokens/", fields)

    assert answer.status_code == 422
    assert words in inspector.words()
    assert workflow.tokens(place) == ()


def test_an_auditor_is_offered_reading_alone(as_role):
    auditor = as_role("aud")
    auditor.get("/tokens/")

    assert 'value="read"' in auditor.text()
    assert 'value="inspect"' not in auditor.text()
