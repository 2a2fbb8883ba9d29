"""Audit packs: ordered, watched, cancelled, taken away."""

from flask import Blueprint, flash, jsonify, redirect, render_template, send_file, url_for
from flask.typing import ResponseReturnValue
from wtforms import RadioField, StringField

from inspect_app import workflow
from inspect_app.web import here, shown
from inspect_app.web.fields import PageForm, chosen, needed
from inspect_app.workflow import PackKind, PackOrder

bp = Blueprint("packs", __name__, url_prefix="/packs")


class PackForm(PageForm):
    """What is to be packed."""

    kind = RadioField(
        "All that is known of",
        choices={PackKind.LOT: "a lot", PackKind.CONTRACT: "a contract", PackKind.SERIAL: "a serial"},
        default=PackKind.LOT,
        validate_choice=False,
    )
    name = StringField("Its number", needed("Enter the number, or scan the serial."))
    maker = StringField("Maker", description="Only for a serial that several makers use")


@bp.get("/")
def index() -> str:
    """List the packs that were ordered."""
    return _page(PackForm(formdata=None))


@bp.post("/")
def order() -> ResponseReturnValue:
    """Order a pack."""
    form = PackForm()
    ordered = form.accept(lambda: _order(form), field="name") if form.validate() else None
    if ordered is None:
        return _page(form), 422
    flash(f"The pack of {ordered.matter.subject} is ordered.")
    return redirect(url_for("packs.index"), 303)


@bp.get("/<key>/progress")
def progress(key: str) -> ResponseReturnValue:
    """Tell how far a pack is, for the script of the page."""
    one = workflow.pack_order(here.workplace(), key)
    return jsonify(done=one.done, total=one.total or 1, words=words_of(one), under_way=one.is_under_way)


@bp.post("/<key>/cancel")
def cancel(key: str) -> ResponseReturnValue:
    """Stop the writing of a pack."""
    workflow.cancel_pack(here.workplace(), key)
    flash("Cancelled.")
    return redirect(url_for("packs.index"), 303)


@bp.get("/<key>")
def file(key: str) -> ResponseReturnValue:
    """Send a pack that is written."""
    path = workflow.pack_path(here.workplace(), key)
    return send_file(path, "application/zip", as_attachment=True, download_name=path.name)


def words_of(one: PackOrder) -> str:
    """Return how far a pack is, in words."""
    if one.size_bytes:
        return f"{one.state}, {shown.size_text(one.size_bytes)}"
    return f"{one.done} of {one.total} steps, {one.state}" if one.total else str(one.state)


def _order(form: PackForm) -> PackOrder:
    place = here.workplace()
    matter = workflow.pack_matter(place, chosen(form.kind, PackKind), form.name.data, (form.maker.data or "").strip())
    return workflow.order_pack(place, here.person(), matter)


def _page(form: PackForm) -> str:
    orders = [(one, words_of(one)) for one in workflow.pack_orders(here.workplace())]
    return render_template("packs.html", form=form, orders=orders)
