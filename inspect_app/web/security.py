"""What a browser may do with the pages: headers, content policy, forgery tokens, cookies, limits on guessing."""

from collections.abc import Callable
from typing import Any, Final

from flask import Flask, Response, request
from flask.sessions import SecureCookieSessionInterface
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from flask_wtf.csrf import CSRFProtect

from inspect_app.web import api, here, signin

CONTENT_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "style-src 'self'",
        "script-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
_HEADERS: Final = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
_YEAR_S: Final = 31_536_000

# Guessing a password: so often from one address, so often for one account.
PER_ADDRESS: Final = "20 per minute; 200 per hour"
PER_LOGIN: Final = "6 per minute; 40 per hour"
PER_PERSON: Final = "10 per minute"
# Guessing the token of a phone, and what a phone may send: parts of 4 MiB, so 40 MiB a second.
PER_CODE: Final = "20 per minute; 100 per hour"
PER_PHONE: Final = "600 per minute"
_PROVING: Final = (
    "inspections.sign",
    "inspections.approve",
    "documents.end",
    "batches.order",
    "signin.change_password",
    "readings.take",
    "tokens.make",
)


class _CookieSession(SecureCookieSessionInterface):
    """Marks the cookie Secure whenever the page came over TLS, so that one setting serves bench and network."""

    def get_cookie_secure(self, app: Flask) -> bool:
        return bool(app.config["SESSION_COOKIE_SECURE"]) or request.is_secure


def guard(app: Flask) -> CSRFProtect:
    """Put every guard around the application; the session is looked at before the forgery token is."""
    app.session_interface = _CookieSession()
    app.before_request(signin.admit)
    app.after_request(_add_headers)
    return CSRFProtect(app)


def limit_guessing(app: Flask) -> None:
    """Limit how often a password or a code may be tried, and what a phone sends; the views are registered by now."""
    limiter = Limiter(get_remote_address, app=app, storage_uri="memory://")
    app.extensions["guessing_limiter"] = limiter  # its decorators hold it weakly
    _limit(app, "signin.sign_in", limiter.limit(PER_ADDRESS, methods=["POST"]))
    _limit(app, "signin.sign_in", limiter.limit(PER_LOGIN, key_func=_login, methods=["POST"]))
    for endpoint in _PROVING:
        _limit(app, endpoint, limiter.limit(PER_PERSON, key_func=_person, methods=["POST"]))
    _limit(app, "phone.enter", limiter.limit(PER_CODE))
    for endpoint in ("phone.take", "phone.begin_upload", "phone.upload"):
        _limit(app, endpoint, limiter.limit(PER_PHONE))
    api.limit(limiter)


def _limit(app: Flask, endpoint: str, limited: Callable[[Any], Any]) -> None:
    app.view_functions[endpoint] = limited(app.view_functions[endpoint])


def _login() -> str:
    return "login " + request.form.get("login", "").strip().casefold()


def _person() -> str:
    return f"person {here.person().id}"


def _add_headers(response: Response) -> Response:
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    if request.is_secure:
        response.headers.setdefault("Strict-Transport-Security", f"max-age={_YEAR_S}")
    return response
