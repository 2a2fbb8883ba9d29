"""Suppliers: lots, rates with their exact intervals, switching with its history and rulings, open returns by age."""

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import RadioField, TextAreaField

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.model import LotSeen, RulingKind
from inspect_app.web import here
from inspect_app.web.fields import PageForm, chosen, needed
from inspect_app.workflow import AGES_DAYS, SupplierRecord, SwitchingRecord, SwitchingStep

bp = Blueprint("suppliers", __name__, url_prefix="/suppliers")


class RulingForm(PageForm):
    """What the responsible authority decides about one switching."""

    which = RadioField("Which lots?", validate_choice=False)
    kind = RadioField(
        "What is decided?", choices={one.value: one.value.capitalize() for one in RulingKind}, validate_choice=False
    )
    reason = TextAreaField("Why?", needed("Write why."))


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSwitching:
    """One switching: where it stands, why, and the events that led there, in words."""

    severity: str
    standing: str
    reason: str
    steps: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSupplier:
    """One supplier and device class, printed."""

    record: SupplierRecord
    lot_rate: str
    device_rate: str
    ages: tuple[tuple[str, int], ...]
    switching: tuple[ShownSwitching, ...]


@bp.get("/")
def index() -> str:
    """Show the record of every supplier."""
    return _page(RulingForm(formdata=None))


@bp.post("/ruling")
@here.allowed_to("approve")
def rule() -> ResponseReturnValue:
    """Record a ruling on switching."""
    form = RulingForm()

    def ruled() -> None:
        for place, record in enumerate(workflow.switching_records(here.workplace())):
            if form.which.data == _name(place, record):
                workflow.rule_switching(
                    here.workplace(),
                    here.person(),
                    record.supplier,
                    record.device_class,
                    record.severity,
                    chosen(form.kind, RulingKind),
                    form.reason.data,
                )
                return
        raise UnusableInput(form.which.label.text, "nothing is chosen", "Choose the lots that it is about.")

    if form.validate() and form.carries_out(ruled):
        flash("The ruling is recorded.")
        return redirect(url_for("suppliers.index"), 303)
    return _page(form), 422


def _page(form: RulingForm) -> str:
    place = here.workplace()
    form.which.choices = {
        _name(count, one): f"{one.supplier}, {one.device_class}: {one.severity.value}"
        for count, one in enumerate(workflow.switching_records(place))
    }
    return render_template(
        "suppliers/index.html",
        suppliers=tuple(_shown(one) for one in workflow.supplier_records(place)),
        form=form,
    )


def _name(place: int, record: SwitchingRecord) -> str:
    return f"{place} {record.severity.value}"


def _shown(record: SupplierRecord) -> ShownSupplier:
    starts = (0, *(end + 1 for end in AGES_DAYS))
    ends = (*(f"{start} to {end} days" for start, end in zip(starts, AGES_DAYS, strict=False)), f"{starts[-1]} or more")
    return ShownSupplier(
        record=record,
        lot_rate=workflow.rate_words(record.lots_rejected),
        device_rate=workflow.rate_words(record.devices_rejected),
        ages=tuple(zip(ends, record.ages, strict=True)),
        switching=tuple(_switching(one) for one in record.switching),
    )


def _switching(record: SwitchingRecord) -> ShownSwitching:
    state = record.state
    standing = "discontinued" if state.is_discontinued else state.stringency.value
    if state.may_be_reduced:
        standing += ", may be reduced once an approver allows it"
    if state.score:
        standing += f", switching score {state.score}"
    return ShownSwitching(
        severity=record.severity.value,
        standing=standing,
        reason=state.reason,
        steps=tuple(_step(one) for one in record.steps),
    )


def _step(step: SwitchingStep) -> tuple[str, str]:
    event, after = step.event, step.state.stringency.value
    if isinstance(event, LotSeen):
        verdict = "accepted" if event.is_accepted else "not accepted"
        return f"Lot {event.lot}: {event.count} in {event.devices}, {event.stringency.value}, {verdict}", after
    return f"{event.by}: {event.kind.value}. {event.reason}", after
