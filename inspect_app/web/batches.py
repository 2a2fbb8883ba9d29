"""The documents of a whole lot: ordered, watched, cancelled, gone on with, and taken away together."""

import io

from flask import Blueprint, flash, jsonify, redirect, render_template, send_file, url_for
from flask.typing import ResponseReturnValue
from wtforms import PasswordField

from inspect_app import workflow
from inspect_app.errors import NotAllowed
from inspect_app.web import here
from inspect_app.web.fields import PageForm, needed

bp = Blueprint("batches", __name__, url_prefix="/lots/<int:lot_id>/documents")


class OrderForm(PageForm):
    """Who approves the whole lot proves it."""

    password = PasswordField("Your password", needed("Enter your password."))


@bp.get("/")
def page(lot_id: int) -> str:
    """Show what waits for its document, how far the batch is, and what there is to take away."""
    return _page(lot_id, OrderForm(formdata=None))


@bp.get("/progress")
def progress(lot_id: int) -> ResponseReturnValue:
    """Tell how far the batch is, for the script of the page."""
    batch = workflow.batch(here.workplace(), lot_id)
    if batch is None:
        return jsonify(done=0, total=0, words="", under_way=False)
    words = f"{batch.done} of {batch.total} documents, {batch.state}"
    return jsonify(done=batch.done, total=batch.total, words=words, under_way=batch.is_under_way)


@bp.post("/order")
def order(lot_id: int) -> ResponseReturnValue:
    """Order the documents of all signed devices of the lot."""
    _prove_may_approve()
    form = OrderForm()
    if form.validate():
        ordered = form.accept(
            lambda: workflow.order_batch(here.workplace(), here.person(), lot_id, form.password.data), field="password"
        )
        if ordered is not None:
            return redirect(url_for("batches.page", lot_id=lot_id), 303)
    return _page(lot_id, form), 422


@bp.post("/cancel")
def cancel(lot_id: int) -> ResponseReturnValue:
    """Stop the batch after the documents that are being made."""
    _prove_may_approve()
    workflow.cancel_batch(here.workplace(), here.person(), lot_id)
    flash("Cancelled. What was issued stays issued.")
    return redirect(url_for("batches.page", lot_id=lot_id), 303)


@bp.get("/documents.zip")
def archive(lot_id: int) -> ResponseReturnValue:
    """Send all documents of the lot as they were issued."""
    number = workflow.lot(here.workplace(), lot_id).lot.number
    packed = workflow.zipped_lot(here.workplace(), lot_id)
    return send_file(io.BytesIO(packed), "application/zip", as_attachment=True, download_name=f"{number}.zip")


@bp.get("/documents.pdf")
def merged(lot_id: int) -> ResponseReturnValue:
    """Send all documents of the lot as one file to be read or printed."""
    number = workflow.lot(here.workplace(), lot_id).lot.number
    pages = workflow.merged_lot(here.workplace(), lot_id)
    return send_file(io.BytesIO(pages), "application/pdf", as_attachment=True, download_name=f"{number}.pdf")


def _page(lot_id: int, form: OrderForm) -> str:
    place = here.workplace()
    return render_template(
        "documents/lot.html",
        lot=workflow.lot(place, lot_id).lot,
        waiting=workflow.awaiting_documents(place, lot_id),
        issued=workflow.documents_of_lot(place, lot_id),
        batch=workflow.batch(place, lot_id),
        form=form if here.is_allowed(workflow.act_of_approval(place)) else None,
    )


def _prove_may_approve() -> None:
    if not here.is_allowed(workflow.act_of_approval(here.workplace())):
        raise NotAllowed("this page", f"your account ({here.person().role}) does not permit it", "Ask an approver.")
