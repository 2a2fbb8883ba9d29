"""The end of an inspection: the review of all that was recorded, the signature, and taking a held device up again."""

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import PasswordField, TextAreaField

from inspect_app import workflow
from inspect_app.documents.why import why as walk_of
from inspect_app.errors import InspectError, NotAllowed, NotFound
from inspect_app.model import Document, Inspection, Outcome
from inspect_app.web import here, shown
from inspect_app.web.fields import PageForm, SerialField, needed
from inspect_app.web.rail import rail

bp = Blueprint("inspections", __name__, url_prefix="/inspections")


class SignForm(PageForm):
    """Who signs proves it, and proves which device is meant."""

    serial_again = SerialField("Scan the serial again", needed("Scan or type the serial of this device."))
    password = PasswordField("Your password", needed("Enter your password."))
    remark = TextAreaField("Remark", description="Printed on the document")


class ApproveForm(PageForm):
    """Who approves proves it."""

    password = PasswordField("Your password", needed("Enter your password."))


class ReopenForm(PageForm):
    """Why an inspection is taken up again."""

    reason = TextAreaField("Why is it taken up again?", needed("Write why it is taken up again."))


@bp.get("/<int:inspection_id>")
def review(inspection_id: int) -> str:
    """Show every step, every judgement and the verdict."""
    return _review(workflow.inspection(here.workplace(), inspection_id), ReopenForm(formdata=None))


@bp.get("/<int:inspection_id>/why/<int:place>")
def why(inspection_id: int, place: int) -> str:
    """Show why one judgement is what it is, from capture to verdict; they are counted from 1 in contract order."""
    inspection = workflow.inspection(here.workplace(), inspection_id)
    judgements = workflow.judge_inspection(here.workplace(), inspection).judgements
    if not 1 <= place <= len(judgements):
        raise NotFound(f"judgement {place}", "the inspection has no such judgement", "Choose one on its review.")
    walk = walk_of(
        judgements[place - 1],
        workflow.form_of(here.workplace(), inspection),
        workflow.contract_of(here.workplace(), inspection),
        inspection,
    )
    (row,) = shown.judgements([judgements[place - 1]])
    return render_template(
        "inspections/why.html", inspection=inspection, walk=walk, row=row, place=place, total=len(judgements)
    )


@bp.route("/<int:inspection_id>/sign", methods=["GET", "POST"])
@here.allowed_to("inspect")
def sign(inspection_id: int) -> ResponseReturnValue:
    """Ask for password and serial, sign, and issue the document where the settings let the inspector."""
    inspection = workflow.inspection(here.workplace(), inspection_id)
    form = SignForm()
    if not form.validate_on_submit():
        return _sign_page(inspection, form), 422 if form.has_errors else 200
    try:
        signature = workflow.conclude(
            here.workplace(),
            here.person(),
            inspection_id,
            form.password.data,
            form.serial_again.data,
            (form.remark.data or "").strip(),
        )
    except InspectError as error:
        form.refuse(error, _field_of(error))
        return _sign_page(inspection, form), 422
    return _after(inspection, signature.outcome)


@bp.post("/<int:inspection_id>/approve")
def approve(inspection_id: int) -> ResponseReturnValue:
    """Ask the approver for the password, and issue the document."""
    inspection = workflow.inspection(here.workplace(), inspection_id)
    here.prove_may_issue(inspection)
    form = ApproveForm()
    if form.validate():
        document = form.accept(
            lambda: workflow.approve(here.workplace(), here.person(), inspection_id, form.password.data),
            field="password",
        )
        if document is not None:
            return _to_document(document, "Approved.")
    return _review(inspection, ReopenForm(formdata=None), form), 422


@bp.post("/<int:inspection_id>/reopen")
@here.allowed_to("inspect")
def reopen(inspection_id: int) -> ResponseReturnValue:
    """Take a held device up again."""
    form = ReopenForm()
    if form.validate():
        taken_up = form.accept(
            lambda: workflow.reopen(here.workplace(), here.person(), inspection_id, form.reason.data), field="reason"
        )
        if taken_up is not None:
            return redirect(url_for("bench.go_on", inspection_id=taken_up.id), 303)
    return _review(workflow.inspection(here.workplace(), inspection_id), form), 422


def _after(inspection: Inspection, outcome: Outcome) -> ResponseReturnValue:
    if outcome is Outcome.HELD:
        flash("Signed. The device is held; there is no document until it is taken up again and decided.")
        return redirect(url_for("inspections.review", inspection_id=inspection.id), 303)
    if not workflow.may_issue(here.workplace(), here.person(), workflow.inspection(here.workplace(), inspection.id)):
        flash("Signed. Its document waits for an approver.")
        return redirect(url_for("inspections.review", inspection_id=inspection.id), 303)
    return _to_document(workflow.issue_document(here.workplace(), here.person(), inspection.id), "Signed.")


def _to_document(document: Document, done: str) -> ResponseReturnValue:
    flash(f"{done} The {document.kind} {document.number} is issued.")
    return redirect(url_for("documents.page", number=document.number), 303)


def _field_of(error: InspectError) -> str | None:
    where = error.where.casefold()
    if "password" in where or (isinstance(error, NotAllowed) and "password" in error.problem):
        return "password"
    return "serial_again" if "serial" in where else None


def _review(inspection: Inspection, form: ReopenForm, approval: ApproveForm | None = None) -> str:
    place = here.workplace()
    document = workflow.document_of(place, inspection.id)
    procedure = workflow.form_of(place, inspection)
    assessment = workflow.judge_inspection(place, inspection)
    return render_template(
        "inspections/review.html",
        inspection=inspection,
        procedure=procedure,
        contract=workflow.contract_of(place, inspection),
        judgements=shown.judgements(assessment.judgements),
        verdict=assessment.verdict,
        deciding=shown.deciding(assessment.verdict),
        steps=shown.steps(procedure, inspection),
        rail=rail(inspection, procedure),
        unanswered=workflow.unanswered_steps(place, inspection),
        document=document,
        waits=workflow.awaits_document(place, inspection),
        approval=(approval or ApproveForm(formdata=None))
        if workflow.may_issue(place, here.person(), inspection)
        else None,
        nonconformities=workflow.nonconformities_of(place, inspection.id),
        form=form,
    )


def _sign_page(inspection: Inspection, form: SignForm) -> str:
    place = here.workplace()
    assessment = workflow.judge_inspection(place, inspection)
    return render_template(
        "inspections/sign.html",
        inspection=inspection,
        contract=workflow.contract_of(place, inspection),
        verdict=assessment.verdict,
        deciding=shown.deciding(assessment.verdict),
        unanswered=workflow.unanswered_steps(place, inspection),
        issues_at_once=place.settings.is_self_approved,
        form=form,
    )
