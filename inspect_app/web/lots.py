"""Lots: how far each has come, its devices, and the next one to take."""

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.web import here, shown_lots
from inspect_app.web.sampling import TakeForm, lot_page
from inspect_app.web.typed import without_control_characters
from inspect_app.workflow import LotOrder, LotSearch

bp = Blueprint("lots", __name__, url_prefix="/lots")


@bp.get("/")
def index() -> str:
    """List lots page by page; what is looked for, how they are sorted and which page it is stand in the address."""
    text = without_control_characters(request.args.get("find", "")).strip()
    words = request.args.get("sort", "")
    order = LotOrder(words) if words in set(LotOrder) else LotOrder.NEWEST
    search, is_open = LotSearch(text=text, order=order), request.args.get("state") == "open"
    page = request.args.get("page", default=1, type=int)
    found = workflow.lot_page(here.workplace(), search, page, is_open=is_open)
    asked = {"find": text or None, "sort": None if order is LotOrder.NEWEST else order.value}
    asked |= {"state": "open" if is_open else None}
    printed = shown_lots.lots(found.lots)
    return render_template("lots/index.html", lots=printed, found=found, asked=asked, search=search, is_open=is_open)


@bp.get("/<int:lot_id>")
def devices(lot_id: int) -> str:
    """Show the devices of a lot."""
    return lot_page(lot_id)


@bp.post("/<int:lot_id>/next")
@here.allowed_to("inspect")
def take_next(lot_id: int) -> ResponseReturnValue:
    """Open the inspection of the next device."""
    following = workflow.next_device(here.workplace(), lot_id, is_shuffled="shuffled" in request.form)
    if following is None:
        flash("Every device that is to be inspected is concluded.")
        return redirect(url_for("lots.devices", lot_id=lot_id), 303)
    return _inspect(lot_id, following.device.id)


@bp.post("/<int:lot_id>/take")
@here.allowed_to("inspect")
def take(lot_id: int) -> ResponseReturnValue:
    """Open the inspection of the device that was scanned."""
    form = TakeForm()
    if form.validate():
        device_id = form.accept(lambda: _device_in_lot(lot_id, form.serial.data), field="serial")
        if device_id is not None:
            return _inspect(lot_id, device_id)
    return lot_page(lot_id, refused=form), 422


@bp.post("/<int:lot_id>/devices/<int:device_id>")
@here.allowed_to("inspect")
def inspect_device(lot_id: int, device_id: int) -> ResponseReturnValue:
    """Open the inspection of one device of the lot, or go on with it."""
    return _inspect(lot_id, device_id)


def _inspect(lot_id: int, device_id: int) -> ResponseReturnValue:
    inspection = workflow.open_inspection(here.workplace(), here.person(), lot_id, device_id)
    return redirect(url_for("bench.go_on", inspection_id=inspection.id), 303)


def _device_in_lot(lot_id: int, text: str) -> int:
    serial = workflow.normalise_serial(text)
    for row in workflow.lot_devices(here.workplace(), lot_id):
        if row.device.serial == serial:
            return row.device.id
    raise UnusableInput(serial, "this serial is not in this lot", "Search for it at the top, or receive it first.")
