"""Who asks: the token in the header Authorization, never a cookie; its person, and what it permits."""

import hashlib
from dataclasses import replace
from typing import Final

from flask import g, request
from flask_limiter.util import get_remote_address

from inspect_app import workflow
from inspect_app.errors import NotAllowed
from inspect_app.model import Person, Scope, Token
from inspect_app.web import here
from inspect_app.web.api.problems import Refused
from inspect_app.workflow import Workplace

PER_PROGRAM: Final = "600 per minute"
PER_ADDRESS_REFUSED: Final = "60 per minute"
_SCHEME: Final = "bearer"


def admit() -> None:
    """See that the request at hand shows a token that still opens anything."""
    scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != _SCHEME or not secret.strip():
        raise Refused(401, "Authorization", "no token is shown", "Send Authorization: Bearer TOKEN.")
    try:
        g.token = workflow.token_of_secret(here.workplace(), secret.strip())
    except NotAllowed as error:
        raise Refused(401, error.where, error.problem, error.remedy) from error


def token() -> Token:
    """Return the token of the request at hand."""
    shown = g.get("token")
    if not isinstance(shown, Token):
        raise NotAllowed("token", "none is shown", "Send Authorization: Bearer TOKEN.")
    return shown


def person() -> Person:
    """Return in whose name the program asks."""
    return token().person


def place() -> Workplace:
    """Return the workplace, in which every act names the token."""
    shown = token()
    return replace(here.workplace(), through=f"token {shown.id}, {shown.name}")


def prove_scope(scope: Scope) -> None:
    """See that the token permits something; what its person may do is seen to by every act itself."""
    if scope not in token().scopes:
        permitted = ", ".join(sorted(token().scopes))
        raise NotAllowed("token", f"it permits {permitted}, not {scope.value}", "Make one with this scope.")


def key_of_limit() -> str:
    """Return by what requests are counted: the token by its digest, or the address of who shows none."""
    shown = request.headers.get("Authorization", "")
    return f"token {hashlib.sha256(shown.encode()).hexdigest()}" if shown else f"address {get_remote_address()}"
