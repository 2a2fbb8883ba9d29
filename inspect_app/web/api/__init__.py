"""The interface for other programs under /api/v1: JSON, by token; the same acts as those of the pages.

An operation is declared once (`reading`, `searching`, `writing`); its route, its checks and its description in OpenAPI
come from it.
"""

from collections.abc import Callable
from typing import Any, Final

from flask import Blueprint, Flask, Response, jsonify
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from flask_wtf.csrf import CSRFProtect
from werkzeug.routing import BaseConverter, IntegerConverter

from inspect_app.web.api import bearer, problems, reading, repeating, searching, writing
from inspect_app.web.api.asked import LARGEST_KEY
from inspect_app.web.api.openapi import describe
from inspect_app.web.api.operation import (
    Call,
    Operation,
    json_body,
    json_response,
    prove_acceptable,
    prove_media_type,
    query_of,
    revalidated,
)

ROOT: Final = "/api/v1"
OPERATIONS: Final[tuple[Operation, ...]] = (*reading.OPERATIONS, *searching.OPERATIONS, *writing.OPERATIONS)


class _KeyConverter(IntegerConverter):
    """A key of the record."""

    def __init__(self, map_: Any) -> None:
        super().__init__(map_, min=1, max=LARGEST_KEY)


class _NameConverter(BaseConverter):
    """A number of a contract or document, or the name of a step: printable, without slashes."""

    regex = r"[^/\x00-\x1f\x7f]{1,200}"


class _DigestConverter(BaseConverter):
    """A SHA-256 in hexadecimal."""

    regex = "[0-9a-f]{64}"


def furnish(app: Flask, forgery: CSRFProtect) -> None:
    """Add the interface to the application; no cookie opens it, so that no forgery token is asked for."""
    app.url_map.converters.update(key=_KeyConverter, name=_NameConverter, sha256=_DigestConverter)
    forgery.exempt(bp)
    app.register_blueprint(bp)


def limit(limiter: Limiter) -> None:
    """Limit how often a token asks, and how often an address is refused for want of one."""
    limiter.limit(bearer.PER_PROGRAM, key_func=bearer.key_of_limit)(bp)
    limiter.limit(
        bearer.PER_ADDRESS_REFUSED, key_func=get_remote_address, deduct_when=lambda answer: answer.status_code == 401
    )(bp)


def _blueprint() -> Blueprint:
    blueprint = Blueprint("api", __name__, url_prefix=ROOT)
    blueprint.register_error_handler(Exception, problems.response_to)
    blueprint.teardown_request(lambda _error: repeating.let_go())
    blueprint.add_url_rule("/openapi.json", "openapi", _description, provide_automatic_options=False)
    for operation in OPERATIONS:
        blueprint.add_url_rule(
            operation.path,
            operation.name,
            _view(operation),
            methods=[operation.method],
            provide_automatic_options=False,
        )
    return blueprint


def _description() -> Response:
    """Send the description of the interface; it tells nothing of the record, so that it is open to all."""
    return jsonify(describe(OPERATIONS, ROOT))


def _view(operation: Operation) -> Callable[..., Response]:
    def view(**path: Any) -> Response:
        bearer.admit()
        bearer.prove_scope(operation.scope)
        prove_acceptable(operation)
        if operation.is_post:
            return _written(operation, path)
        return revalidated(_read(operation, path))

    return view


def _read(operation: Operation, path: dict[str, Any]) -> Response:
    answer = operation.act(Call(path=path, query=query_of(operation)))
    if isinstance(answer, Response):
        return answer
    response = json_response(answer)
    following = getattr(answer, "next", None)
    if following:
        response.headers["Link"] = f'<{following}>; rel="next"'
    return response


def _written(operation: Operation, path: dict[str, Any]) -> Response:
    prove_media_type(operation)
    query = query_of(operation)
    body = json_body(operation, repeating.sent_bytes())
    return repeating.once(lambda: operation.act(Call(path=path, query=query, body=body)))


bp: Final = _blueprint()
