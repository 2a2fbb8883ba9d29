"""Files in parts over HTTP, by the tus resumable upload protocol 1.0.0: core, creation, expiration and termination.

The published protocol is at tus.io/protocols/resumable-upload. The last part carries the digest of the whole file
(`Repr-Digest`, RFC 9530), and so does every answer on a file that was kept. A part reaches us when all of it has come:
what a broken connection loses is the part that was under way.
"""

import base64
import binascii
from collections.abc import Callable
from email.utils import format_datetime
from typing import Any, BinaryIO, Final, cast

from flask import Blueprint, Response, request, url_for

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.web import here
from inspect_app.workflow import PARTS_WAIT, PartialFile, Sender

_VERSION: Final = "1.0.0"
_PART: Final = "application/offset+octet-stream"
_SAYS: Final = {"Tus-Resumable": _VERSION}
_OPTIONS: Final = {"Tus-Version": _VERSION, "Tus-Extension": "creation,expiration,termination"}
SenderOf = Callable[..., Sender]
"""Says who sends, of the arguments in the address."""


def add_uploads(bp: Blueprint, rule: str, sender_of: SenderOf) -> None:
    """Let a blueprint take files in parts at an address, from whom `sender_of` admits."""

    def begin(**where: Any) -> Response:
        if request.method == "OPTIONS":
            return Response(status=204, headers=_OPTIONS)
        if wrong := _wrong_version():
            return wrong
        length = _number("Upload-Length", request.headers.get("Upload-Length"))
        begun = workflow.begin_upload(here.workplace(), sender_of(**where), _name(), length)
        response = _answer(201, begun)
        response.headers["Location"] = url_for(".upload", **{"key": begun.key, **where})
        return response

    def part(key: str, **where: Any) -> Response:
        if wrong := _wrong_version():
            return wrong
        place, sender = here.workplace(), sender_of(**where)
        if request.method == "HEAD":
            return _answer(200, workflow.upload_so_far(place, sender, key))
        if request.method == "DELETE":
            workflow.drop_upload(place, sender, key)
            return Response(status=204, headers=_SAYS)
        if request.mimetype != _PART:
            return Response(status=415, headers=_SAYS)
        offset = _number("Upload-Offset", request.headers.get("Upload-Offset"))
        stream = cast(BinaryIO, request.stream)
        return _answer(204, workflow.add_to_upload(place, sender, key, offset, stream, _digest()))

    bp.add_url_rule(rule, "begin_upload", begin, methods=["POST", "OPTIONS"], provide_automatic_options=False)
    bp.add_url_rule(f"{rule}/<key>", "upload", part, methods=["HEAD", "PATCH", "DELETE"])


def _answer(status: int, known: PartialFile) -> Response:
    headers = {
        **_SAYS,
        "Upload-Offset": str(known.received_bytes),
        "Upload-Length": str(known.size_bytes),
        "Cache-Control": "no-store",
    }
    if known.touched_at is not None:
        headers["Upload-Expires"] = format_datetime(known.touched_at + PARTS_WAIT, usegmt=True)
    if known.kept_sha256 is not None:
        encoded = base64.b64encode(bytes.fromhex(known.kept_sha256)).decode()
        headers["Repr-Digest"] = f"sha-256=:{encoded}:"
    return Response(status=status, headers=headers)


def _wrong_version() -> Response | None:
    if request.headers.get("Tus-Resumable") == _VERSION:
        return None
    return Response(status=412, headers={**_SAYS, "Tus-Version": _VERSION})


def _number(where: str, text: str | None) -> int:
    if text is None or not text.isdecimal() or len(text) > 15:
        raise UnusableInput(where, f"it is {(text or 'missing')[:40]}", "Give a number of bytes.")
    return int(text)


def _name() -> str:
    """Return the name of the file out of the metadata: pairs of a key and a text in base64, between commas."""
    pairs = (pair.strip().partition(" ") for pair in request.headers.get("Upload-Metadata", "").split(","))
    encoded = next((value for key, _, value in pairs if key == "filename"), "")
    try:
        return base64.b64decode(encoded, validate=True).decode("utf-8")
    except (binascii.Error, UnicodeDecodeError) as error:
        raise UnusableInput("filename", "it is not UTF-8 in base64", "Name the file in Upload-Metadata.") from error


def _digest() -> str | None:
    """Return the SHA-256 that the sender says the whole file has; other algorithms are passed over."""
    for part in request.headers.get("Repr-Digest", "").split(","):
        name, _, value = part.strip().partition("=")
        if name.lower() == "sha-256":
            try:
                return base64.b64decode(value.strip(":"), validate=True).hex()
            except binascii.Error as error:
                raise UnusableInput("Repr-Digest", "it is not base64", "Send it as RFC 9530 says.") from error
    return None
