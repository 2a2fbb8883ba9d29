"""Reports of a lot, of a return or of the fleet: looked at as a draft, then issued; the address says about what."""

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, make_response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import PasswordField, SelectField

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.model import AboutFleet, AboutLot, AboutReport, AboutReturn, Document
from inspect_app.web import here
from inspect_app.web.fields import DayField, PageForm, needed

bp = Blueprint("reports", __name__, url_prefix="/reports")


class FleetForm(PageForm):
    """What a fleet report is narrowed down to."""

    contract = SelectField("Contract", default="")
    supplier = SelectField("Supplier", default="")
    device_class = SelectField("Device class", default="", name="class")
    received_from = DayField("Received from", name="from", description="Like 2026-01-01; empty for the first")
    received_until = DayField("Received until", name="until", description="This day counts; empty for the last")


class IssueForm(PageForm):
    """Who issues a report proves it."""

    password = PasswordField("Your password", needed("Enter your password."))


@bp.get("/")
def page() -> str:
    """Show what a report would be about, and those on the same that were issued."""
    return _page(IssueForm(formdata=None))


@bp.get("/draft.pdf")
def draft() -> Response:
    """Send what the report would say today."""
    response = make_response(workflow.draft_report(here.workplace(), here.person(), _about(_fleet_form())))
    response.headers["Content-Type"] = "application/pdf"
    response.headers["Content-Disposition"] = "inline; filename=draft.pdf"
    response.headers["Content-Security-Policy"] = "default-src 'none'; frame-ancestors 'none'"
    return response


@bp.post("/")
def issue() -> ResponseReturnValue:
    """Issue the report for who proves by their password that they approve it."""
    if not here.is_allowed(workflow.act_of_approval(here.workplace())):
        raise NotAllowed("this page", f"your account ({here.person().role}) does not permit it", "Ask an approver.")
    about = _about(_fleet_form())
    form = IssueForm()
    if form.validate():
        issued = form.accept(lambda: _issued(about, form.password.data), field="password")
        if issued is not None:
            flash(f"The {issued.kind} {issued.number} is issued.")
            return redirect(url_for("documents.page", number=issued.number), 303)
    return _page(form), 422


def _issued(about: AboutReport, password: str) -> Document:
    workflow.prove_password(here.workplace(), here.person(), password)
    return workflow.issue_report(here.workplace(), here.person(), about)


def _page(form: IssueForm) -> str:
    place, asked = here.workplace(), request.args.to_dict()
    fleet = _fleet_form()
    about, subject = None, None
    if not fleet.has_errors:
        about = _about(fleet)
        subject = fleet.accept(lambda: workflow.report_subject(place, about)) if asked else None
    issued = workflow.documents_about(place, about) if subject and about is not None else ()
    return render_template(
        "documents/report.html",
        subject=subject,
        fleet=fleet if about is None or isinstance(about, AboutFleet) else None,
        asked=asked,
        issued=issued,
        standing=next((one for one in issued if one.end is None), None),
        form=form if here.is_allowed(workflow.act_of_approval(place)) else None,
    )


def _about(fleet: FleetForm) -> AboutReport:
    """Return what the address asks for."""
    if "lot" in request.args:
        return AboutLot(lot_id=request.args.get("lot", default=0, type=int))
    if "shipment" in request.args:
        return AboutReturn(return_shipment_id=request.args.get("shipment", default=0, type=int))
    if fleet.has_errors:
        message = next(words for _, words in fleet.problems)
        raise InspectError("fleet report", message.rstrip("."), "Mend it in the address, or choose again.")
    return AboutFleet(
        contract_number=fleet.contract.data or "",
        supplier=fleet.supplier.data or "",
        device_class=fleet.device_class.data or "",
        received_from=fleet.received_from.data,
        received_until=fleet.received_until.data,
    )


def _fleet_form() -> FleetForm:
    form = FleetForm(request.args, meta={"csrf": False})
    delivered = workflow.deliveries_known(here.workplace())
    form.contract.choices = _choices(one.contract_number for one in delivered)
    form.supplier.choices = _choices(one.supplier for one in delivered)
    form.device_class.choices = _choices(one.device_class for one in delivered)
    form.validate()
    return form


def _choices(names: Iterable[str]) -> Mapping[str, Any]:
    return {"": "All", **{name: name for name in sorted(set(names))}}


def address(about: AboutReport) -> str:
    """Return the address of the page of a report."""
    match about:
        case AboutLot():
            asked = {"lot": str(about.lot_id)}
        case AboutReturn():
            asked = {"shipment": str(about.return_shipment_id)}
        case AboutFleet():
            asked = {
                "contract": about.contract_number,
                "supplier": about.supplier,
                "class": about.device_class,
                "from": str(about.received_from or ""),
                "until": str(about.received_until or ""),
            }
    return f"{url_for('reports.page')}?{urlencode(asked)}"
