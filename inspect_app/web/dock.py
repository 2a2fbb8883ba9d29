"""The dock: the start page, and receiving a shipment serial by serial."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import HiddenField, SelectField, StringField

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.web import here, shown, shown_lots
from inspect_app.web.fields import LinesField, PageForm, SerialField, needed
from inspect_app.workflow import AcceptedArrival, Arrival, PackedDevice

bp = Blueprint("dock", __name__)

_SHIPMENTS_SHOWN: Final = 6
_BETWEEN: Final = "\t"
_RECEIVE, _LEAVE_OUT = "receive", "leave out"


class ReceiveForm(PageForm):
    """What came: contract, delivery note, packing list, serials."""

    contract = SelectField("Contract", needed("Choose the contract."))
    reference = StringField("Delivery note", needed("Enter the number of the delivery note."))
    packing_list = FileField(
        "Packing list",
        description="A CSV or XLSX file with a column for the serial, and one for the device class if there is one",
    )
    scan = SerialField("Scan a serial", description="Enter adds it to the list below")
    serials = LinesField("Serials that came", description="One a line; scanned ones are added at the end")
    listed = HiddenField()


class ConfirmForm(PageForm):
    """The same shipment again, with what was decided about each serial."""

    contract = HiddenField()
    reference = HiddenField()
    serials = HiddenField()
    listed = HiddenField()


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One serial on the review page: what is asked about it, what was answered, what is wrong with the answer."""

    arrival: Arrival
    asks: tuple[str, ...]
    choice: str
    note: str
    device_class: str
    problem: str = ""

    @property
    def is_taken(self) -> bool:
        """Whether the device is to be received."""
        return self.choice == _RECEIVE and not self.arrival.is_missing


@bp.get("/")
def start() -> str:
    """Show what came in, what waits, what is held and what falls due."""
    place = here.workplace()
    glance = workflow.look_around(place)
    return render_template(
        "dock/start.html",
        shipments=shown_lots.by_shipment(shown_lots.lots(glance.came_in))[:_SHIPMENTS_SHOWN],
        lots=shown_lots.lots(glance.waiting),
        inspections=glance.under_way,
        held=glance.held,
        held_count=glance.held_count,
        due=shown.instruments(glance.due, place.clock().date()),
        repeats=glance.repeats,
        returns=glance.returns,
    )


@bp.get("/due")
def due() -> str:
    """List page by page the devices that are to be inspected again."""
    found = workflow.repeat_page(here.workplace(), request.args.get("page", default=1, type=int))
    return render_template("dock/due.html", found=found)


@bp.get("/receive")
@here.allowed_to("inspect")
def receive() -> str:
    """Ask what came."""
    return render_template("dock/receive.html", form=_receive_form(), packed=())


@bp.post("/receive")
@here.allowed_to("inspect")
def take_down() -> ResponseReturnValue:
    """Add a serial to the list, take the packing list as it stands, or show each serial's standing."""
    form = _receive_form()
    packed = form.accept(lambda: _packing_list(form), field="packing_list")
    if packed is None:
        return render_template("dock/receive.html", form=form, packed=()), 422
    form.listed.data = _as_text(packed)
    act = request.form.get("act", "add")
    if act == "whole":
        form.serials.data = "\n".join(device.serial for device in packed)
    if form.scan.data:
        form.serials.data = "\n".join((*form.serials.lines, form.scan.data))
        form.scan.data = ""
    if act == "add":
        return render_template("dock/receive.html", form=form, packed=packed, has_scanned=True)
    return _review(form, packed)


def _review(form: ReceiveForm, packed: Sequence[PackedDevice]) -> ResponseReturnValue:
    if form.validate() and not (form.serials.lines or packed):
        form.serials.errors = ["Scan or type the serials that came, one a line."]
    if form.has_errors:
        return render_template("dock/receive.html", form=form, packed=packed), 422
    arrivals = form.accept(
        lambda: workflow.check_arrivals(here.workplace(), form.contract.data, packed, form.serials.lines),
        field="serials",
    )
    if arrivals is None:
        return render_template("dock/receive.html", form=form, packed=packed), 422
    return _review_page(form, tuple(_row(arrival, form.contract.data) for arrival in arrivals))


