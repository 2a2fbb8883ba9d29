"""Evidence for a browser: kept bytes as a download that cannot run, and small previews."""

import hashlib
from collections.abc import Callable, Mapping
from typing import Final

from flask import Blueprint, Response, make_response, request, send_file
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Evidence
from inspect_app.web import here

bp = Blueprint("evidence", __name__, url_prefix="/evidence")

# What a browser may be told a kept file is; anything else is bytes. Only these pictures open in the page.
_TYPES: Final = (
    "application/pdf",
    "image/jpeg",
    "image/png",
    "image/tiff",
    "text/csv",
    "video/mp4",
    "video/quicktime",
    "video/x-matroska",
    "video/x-msvideo",
)
_SHOWN_IN_PLACE: Final = ("image/jpeg", "image/png")
_SANDBOX: Final[Mapping[str, str]] = {
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'; sandbox",
    "Cache-Control": "private, max-age=31536000, immutable",
}


@bp.get("/<int:inspection_id>/<sha256>")
def file(inspection_id: int, sha256: str) -> ResponseReturnValue:
    """Send a kept file, under the name that it had at the bench."""
    kept = _kept(inspection_id, sha256)
    media_type = kept.media_type if kept.media_type in _TYPES else "application/octet-stream"
    response = send_file(
        workflow.open_evidence(here.workplace(), sha256),
        mimetype=media_type,
        as_attachment=media_type not in _SHOWN_IN_PLACE,
        download_name=kept.name,
        etag=sha256,
        conditional=True,
    )
    response.headers.update(_SANDBOX)
    return response


@bp.get("/<int:inspection_id>/<sha256>/preview.png")
def preview(inspection_id: int, sha256: str) -> ResponseReturnValue:
    """Send a small picture of a kept file."""
    _kept(inspection_id, sha256)
    return _picture(f"preview {sha256}", lambda: workflow.evidence_preview(here.workplace(), sha256))


@bp.get("/waiting/<sha256>/preview.png")
@here.allowed_to("inspect")
def waiting(sha256: str) -> ResponseReturnValue:
    """Send a small picture of a kept file that does not belong to a step yet."""
    return _picture(f"preview {sha256}", lambda: workflow.evidence_preview(here.workplace(), sha256))


@bp.get("/<int:inspection_id>/<sha256>/picture.png")
def picture(inspection_id: int, sha256: str) -> ResponseReturnValue:
    """Send a picture of a kept file that is large enough to point at details."""
    _kept(inspection_id, sha256)
    return _picture(f"picture {sha256}", lambda: workflow.evidence_preview(here.workplace(), sha256, large=True))


@bp.get("/<int:inspection_id>/<sha256>/frame/<int:number>.png")
def frame(inspection_id: int, sha256: str, number: int) -> ResponseReturnValue:
    """Send one frame of a kept film."""
    _kept(inspection_id, sha256)

    def made() -> bytes | None:
        found = workflow.evidence_frame(here.workplace(), sha256, number)
        return None if found is None else found.png

    return _picture(f"frame {number} {sha256}", made)


def _picture(name: str, make: Callable[[], bytes | None]) -> ResponseReturnValue:
    """Send a picture that never changes, so that the browser need not ask again."""
    tag = hashlib.sha256(name.encode()).hexdigest()[:32]
    if request.if_none_match.contains(tag):
        return _cached(make_response(b"", 304), tag)
    png = make()
    if png is None:
        raise NotFound("preview", "this file holds no picture that can be shown", "Download the file itself.")
    response = make_response(png)
    response.mimetype = "image/png"
    return _cached(response, tag)


def _cached(response: Response, tag: str) -> Response:
    response.set_etag(tag)
    response.headers.update(_SANDBOX)
    return response


def _kept(inspection_id: int, sha256: str) -> Evidence:
    """Return the evidence of an inspection, whichever revision of a step it came with."""
    place = here.workplace()
    inspection = workflow.inspection(place, inspection_id)
    newest = [file for entry in inspection.entries.values() for file in entry.evidence]
    for file in newest:
        if file.sha256 == sha256:
            return file
    for step_id in inspection.entries:
        for entry in workflow.entry_history(place, inspection_id, step_id):
            for file in entry.evidence:
                if file.sha256 == sha256:
                    return file
    raise NotFound(sha256[:12], "no such file is kept with this inspection", "Open it from the device's history.")
