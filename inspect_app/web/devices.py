"""Devices: found by their serials, each with its whole history."""

from typing import BinaryIO, cast

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import RadioField, StringField, TextAreaField

from inspect_app import workflow
from inspect_app.errors import InspectError, NotFound, UnusableInput
from inspect_app.model import Device, Outcome
from inspect_app.model.device_past import LinkKind
from inspect_app.web import fleet, here, history
from inspect_app.web.fields import PageForm, chosen, needed
from inspect_app.web.typed import without_control_characters
from inspect_app.workflow import FleetSearch

bp = Blueprint("devices", __name__)


class LinkForm(PageForm):
    """What the device was before."""

    serial = StringField("Serial of the earlier device", needed("Type the serial that it had."))
    maker = StringField("Its maker", description="Where two makers use this serial")
    kind = RadioField(
        "What happened?", choices={one.value: one.value.capitalize() for one in LinkKind}, validate_choice=False
    )
    reason = TextAreaField("How is it known?", needed("Say how it is known."))


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
        search = workflow.fleet_search_of(asked)
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
        devices=[] if found is None else fleet.shown_devices(found.page.devices),
        unsigned=[] if found is None else fleet.shown_devices(found.unsigned),
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
    return _history_page(device_id, LinkForm())


@bp.post("/devices/<int:device_id>/link")
@here.allowed_to("approve")
def link(device_id: int) -> ResponseReturnValue:
    """Say that the device was another one before, or that it was not after all."""
    form = LinkForm()
    if form.validate() and form.carries_out(lambda: _link(device_id, form)):
        flash("It is recorded.")
        return redirect(url_for("devices.history", device_id=device_id), 303)
    return _history_page(device_id, form), 422


def _link(device_id: int, form: LinkForm) -> None:
    found = _exactly(form.serial.data)
    maker = (form.maker.data or "").strip()
    meant = [one for one in found if not maker or one.maker.casefold() == maker.casefold()]
    if len(meant) != 1:
        seen = "; ".join(f"{one.serial} of {one.maker}" for one in found) or "none"
        raise UnusableInput("serial", f"devices on record: {seen}", "Type the whole serial, and the maker too.")
    kind = chosen(form.kind, LinkKind)
    workflow.link_devices(here.workplace(), here.person(), device_id, meant[0].id, kind, form.reason.data)


def _history_page(device_id: int, form: LinkForm) -> str:
    told = workflow.device_history(here.workplace(), device_id)
    forms = {one.inspection.id: workflow.form_of(here.workplace(), one.inspection) for one in told.inspections}
    titles = {step.id: step.title for made in forms.values() for step in made.steps}
    under_way = next((one.inspection for one in told.inspections if one.inspection.signature is None), None)
    happenings = workflow.timeline(here.workplace(), told)
    return render_template(
        "devices/history.html",
        told=told,
        titles=titles,
        device=told.device,
        steps=history.over_time(told, forms),
        columns=history.occasions(told),
        evidence=history.evidence(told, titles),
        under_way=under_way,
        happenings=happenings,
        custody=workflow.custody_of(happenings),
        links=history.standing(workflow.links_of(here.workplace(), device_id), device_id),
        form=form,
    )


@bp.get("/devices/<int:device_id>/changes")
def changes(device_id: int) -> str:
    """Set two inspections of a device side by side, and say what changed beyond the uncertainty of both."""
    told = workflow.device_history(here.workplace(), device_id)
    keys = [one.inspection.id for one in told.inspections]
    first, second = (request.args.get(name, type=int) for name in ("before", "after"))
    if len(keys) < 2:
        return render_template("devices/changes.html", told=told, device=told.device, found=None, rows=[])
    found = workflow.changes_between(here.workplace(), told, first or keys[1], second or keys[0])
    return render_template(
        "devices/changes.html", told=told, device=told.device, found=found, rows=history.changes(found)
    )


def _exactly(text: str) -> tuple[Device, ...]:
    try:
        serial = workflow.normalise_serial(text)
    except UnusableInput:
        return ()
    return tuple(device for device in workflow.find_devices(here.workplace(), serial) if device.serial == serial)
