"""Refusals of the interface as problem details (RFC 9457), with where, what was seen and what to do as members."""

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final

from flask import Response, current_app, request
from pydantic import BaseModel, Field, ValidationError
from werkzeug.exceptions import HTTPException

from inspect_app.errors import Damaged, EditConflict, InspectError, NotAllowed, NotFound

MEDIA_TYPE: Final = "application/problem+json"
_STATUS: Final[Mapping[type[InspectError], int]] = {NotFound: 404, NotAllowed: 403, EditConflict: 409, Damaged: 500}
_REMEDIES: Final[Mapping[int, str]] = {
    400: "Send it as the description of the interface says.",
    404: "See /api/v1/openapi.json for what there is.",
    405: "Use a method that the header Allow names.",
    406: "Accept what the description of the interface offers.",
    413: "Send less at once.",
    415: "Send the media type that the description of the interface names.",
    429: "Wait a minute.",
}
_BROKEN: Final = "The program failed; nothing was half written. Try again, and tell whoever looks after it."


class PartialProblem(BaseModel):
    """One field that cannot be used."""

    where: str
    problem: str


class Problem(BaseModel):
    """Why a request was refused."""

    type: str = "about:blank"
    title: str = Field(description="Phrase of the status")
    status: int
    detail: str = Field(description="All in one sentence")
    where: str = Field(description="The field, file or thing concerned")
    problem: str = Field(description="What was seen")
    remedy: str = Field(description="What to do next")
    errors: list[PartialProblem] = []


class Refused(Exception):
    """A request that is refused with a status of its own."""

    def __init__(self, status: int, where: str, problem: str, remedy: str) -> None:
        super().__init__(status, where, problem, remedy)
        self.status = status
        self.told = InspectError(where, problem, remedy)


class Invalid(Exception):
    """A query or a body that is not as its model says; the cause is what pydantic found."""

    def __init__(self, found: ValidationError) -> None:
        super().__init__(found)
        self.found = found


def is_asked() -> bool:
    """Say whether the request at hand was sent to the interface, wherever it went wrong."""
    return request.path.startswith("/api/")


def response_to(error: Exception) -> Response:
    """Return the problem details of whatever went wrong."""
    if isinstance(error, Refused):
        return _told(error.status, error.told)
    if isinstance(error, InspectError):
        return _told(next((code for kind, code in _STATUS.items() if isinstance(error, kind)), 422), error)
    if isinstance(error, Invalid):
        return _invalid(error.found)
    if isinstance(error, HTTPException) and error.code is not None and error.code >= 400:
        return _http(error, error.code)
    current_app.logger.error("%s %s failed", request.method, request.path, exc_info=error)
    return _told(500, InspectError(request.path, "the program failed", _BROKEN))


def _http(error: HTTPException, status: int) -> Response:
    seen = {404: "there is nothing", 405: f"{request.method} is not for it", 413: "it is too large"}.get(status)
    problem = seen or (error.description or HTTPStatus(status).phrase)
    made = _told(status, InspectError(request.path, problem, _REMEDIES.get(status, "Look at the description.")))
    for name, value in error.get_headers():
        if name in ("Allow", "Retry-After"):
            made.headers[name] = value
    if status == 429:
        made.headers.setdefault("Retry-After", "60")
    return made


def _invalid(error: ValidationError) -> Response:
    found = [
        PartialProblem(where="/".join(str(part) for part in one["loc"]) or "body", problem=one["msg"])
        for one in error.errors(include_url=False, include_context=False, include_input=False)
    ]
    first = found[0]
    is_unreadable = any(one["type"] == "json_invalid" for one in error.errors(include_url=False, include_context=False))
    told = InspectError(first.where, first.problem, _REMEDIES[400])
    return _told(400 if is_unreadable else 422, told, tuple(found))


def _told(status: int, error: InspectError, errors: tuple[PartialProblem, ...] = ()) -> Response:
    problem = Problem(
        title=HTTPStatus(status).phrase,
        status=status,
        detail=str(error),
        where=error.where,
        problem=error.problem,
        remedy=error.remedy,
        errors=list(errors),
    )
    values: dict[str, Any] = problem.model_dump(mode="json", exclude_defaults=not errors)
    values["type"] = problem.type
    made = Response(json.dumps(values, ensure_ascii=True), status=status, mimetype=MEDIA_TYPE)
    made.headers["Cache-Control"] = "no-store"
    if status == 401:
        made.headers["WWW-Authenticate"] = 'Bearer realm="inspect-app"'
    return made
