"""What somebody chooses for this browser: the theme, and whether keys outside fields are listened to."""

from collections.abc import Collection
from typing import Final

from flask import Blueprint, current_app, redirect, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app.web import session

bp = Blueprint("preferences", __name__)

THEMES: Final = {"light": "Light", "dark": "Dark", "dark-room": "Dark-room", "system": "As the system"}
_KEYS: Final = ("on", "off")
_YEAR_S: Final = 31_536_000


@bp.post("/theme")
def choose_theme() -> ResponseReturnValue:
    """Keep the chosen theme in this browser."""
    return _keep("theme", request.form.get("theme", ""), THEMES, usual="system")


@bp.post("/keys")
def choose_keys() -> ResponseReturnValue:
    """Keep in this browser whether keys outside fields are listened to (WCAG 2.2, 2.1.4)."""
    return _keep("keys", request.form.get("keys", ""), _KEYS, usual="on")


def theme() -> str:
    """Return the theme of this browser; empty where it follows the system."""
    chosen = request.cookies.get("theme", "")
    return chosen if chosen in THEMES else ""


def listens_to_keys() -> bool:
    """Say whether keys outside fields do anything."""
    return request.cookies.get("keys") != "off"


def _keep(name: str, chosen: str, choices: Collection[str], usual: str) -> ResponseReturnValue:
    response = current_app.make_response(
        redirect(session.local_path(request.form.get("back")) or url_for("dock.start"), 303)
    )
    if chosen == usual:
        response.delete_cookie(name)
    elif chosen in choices:
        response.set_cookie(name, chosen, max_age=_YEAR_S, samesite="Lax", secure=request.is_secure)
    return response
