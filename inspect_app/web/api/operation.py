"""One operation of the interface: declared once, from which come its route, its checks and its description."""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final

from flask import Response, request
from pydantic import BaseModel, ValidationError
from werkzeug.exceptions import NotAcceptable, UnsupportedMediaType

from inspect_app.model import Scope
from inspect_app.web.api.asked import Asked, Nothing
from inspect_app.web.api.problems import Invalid, Refused

JSON: Final = "application/json"
BYTES: Final = "application/octet-stream"
LARGEST_JSON_BYTES: Final = 4 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """A request that passed every check, as an operation sees it: what stands in the path, the query and the body."""

    path: Mapping[str, Any]
    query: Any
    body: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a POST gives: the answer, and the address of what was made."""

    answer: BaseModel
    location: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One method at one path.

    Parameters
    ----------
    name : str
        Unique; the endpoint and the operationId.
    path : str
        Flask rule below /api/v1.
    summary : str
        One line for the description.
    act : callable
        Does it: takes the `Call`, returns an answer model, for a POST a `Made`, for bytes a response.
    answer : type or None
        Model of the answer; None for bytes of `media_type`.
    scope : Scope
        What the token must permit.
    query, body : type
        Models of the query and of the body; a POST whose `body` is None takes bytes.
    statuses : tuple of int
        What else it may answer, besides what every operation may.
    """

    name: str
    path: str
    summary: str
    act: Callable[[Call], Any]
    answer: type[BaseModel] | None = None
    scope: Scope = Scope.READ
    method: str = "GET"
    query: type[Asked] = Nothing
    body: type[Asked] | None = None
    media_type: str = JSON
    statuses: tuple[int, ...] = field(default=())

    @property
    def is_post(self) -> bool:
        """Whether it changes the record."""
        return self.method == "POST"

    @property
    def takes(self) -> str:
        """Media type of the body of a POST."""
        return JSON if self.body is not None else BYTES


def prove_acceptable(operation: Operation) -> None:
    """See that who asks takes what is answered."""
    accepted = request.accept_mimetypes
    if "Accept" in request.headers and accepted.best_match([operation.media_type]) is None:
        raise NotAcceptable


def query_of(operation: Operation) -> Asked:
    """Return the query; a name that is none, or twice, is refused."""
    values: dict[str, Any] = {}
    for name, given in request.args.lists():
        if len(given) > 1:
            raise Refused(422, name, "it is given twice", "Give it once.")
        values[name] = given[0]
    try:
        return operation.query.model_validate(values)
    except ValidationError as error:
        raise Invalid(error) from error


def prove_media_type(operation: Operation) -> None:
    """See that a body is of the type that is taken; JSON is never as long as a film."""
    if request.mimetype != operation.takes:
        raise UnsupportedMediaType
    if operation.takes == JSON:
        request.max_content_length = LARGEST_JSON_BYTES


def json_body(operation: Operation, body: BinaryIO) -> Asked | None:
    """Return what was sent, read by its model; None for an operation that takes bytes."""
    if operation.body is None:
        return None
    try:
        return operation.body.model_validate_json(body.read())
    except ValidationError as error:
        raise Invalid(error) from error


def json_response(answer: BaseModel, status: int = 200) -> Response:
    """Return an answer as JSON with a strong entity tag."""
    return text_response(answer.model_dump_json(), status)


def text_response(body: str, status: int) -> Response:
    """Return JSON text that was made before, with a strong entity tag."""
    made = Response(body, status=status, mimetype=JSON)
    made.set_etag(etag_of(body))
    return made


def etag_of(body: str) -> str:
    """Return the entity tag of a body."""
    return hashlib.sha256(body.encode()).hexdigest()[:32]


def revalidated(response: Response) -> Response:
    """Let who keeps an answer ask whether it still holds, in place of having it sent again."""
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Authorization, Accept"
    response.make_conditional(request)
    return response
