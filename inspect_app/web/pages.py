"""What every page has: words for dates and states, the theme, the lists of the menu, and pages for refusals."""

from collections.abc import Mapping
from typing import Any, Final

from flask import Flask, current_app, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException

from inspect_app.documents import wording
from inspect_app.errors import Damaged, EditConflict, InspectError, NotAllowed, NotFound
from inspect_app.quantity import format_quantity
from inspect_app.web import here, places, preferences, readiness, shown, views
from inspect_app.web.api import problems

_STATUS: Final[Mapping[type[InspectError], int]] = {NotFound: 404, NotAllowed: 403, EditConflict: 409, Damaged: 500}
_HEADINGS: Final[Mapping[int, str]] = {
    400: "That request could not be read",
    403: "Not permitted",
    404: "Not in the record",
    405: "That cannot be done here",
    409: "Somebody was quicker",
    413: "Too large to be taken",
    422: "That cannot be used as it is",
    429: "Too many attempts",
    500: "The program failed",
}
_WORDS: Final[Mapping[int, str]] = {
    400: "The browser sent something that this page does not take. Go back and try again.",
    404: "There is no such page, or nothing is kept under this address. Search for the serial, or go to the start"
    " page.",
    405: "The address is right, but not for this act. Go back to the page and press its button.",
    413: "The files are larger than this program takes at once. Go back: your answers still stand in the form. Send the"
    " files in parts, or a shorter film.",
    429: "This was tried too often. Wait a minute, then try again.",
    500: "Nothing was half written: each act is recorded whole or not at all. Go back and try again; if it happens"
    " again, tell whoever looks after this program what you were doing, and when.",
}


def furnish(app: Flask) -> None:
    """Give templates their words, and refusals their pages."""
    app.context_processor(_context)
    app.jinja_env.filters.update(
        minute=wording.minute,
        printed=format_quantity,
        day=wording.day,
        under=wording.condition_text,
        in_words=wording.name_in_words,
        outcome=shown.outcome_standing,
        size=shown.size_text,
        detail=shown.detail_text,
    )
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.register_error_handler(InspectError, _refused)
    app.register_error_handler(CSRFError, _forged)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _failed)


def _context() -> dict[str, Any]:
    return {
        "person": here.someone(),
        "may_inspect": here.is_allowed("inspect"),
        "may_approve": here.is_allowed("approve"),
        "may_keep": here.is_allowed("keep"),
        "issuer": here.workplace().settings.issuer,
        "this_page": request.full_path.rstrip("?") if request.method == "GET" else request.path,
        "theme": preferences.theme(),
        "themes": preferences.THEMES,
        "listens_to_keys": preferences.listens_to_keys(),
        "menu": places.menu(request.endpoint),
        "running": readiness.running(),
        "views_of_this_page": views.of_this_page,
    }


def _page(status: int, words: str) -> ResponseReturnValue:
    heading = _HEADINGS.get(status, "That did not work")
    if request.accept_mimetypes.best == "application/json":
        return jsonify(message=words), status
    return render_template("refused.html", heading=heading, words=words), status


def _refused(error: InspectError) -> ResponseReturnValue:
    if problems.is_asked():
        return problems.response_to(error)
    status = next((code for kind, code in _STATUS.items() if isinstance(error, kind)), 422)
    return _page(status, str(error))


def _forged(_error: CSRFError) -> ResponseReturnValue:
    return _page(
        400,
        "The page was too old, or did not come from here, so nothing was recorded. Go back, open the page anew and"
        " send it again.",
    )


def _http(error: HTTPException) -> ResponseReturnValue:
    if problems.is_asked():
        return problems.response_to(error)
    if error.code is None or error.code < 400:
        return error
    return _page(error.code, _WORDS.get(error.code, error.description or "Go back and try again."))


def _failed(error: Exception) -> ResponseReturnValue:
    """Tell it in plain words; the log has the rest."""
    if problems.is_asked():
        return problems.response_to(error)
    current_app.logger.error("%s %s failed", request.method, request.path, exc_info=error)
    return _page(500, _WORDS[500])
