"""Documents: the list, one by its number with its end, its kept bytes, and the proof of a file or of a printed one."""

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import PasswordField, StringField, TextAreaField

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.model import AboutInspection, Document
from inspect_app.web import here, reports, shown
from inspect_app.web.fields import PageForm, needed
from inspect_app.web.typed import without_control_characters

bp = Blueprint("documents", __name__, url_prefix="/documents")


class EndForm(PageForm):
    """Why a document stands no longer, and the proof of who says so."""

    reason = TextAreaField(
        "Reason", needed("Write why it stands no longer."), description="Shown under its number for good"
    )
    password = PasswordField("Your password", needed("Enter your password."))


class VerifyForm(PageForm):
    """What is to be proved: a file, or what the QR code of a printed document says."""

    file = FileField("File of the document", description="PDF, just as it was issued")
    text = StringField("Number, or the text of its QR code", description="Like C-2026-0001")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    """What was proved, and the document that it is about where the record knows it."""

    name: str
    lines: tuple[workflow.ProofLine, ...]
    document: Document | None = None

    @property
    def holds(self) -> bool:
        """Whether no proof failed."""
        return all(line.holds is not False for line in self.lines)


@bp.get("/")
def index() -> str:
    """List page by page what waits for an approver, and what was issued, newest first."""
    place = here.workplace()
    text = without_control_characters(request.args.get("find", "")).strip()
    found = workflow.document_page(place, text, request.args.get("page", default=1, type=int))
    waiting = workflow.awaited_page(place, request.args.get("waiting", default=1, type=int))
    return render_template("documents/index.html", found=found, text=text, waiting=waiting)


@bp.get("/<number>")
def page(number: str) -> str:
    """Show what a document says and whether it stands, and lead to its bytes."""
    return _page(workflow.document(here.workplace(), number), EndForm(formdata=None))


def _page(document: Document, form: EndForm) -> str:
    place = here.workplace()
    ending = form if workflow.may_end(place, here.person(), document) else None
    if not isinstance(document.about, AboutInspection):
        return render_template(
            "documents/report_page.html",
            document=document,
            subject=workflow.report_subject(place, document.about),
            again=reports.address(document.about),
            form=ending,
        )
    inspection = workflow.inspection(place, document.about.inspection_id)
    assessment = workflow.judge_inspection(place, inspection)
    return render_template(
        "documents/page.html",
        document=document,
        inspection=inspection,
        verdict=assessment.verdict,
        deciding=shown.deciding(assessment.verdict),
        judgements=shown.judgements(assessment.judgements),
        form=ending,
    )


@bp.post("/<number>/<any(supersede, revoke):act>")
def end(number: str, act: str) -> ResponseReturnValue:
    """Supersede a document by one made anew, or revoke it; either asks for a reason and the password."""
    place = here.workplace()
    document = workflow.document(place, number)
    here.prove_may_end(document)
    form = EndForm()
    ending = workflow.supersede_document if act == "supersede" else workflow.revoke_document
    ended = None
    if form.validate_on_submit():
        ended = form.accept(lambda: _ended_by(ending, document.number, form), field="password")
    if ended is None:
        return _page(document, form), 422
    told = f"superseded by {ended.number}" if act == "supersede" else "revoked"
    flash(f"{document.number} is {told}.")
    return redirect(url_for("documents.page", number=ended.number), 303)


def _ended_by(ending: workflow.Ending, number: str, form: EndForm) -> Document:
    workflow.prove_password(here.workplace(), here.person(), form.password.data)
    return ending(here.workplace(), here.person(), number, form.reason.data)


@bp.route("/verify", methods=["GET", "POST"])
def verify() -> ResponseReturnValue:
    """Prove an uploaded file, or a printed document by its QR code; a scanned code may lead here by itself."""
    form = VerifyForm(request.args) if request.args else VerifyForm()
    asks = (request.method == "POST" and form.validate()) or bool(request.args)
    field = "file" if request.files.get("file") else "text"
    proved = form.accept(lambda: _proved(form), field) if asks else None
    return render_template("documents/verify.html", form=form, proved=proved), 422 if form.has_errors else 200


def _proved(form: VerifyForm) -> Proved:
    upload = request.files.get("file")
    if upload is not None and upload.filename:
        content = upload.read()
        return Proved(name=upload.filename, lines=workflow.prove_file(here.workplace(), upload.filename, content))
    text = form.text.data or ""
    if not text.strip():
        raise UnusableInput("text", "it is empty", "Choose a file, or type or scan the number.")
    document, lines = workflow.prove_number(here.workplace(), text)
    return Proved(name=document.number, lines=lines, document=document)


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
