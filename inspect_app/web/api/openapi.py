"""The description of the interface in OpenAPI 3.1, made from its operations and their models.

Pydantic writes JSON Schema 2020-12, which is what OpenAPI 3.1 takes as it is; so little is left to write that a library
would bring more rules than it saves (see DEVELOPERS).
"""

import re
from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any, Final

from pydantic.json_schema import models_json_schema

from inspect_app import __version__
from inspect_app.web.api.asked import LARGEST_KEY
from inspect_app.web.api.operation import Operation
from inspect_app.web.api.problems import MEDIA_TYPE, Problem
from inspect_app.web.api.repeating import HEADER, KEY_PATTERN

_REF: Final = "#/components/schemas/{model}"
_PLACE: Final = re.compile(r"<(\w+):(\w+)>")
_KINDS: Final[Mapping[str, Mapping[str, Any]]] = {
    "key": {"type": "integer", "minimum": 1, "maximum": LARGEST_KEY},
    "name": {"type": "string", "pattern": r"^[^/\x00-\x1f\x7f]+$", "minLength": 1, "maxLength": 200},
    "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
}
_OF_ALL: Final = (400, 401, 403, 406, 429)
_OF_POST: Final = (404, 413, 415, 422)
_TEXT: Final = {"type": "string"}


def describe(operations: Iterable[Operation], root: str) -> dict[str, Any]:
    """Return the description of operations whose paths lie below a root."""
    listed = tuple(operations)
    names, schemas = _schemas(listed)
    paths: dict[str, dict[str, Any]] = {}
    for operation in listed:
        path = root + _PLACE.sub(r"{\2}", operation.path)
        paths.setdefault(path, {})[operation.method.lower()] = _operation(operation, names)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "inspect-app",
            "version": __version__,
            "description": "Acceptance inspection of low-light imaging equipment: read the record, receive, inspect.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{"token": []}],
    }


def _schemas(operations: Iterable[Operation]) -> tuple[Mapping[Any, str], dict[str, Any]]:
    models: dict[Any, None] = {(Problem, "serialization"): None}
    for operation in operations:
        if operation.answer is not None:
            models[(operation.answer, "serialization")] = None
        if operation.body is not None:
            models[(operation.body, "validation")] = None
    found, top = models_json_schema(list(models), ref_template=_REF)
    names = {key[0]: value["$ref"].rpartition("/")[2] for key, value in found.items()}
    return names, top.get("$defs", {})


def _operation(operation: Operation, names: Mapping[Any, str]) -> dict[str, Any]:
    described: dict[str, Any] = {
        "operationId": operation.name,
        "summary": operation.summary,
        "description": f"The token needs the scope `{operation.scope.value}`.",
        "parameters": [*_in_path(operation), *_in_query(operation), *_in_headers(operation)],
        "responses": _responses(operation, names),
    }
    if operation.is_post:
        described["requestBody"] = {"required": True, "content": {operation.takes: _body(operation, names)}}
    return described


def _in_path(operation: Operation) -> Iterable[dict[str, Any]]:
    for kind, name in _PLACE.findall(operation.path):
        yield {"name": name, "in": "path", "required": True, "schema": dict(_KINDS[kind])}


def _in_query(operation: Operation) -> Iterable[dict[str, Any]]:
    schema = operation.query.model_json_schema(mode="validation")
    for name, of in schema.get("properties", {}).items():
        is_needed = name in schema.get("required", ())
        plain = dict(of)
        parameter = {"name": name, "in": "query", "required": is_needed, "description": plain.pop("description", "")}
        branches = [one for one in plain.pop("anyOf", []) if one != {"type": "null"}]
        plain.pop("default", None) if branches else None
        yield {**parameter, "schema": {**plain, **(branches[0] if branches else {})}}


def _in_headers(operation: Operation) -> Iterable[dict[str, Any]]:
    if operation.is_post:
        yield {
            "name": HEADER,
            "in": "header",
            "required": True,
            "description": "New for each request; the same request under it again is answered alike and done once.",
            "schema": {"type": "string", "pattern": KEY_PATTERN},
        }
    if 412 in operation.statuses:
        yield {"name": "If-Match", "in": "header", "required": False, "schema": _TEXT}
    if not operation.is_post:
        yield {"name": "If-None-Match", "in": "header", "required": False, "schema": _TEXT}


def _body(operation: Operation, names: Mapping[Any, str]) -> dict[str, Any]:
    if operation.body is None:
        return {"schema": {"type": "string", "format": "binary"}}
    return {"schema": {"$ref": _REF.format(model=names[operation.body])}}


def _responses(operation: Operation, names: Mapping[Any, str]) -> dict[str, Any]:
    if operation.answer is None:
        content: dict[str, Any] = {operation.media_type: {"schema": {"type": "string", "format": "binary"}}}
    else:
        content = {operation.media_type: {"schema": {"$ref": _REF.format(model=names[operation.answer])}}}
    headers = {"ETag": {"description": "Changes with the answer", "schema": _TEXT}}
    if operation.name.startswith("list_"):
        headers["Link"] = {"description": "Leads to the next part (RFC 8288)", "schema": _TEXT}
    if operation.is_post:
        headers["Location"] = {"description": "Where what was made is read", "schema": _TEXT}
    good = "201" if operation.is_post else "200"
    told: dict[str, Any] = {good: {"description": HTTPStatus(int(good)).phrase, "headers": headers, "content": content}}
    if not operation.is_post:
        told["304"] = {"description": "What you have still holds"}
    refused = {"schema": {"$ref": _REF.format(model="Problem")}}
    for status in _refusals(operation):
        told[str(status)] = {"description": HTTPStatus(status).phrase, "content": {MEDIA_TYPE: refused}}
    return told


def _refusals(operation: Operation) -> list[int]:
    of_path = (404,) if "<" in operation.path else ()
    return sorted({*_OF_ALL, *of_path, *operation.statuses, 422, *(_OF_POST if operation.is_post else ())})
