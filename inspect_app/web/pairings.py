"""Phones of an inspection, seen from the bench: show a code, say which may send, let one send no more."""

from dataclasses import dataclass
from urllib.parse import urlsplit

from flask import Blueprint, redirect, request, url_for
from flask import session as cookie
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from inspect_app import workflow
from inspect_app.documents.code import link_code
from inspect_app.model import Pairing
from inspect_app.web import here

bp = Blueprint("pairings", __name__, url_prefix="/bench/<int:inspection_id>/phones")

_OWN_NAMES = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A pairing as shown; only the browser that made it knows the address, and so the code."""

    pairing: Pairing
    sent: int
    address: str
    code: Markup


def phones_of(inspection_id: int) -> tuple[Phone, ...]:
    """Return the phones that may send captures to an inspection at this moment."""
    return tuple(_phone(one) for one in workflow.active_pairings(here.workplace(), inspection_id))


def is_reachable() -> bool:
    """Say whether a phone could open the address under which this page was opened."""
    return bool(here.workplace().settings.address) or urlsplit(request.host_url).hostname not in _OWN_NAMES


@bp.post("")
@here.allowed_to("inspect")
def pair(inspection_id: int) -> ResponseReturnValue:
    """Make a pairing; its token stays in the cookie of this browser, so that the page can show the code again."""
    step_id = request.form.get("step") or None
    made = workflow.pair_phone(here.workplace(), here.person(), inspection_id, step_id)
    cookie["phone_tokens"] = {str(made.pairing.id): made.token}
    return redirect(url_for("captures.page", inspection_id=inspection_id, step=step_id, _anchor="phones"), 303)


@bp.post("/<int:pairing_id>/end")
@here.allowed_to("inspect")
def end(inspection_id: int, pairing_id: int) -> ResponseReturnValue:
    """Let a phone send no more."""
    workflow.end_pairing(here.workplace(), here.person(), pairing_id)
    return redirect(url_for("captures.page", inspection_id=inspection_id, _anchor="phones"), 303)


def _phone(pairing: Pairing) -> Phone:
    token = cookie.get("phone_tokens", {}).get(str(pairing.id), "")
    root = here.workplace().settings.address or request.host_url.rstrip("/")
    address = f"{root}{url_for('phone.enter', token=token)}" if token else ""
    sent = len(workflow.captures_of_pairing(here.workplace(), pairing.id))
    code = Markup(link_code(address)) if address and is_reachable() else Markup()  # noqa: S704 (our own drawing)
    return Phone(pairing=pairing, sent=sent, address=address, code=code)
