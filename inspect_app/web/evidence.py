"""Evidence for a browser: kept bytes as a download that cannot run, and small previews."""

import hashlib
from collections.abc import Mapping
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
    """Send a small picture of a kept file; it never changes, so the browser need not ask again."""
    _kept(inspection_id, sha256)
    if request.if_none_match.contains(_preview_tag(sha256)):
        return _cached(make_response(b"", 304), sha256)
    png = workflow.evidence_preview(here.workplace(), sha256)
    if png is None:
        raise NotFound("preview", "this file holds no picture that can be shown", "Download the file itself.")
    response = make_response(png)
    response.mimetype = "image/png"
    return _cached(response, sha256)


def _cached(response: Response, sha256: str) -> Response:
    response.set_etag(_preview_tag(sha256))
    response.headers.update(_SANDBOX)
    return response


def _preview_tag(sha256: str) -> str:
    return hashlib.sha256(f"preview {sha256}".encode()).hexdigest()[:32]


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
