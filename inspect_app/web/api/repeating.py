"""A POST sent twice under one Idempotency-Key is done once and answered twice alike.

After draft-ietf-httpapi-idempotency-key-header: the key is the program's choice, and another request under it is
refused. Only what was done is kept: a refused request may be put right and sent again under the same key.
"""

import hashlib
import re
import tempfile
from collections.abc import Callable
from typing import BinaryIO, Final, cast

from flask import Response, g, request

from inspect_app import workflow
from inspect_app.model import AnsweredRequest
from inspect_app.web.api import bearer
from inspect_app.web.api.operation import Made, text_response
from inspect_app.web.api.problems import Refused

HEADER: Final = "Idempotency-Key"
KEY_PATTERN: Final = "^[!-~]{1,200}$"
_CHUNK: Final = 1 << 20
_IN_MEMORY: Final = 8 << 20


def once(act: Callable[[], Made]) -> Response:
    """Answer a POST: by what was answered before under its key, or by doing it."""
    key = request.headers.get(HEADER, "")
    if not re.match(KEY_PATTERN, key):
        raise Refused(400, HEADER, "it is missing or cannot be used", "Send 1 to 200 visible characters, new for each.")
    digest = _request_digest()
    before = workflow.answered_before(bearer.place(), bearer.token(), key, digest)
    if before is not None:
        return _response(before, is_repeated=True)
    made = act()
    answer = AnsweredRequest(
        request_digest=digest, status=201, location=made.location, body=made.answer.model_dump_json()
    )
    counts = workflow.keep_answer(bearer.place(), bearer.token(), key, answer)
    return _response(counts, is_repeated=counts is not answer)


def _response(answer: AnsweredRequest, *, is_repeated: bool) -> Response:
    response = text_response(answer.body, answer.status)
    if answer.location is not None:
        response.headers["Location"] = answer.location
    if is_repeated:
        response.headers["Idempotency-Replayed"] = "true"
    return response


def _request_digest() -> str:
    """Return the digest of address and body."""
    digest = hashlib.sha256(f"{request.method} {request.full_path}\n".encode())
    body = sent_bytes()
    while chunk := body.read(_CHUNK):
        digest.update(chunk)
    body.seek(0)
    return digest.hexdigest()


def sent_bytes() -> BinaryIO:
    """Return the body from its beginning; a large one waits in a temporary file."""
    if "sent_bytes" not in g:
        kept = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115 (closed when the request is over)
        g.sent_bytes = kept
        while chunk := request.stream.read(_CHUNK):
            kept.write(chunk)
    body = cast(BinaryIO, g.sent_bytes)
    body.seek(0)
    return body


def let_go() -> None:
    """Close the body of the request at hand."""
    if "sent_bytes" in g:
        g.pop("sent_bytes").close()
