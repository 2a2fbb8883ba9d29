"""Signing in and out, sessions that end, and answers that outlive them."""

import io
import re

import pytest

from inspect_app import workflow
from inspect_app.web import create_app
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD

STEP = "/bench/{}/bar-target.horizontal.1lx"


def test_without_a_session_every_page_asks_to_sign_in(visitor):
    page = visitor.get("/lots/")

    assert visitor.heading() == "Sign in"
    assert page.request.path == "/sign-in"


def test_after_signing_in_the_page_that_was_asked_for_opens(visitor):
    visitor.get("/lots/")

    page = visitor.post("/sign-in?next=/lots/", {"login": "ina", "password": PASSWORD})

    assert page.request.path == "/lots/"


@pytest.mark.parametrize("elsewhere", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"])
def test_signing_in_never_leads_to_another_site(visitor, elsewhere):
    visitor.get("/sign-in")

    page = visitor.post(f"/sign-in?next={elsewhere}", {"login": "ina", "password": PASSWORD})

    assert page.request.path == "/"
    assert page.request.host == "localhost"


@pytest.mark.parametrize(("login", "password"), [("ina", "wrong password of length"), ("nobody", PASSWORD)])
def test_a_wrong_login_and_a_wrong_password_are_told_alike(visitor, login, password):
    page = visitor.sign_in(login, password)

    assert page.status_code == 422
    assert "<title>Error: Sign in" in visitor.text()
    assert visitor.value_of("login") == login
    told = re.search(r'id="errors".*?</div>', visitor.text(), re.DOTALL)[0]
    visitor.sign_in("somebody", "something else entirely")
    other = re.search(r'id="errors".*?</div>', visitor.text(), re.DOTALL)[0]
    assert told == other


def test_an_empty_sign_in_names_both_fields_and_links_to_them(visitor):
    page = visitor.sign_in("", "")

    assert page.status_code == 422
    assert '<a href="#login">Enter your login.</a>' in visitor.text()
    assert 'aria-describedby="login-error"' in visitor.text()
    assert 'aria-invalid="true"' in visitor.text()


def test_a_session_ends_after_half_an_hour_without_a_page(inspector, clock):
    clock.move(minutes=29)
    inspector.get("/")
    assert inspector.heading() == "Dock"

    clock.move(minutes=31)
    inspector.get("/")

    assert inspector.heading() == "Sign in"


def test_a_session_ends_after_twelve_hours_however_busy_it_was(inspector, clock):
    for _ in range(36):
        clock.move(minutes=20)
        inspector.get("/help")
    inspector.get("/")
    assert inspector.heading() == "Dock"

    clock.move(minutes=1)
    inspector.get("/")

    assert inspector.heading() == "Sign in"


def test_signing_out_ends_the_session(inspector):
    inspector.get("/")
    inspector.post("/sign-out")

    inspector.get("/lots/")

    assert inspector.heading() == "Sign in"


def test_an_account_that_is_closed_is_out_at_once(inspector, place, people):
    workflow.set_active(place, None, people["ina"].id, is_active=False)

    inspector.get("/lots/")

    assert inspector.heading() == "Sign in"


def test_answers_sent_after_the_session_ended_are_offered_again_and_recorded(inspector, clock, inspection, place):
    inspector.get(STEP.format(inspection.id))
    clock.move(minutes=31)

    lost = inspector.post(
        STEP.format(inspection.id), {"act": "draft", "answer_distance_m": "10,5", "expected_revision": "0"}
    )
    assert lost.status_code == 401
    assert inspector.heading() == "Sign in"
    assert inspector.value_of("kept.answer_distance_m") == "10,5"
    kept = {name: inspector.value_of(name) for name in re.findall(r'name="(kept[._][^"]+)"', inspector.text())}
    inspector.post("/sign-in", {"login": "ina", "password": PASSWORD, **kept})
    assert inspector.heading() == "Go on where you were"
    again = {name.removeprefix("kept."): value for name, value in kept.items() if name.startswith("kept.")}
    inspector.post(kept["kept_path"], again)

    entry = workflow.inspection(place, inspection.id).entries["bar-target.horizontal.1lx"]
    assert entry.answers["distance_m"] == ("10,5",)


def test_what_one_person_typed_is_neither_shown_to_nor_recorded_for_the_next(
    inspector, clock, inspection, place, people
):
    step = STEP.format(inspection.id)
    inspector.get(step)
    clock.move(minutes=31)
    typed = {"act": "draft", "answer_distance_m": "10,5", "expected_revision": "0", "typed_by": people["ina"].id}
    inspector.post(step, typed)
    kept = {name: inspector.value_of(name) for name in re.findall(r'name="(kept[._][^"]+)"', inspector.text())}

    inspector.post("/sign-in", {"login": "app", "password": PASSWORD, **kept})
    assert inspector.heading() == "Ina Vestergard had typed this"
    assert "10,5" not in inspector.words()
    inspector.post("/sign-in", {"act": "again", **kept})
    assert inspector.heading() == "Sign in"
    inspector.post("/sign-in", {"login": "ina", "password": PASSWORD, **kept})

    assert inspector.heading() == "Go on where you were"
    assert "10,5" in inspector.words()
    assert workflow.inspection(place, inspection.id).entries == {}


def test_a_password_never_travels_with_kept_answers(inspector, clock, inspection):
    inspector.get(f"/inspections/{inspection.id}")
    clock.move(minutes=31)

    inspector.post(f"/inspections/{inspection.id}/sign", {"password": PASSWORD, "serial_again": "TM-0001"})

    assert inspector.value_of("kept.serial_again") == "TM-0001"
    assert PASSWORD not in inspector.text()


def test_files_sent_after_the_session_ended_are_named_to_be_chosen_again(inspector, clock, inspection):
    inspector.get(f"/bench/{inspection.id}/slanted-edge.1lx")
    clock.move(minutes=31)

    inspector.post(f"/bench/{inspection.id}/slanted-edge.1lx", {"file_scene": (io.BytesIO(b"x"), "edge-17.png")})

    assert "Choose them again: edge-17.png" in inspector.words()


def test_nothing_is_kept_from_a_form_of_another_site(visitor, inspection):
    response = visitor.client.post(
        STEP.format(inspection.id), data={"answer_distance_m": "1"}, headers={"Origin": "https://elsewhere.example"}
    )

    assert response.status_code == 302
    assert "kept" not in response.get_data(as_text=True)


def test_a_form_without_its_token_changes_nothing(inspector, place, inspection):
    response = inspector.client.post(STEP.format(inspection.id), data={"answer_distance_m": "1", "act": "draft"})

    assert response.status_code == 400
    assert "nothing was recorded" in response.get_data(as_text=True)
    assert workflow.inspection(place, inspection.id).entries == {}


def test_guessing_a_password_is_slowed_down(place):
    """Six attempts a minute for one login; the seventh is refused before the password is looked at."""
    visitor = Visitor(create_app({"WORKPLACE": place}).test_client())
    for _ in range(6):
        visitor.sign_in("ina", "wrong password of length")

    refused = visitor.sign_in("ina", PASSWORD)

    assert refused.status_code == 429
    assert visitor.heading() == "Too many attempts"


def test_the_cookie_is_hidden_from_scripts_and_bound_to_the_site(visitor):
    visitor.get("/sign-in")
    response = visitor.client.post(
        "/sign-in", data={"login": "ina", "password": PASSWORD, "csrf_token": visitor.token()}
    )

    cookie = response.headers["Set-Cookie"]

    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie


def test_over_tls_the_cookie_is_marked_secure(visitor):
    visitor.get("/sign-in", base_url="https://localhost")
    response = visitor.client.post(
        "/sign-in",
        data={"login": "ina", "password": PASSWORD, "csrf_token": visitor.token()},
        base_url="https://localhost",
        headers={"Referer": "https://localhost/sign-in"},
    )

    assert "Secure" in response.headers["Set-Cookie"]
    assert response.headers["Strict-Transport-Security"].startswith("max-age=")


def test_ones_own_password_is_changed_after_the_present_one_is_proved(inspector, place):
    inspector.get("/password")
    refused = inspector.post(
        "/password", {"current_password": "not it at all, no", "new_password": "quite another one"}
    )
    assert refused.status_code == 422
    assert 'id="current_password-error"' in inspector.text()

    inspector.post("/password", {"current_password": PASSWORD, "new_password": "seven grey geese asleep"})

    assert workflow.sign_in(place, "ina", "seven grey geese asleep").login == "ina"


def test_a_password_that_is_too_short_is_refused_at_its_field(inspector):
    inspector.get("/password")

    page = inspector.post("/password", {"current_password": PASSWORD, "new_password": "short"})

    assert page.status_code == 422
    assert 'id="new_password-error"' in inspector.text()
