"""The session cookie: who is signed in, since when, last seen when; and where a form may send a browser next."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final
from urllib.parse import urlsplit

from flask import current_app, flash, g, request
from flask import session as cookie

from inspect_app import workflow
from inspect_app.model import Person
from inspect_app.web import here

KEPT_PREFIX: Final = "kept."
_SEEN_EVERY_S: Final = 20  # a page with many pictures need not set the cookie with each of them
_LONGEST_KEY: Final = 10
_NEVER_KEPT: Final = ("csrf_token", "password", "new_password", "current_password")


def begin(person: Person) -> None:
    """Start a session that holds nothing of an earlier one."""
    now = _seconds(here.workplace().clock())
    _forget()
    g.pop("csrf_token", None)  # remembered for this request, and gone with the session that it was made for
    cookie.update(person=person.id, began=now, seen=now)


def end() -> None:
    """Forget who was signed in."""
    _forget()
    g.pop("csrf_token", None)  # as for `begin`
    g.person = None


def _forget() -> None:
    """Empty the cookie; what is waited for at the bench goes on, whoever signs in next."""
    waits = cookie.get("waits")
    cookie.clear()
    if waits:
        cookie["waits"] = waits


def person_of_cookie() -> Person | None:
    """Return who is signed in; a session that was left too long, or lasted too long, is over."""
    if "person" not in cookie:
        return None
    now = _seconds(here.workplace().clock())
    is_idle = now - int(cookie["seen"]) > int(current_app.config["SESSION_IDLE_S"])
    is_old = now - int(cookie["began"]) > int(current_app.config["SESSION_AT_MOST_S"])
    person = workflow.person(here.workplace(), int(cookie["person"]))
    if is_idle or is_old or person is None or not person.is_active:
        _forget()
        flash("You were signed out. Sign in again to go on where you were.")
        return None
    if now - int(cookie["seen"]) >= _SEEN_EVERY_S:
        cookie["seen"] = now
    return person


def typed_fields() -> tuple[tuple[str, str], ...]:
    """Return what the request at hand holds of typed answers, passwords left out."""
    return tuple((name, value) for name, value in request.form.items(multi=True) if name not in _NEVER_KEPT)


def kept_fields() -> tuple[tuple[str, str], ...]:
    """Return the typed answers that travel with the sign-in form."""
    typed = request.form.items(multi=True)
    return tuple((name.removeprefix(KEPT_PREFIX), value) for name, value in typed if name.startswith(KEPT_PREFIX))


def typist(kept: Iterable[tuple[str, str]]) -> Person | None:
    """Return who had typed what was kept, where its form says so."""
    text = next((value for name, value in kept if name == "typed_by"), "")
    return workflow.person(here.workplace(), int(text)) if text.isdecimal() and len(text) < _LONGEST_KEY else None


def is_from_our_own_page() -> bool:
    """Say so; nothing is kept from another site's form, for it would be handed to whoever signs in next."""
    origin = request.headers.get("Origin") or request.headers.get("Referer", "")
    return urlsplit(origin).netloc == request.host


def local_path(text: str | None) -> str:
    """Return an address of our own pages as it is, and nothing for any other."""
    if not text or not text.startswith("/") or text.startswith("//") or "\\" in text or urlsplit(text).netloc:
        return ""
    return text


def _seconds(moment: datetime) -> int:
    return int(moment.timestamp())
