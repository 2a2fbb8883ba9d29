"""Issued documents: the list, one document by its number, and its kept bytes."""

from flask import Blueprint, render_template, request, send_file
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.web import here, shown

bp = Blueprint("documents", __name__, url_prefix="/documents")


@bp.get("/")
def index() -> str:
    """List what was issued, newest first."""
    return render_template("documents/index.html", issued=workflow.issued_documents(here.workplace()))


@bp.get("/<number>")
def page(number: str) -> str:
    """Show what a document says and lead to its bytes."""
    place = here.workplace()
    document = workflow.document(place, number)
    inspection = workflow.inspection(place, document.inspection_id)
    assessment = workflow.judge_inspection(place, inspection)
    return render_template(
        "documents/page.html",
        document=document,
        inspection=inspection,
        verdict=assessment.verdict,
        deciding=shown.deciding(assessment.verdict),
        judgements=shown.judgements(assessment.judgements),
    )


@bp.get("/<number>.pdf")
def pdf(number: str) -> ResponseReturnValue:
    """Send the kept bytes, to be read in the browser or, when asked, to be stored."""
    place = here.workplace()
    document = workflow.document(place, number)
    response = send_file(
        workflow.document_path(place, document),
        mimetype="application/pdf",
        as_attachment="download" in request.args,
        download_name=f"{document.number}.pdf",
        etag=document.sha256,
    )
    response.headers["Content-Security-Policy"] = "default-src 'none'; frame-ancestors 'none'"
    response.headers["Cache-Control"] = "private, no-cache"
    return response