@bp.post("/receive/confirm")
@here.allowed_to("inspect")
def confirm() -> ResponseReturnValue:
    """Receive what was decided to be received; a serial that is asked about needs a note."""
    form = ConfirmForm()
    packed = _from_text(form.listed.data or "")
    lines = tuple((form.serials.data or "").splitlines())
    arrivals = workflow.check_arrivals(here.workplace(), form.contract.data, packed, lines)
    rows = tuple(_answered(_row(arrival, form.contract.data)) for arrival in arrivals)
    if any(row.problem for row in rows):
        form.form_errors.append("Some serials still need an answer.")
        return _review_page(form, rows), 422
    shipment = form.accept(
        lambda: workflow.receive_shipment(
            here.workplace(), here.person(), form.contract.data, form.reference.data, _accepted(rows)
        )
    )
    if shipment is None:
        return _review_page(form, rows), 422
    flash(f"Shipment {shipment.reference} is received.")
    lots = workflow.lots_of_shipment(here.workplace(), shipment.id)
    return redirect(url_for("lots.devices", lot_id=lots[0].id) if len(lots) == 1 else url_for("lots.index"), 303)


def _receive_form() -> ReceiveForm:
    form = ReceiveForm()
    contracts = workflow.contracts(here.workplace())
    form.contract.choices = {"": "Choose"} | {one.number: f"{one.number}, {one.title}" for one in contracts}
    return form


def _packing_list(form: ReceiveForm) -> tuple[PackedDevice, ...]:
    upload = request.files.get("packing_list")
    if upload is None or not upload.filename:
        return _from_text(form.listed.data or "")
    return workflow.read_packing_list(upload.filename, upload.stream.read())


def _as_text(packed: Sequence[PackedDevice]) -> str:
    return "\n".join(_BETWEEN.join((device.serial, device.device_class or "")) for device in packed)


def _from_text(text: str) -> tuple[PackedDevice, ...]:
    """Read the list back that travelled in the page; its serials are proved again, for a page can be changed."""
    parts = [line.partition(_BETWEEN) for line in text.splitlines() if line.strip()]
    return tuple(
        PackedDevice(serial=workflow.normalise_serial(serial), device_class=device_class.strip() or None, line=number)
        for number, (serial, _, device_class) in enumerate(parts, start=1)
    )


def _row(arrival: Arrival, contract_number: str) -> Row:
    classes = workflow.contract(here.workplace(), contract_number).device_classes
    only_class = classes[0] if len(classes) == 1 else ""
    asks = _asks(arrival)
    return Row(
        arrival=arrival,
        asks=asks,
        choice="" if asks else _RECEIVE,
        note="",
        device_class=arrival.device_class or only_class,
    )


def _asks(arrival: Arrival) -> tuple[str, ...]:
    asks = []
    if not arrival.is_on_list:
        asks.append("is not on the packing list")
    if arrival.is_repeated:
        asks.append("was scanned or listed more than once")
    if arrival.earlier:
        asks.append("was received before")
    return tuple(asks)


def _answered(row: Row) -> Row:
    serial, given = row.arrival.serial, request.form
    answered = replace(
        row,
        choice=given.get(f"take.{serial}", row.choice),
        note=given.get(f"note.{serial}", "").strip(),
        device_class=given.get(f"class.{serial}", row.device_class),
    )
    return replace(answered, problem=_problem(answered))


def _problem(row: Row) -> str:
    if row.arrival.is_missing or row.choice == _LEAVE_OUT:
        return ""
    if row.choice != _RECEIVE:
        return "Choose whether it is received or left out."
    if row.asks and not row.note:
        return "Write a note that says why it is received."
    return "" if row.device_class else "Choose its device class."


def _accepted(rows: Sequence[Row]) -> tuple[AcceptedArrival, ...]:
    taken = tuple(
        AcceptedArrival(
            serial=row.arrival.serial, device_class=row.device_class, note=row.note, is_on_list=row.arrival.is_on_list
        )
        for row in rows
        if row.is_taken
    )
    if not taken:
        raise UnusableInput("this shipment", "nothing of it would be received", "Receive at least one device.")
    return taken


def _review_page(form: PageForm, rows: Sequence[Row]) -> str:
    return render_template(
        "dock/review.html",
        form=form,
        asked=[row for row in rows if row.asks and not row.arrival.is_missing],
        plain=[row for row in rows if not row.asks and not row.arrival.is_missing],
        missing=[row.arrival for row in rows if row.arrival.is_missing],
        classes=workflow.contract(here.workplace(), form.contract.data).device_classes,
    )
