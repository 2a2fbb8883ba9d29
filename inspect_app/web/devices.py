"""Devices: found by their serials, each with its whole history."""

from typing import BinaryIO, cast

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import InspectError, NotFound, UnusableInput
from inspect_app.model import Device, Outcome
from inspect_app.web import fleet, here, history
from inspect_app.web.typed import without_control_characters
from inspect_app.workflow import FleetSearch

bp = Blueprint("devices", __name__)


@bp.get("/find")
def find() -> ResponseReturnValue:
    """Go straight to the device of a whole serial; list those of a partial one."""
    text = without_control_characters(request.args.get("serial", "")).strip()
    if not text:
        return redirect(url_for("devices.index"), 303)
    exact = _exactly(text)
    if len(exact) != 1:
        return redirect(url_for("devices.index", serial=text), 303)
    if request.args.get("resume") and here.is_allowed("inspect"):
        for one in workflow.open_inspections(here.workplace(), exact[0].serial):
            return redirect(url_for("bench.go_on", inspection_id=one.inspection_id), 303)
    return redirect(url_for("devices.history", device_id=exact[0].id), 303)


@bp.post("/find/label")
def label() -> ResponseReturnValue:
    """Read the serial on the photograph of a label, and go to its device."""
    photo = request.files.get("label")
    if photo is None or not photo.filename:
        flash("Choose a photograph of the label first.")
        return redirect(url_for("devices.index"), 303)
    try:
        serial = workflow.serial_on_label(here.workplace(), photo.filename, cast(BinaryIO, photo.stream))
    except InspectError as error:
        flash(f"Not read: {error}")
        return redirect(url_for("devices.index"), 303)
    return redirect(url_for("devices.find", serial=serial, resume=1), 303)


@bp.get("/devices")
def index() -> ResponseReturnValue:
    """List the devices that fit what is asked, page by page; all that is asked stands in the address."""
    asked = fleet.asked_of(request.args)
    refusal, found, spread, search = "", None, None, FleetSearch()
    counts_all = asked.get("count") == "all"
    try:
        search = fleet.search_of(asked)
        after = fleet.cursor_of(request.args.get("after", ""), search)
        found = workflow.search_fleet(here.workplace(), search, after=after, counts_all=counts_all)
        if search.characteristic_id is not None:
            spread = workflow.fleet_distribution(here.workplace(), search, counts_all=counts_all)
    except (UnusableInput, NotFound) as error:
        refusal = str(error)
    body = render_template(
        "devices/index.html",
        asked=asked,
        refusal=refusal,
        search=search,
        choices=workflow.searchable(here.workplace(), asked.get("class", "")),
        outcomes=list(Outcome),
        words=fleet.characteristic_words,
        found=found,
        devices=[] if found is None else fleet.shown_devices(found),
        rates=[] if found is None else fleet.shown_rates(found),
        following=None if found is None else fleet.cursor_text(found.page.following),
        is_first="after" not in request.args,
        spread=spread,
        figure=None if spread is None else fleet.shown_distribution(spread),
        spread_words="" if spread is None else fleet.spread_words(spread),
    )
    return body, 422 if refusal else 200


@bp.get("/devices/<int:device_id>", endpoint="history")
def history_page(device_id: int) -> str:
    """Show all that is known of a device: arrivals, inspections, results over time, evidence, documents, acts."""
    told = workflow.device_history(here.workplace(), device_id)
    forms = [workflow.form_of(here.workplace(), one.inspection) for one in reversed(told.inspections)]
    titles = {step.id: step.title for form in forms for step in form.steps}
    under_way = next((one.inspection for one in told.inspections if one.inspection.signature is None), None)
    return render_template(
        "devices/history.html",
        told=told,
        device=told.device,
        steps=history.over_time(told, titles),
        columns=history.occasions(told),
        evidence=history.evidence(told, titles),
        under_way=under_way,
    )


def _exactly(text: str) -> tuple[Device, ...]:
    try:
        serial = workflow.normalise_serial(text)
    except UnusableInput:
        return ()
    return tuple(device for device in workflow.find_devices(here.workplace(), serial) if device.serial == serial)
