"""Nonconformities: counted and listed, each with what was decided about it, and the list of what goes back."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import RadioField, SelectMultipleField, StringField, TextAreaField
from wtforms.widgets import CheckboxInput, ListWidget

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.documents.figures import pareto_figure
from inspect_app.errors import UnusableInput
from inspect_app.judge.pareto import ParetoRow
from inspect_app.measure import CHECKS
from inspect_app.model import Disposition, Nonconformity, Severity
from inspect_app.quantity import format_number
from inspect_app.web import here, shown
from inspect_app.web.fields import DayField, PageForm, chosen, needed

bp = Blueprint("nonconformities", __name__, url_prefix="/nonconformities")

_DISPOSITIONS: Final = {
    Disposition.RETURN: "Return to the supplier",
    Disposition.REPAIR: "Repair, then inspect again",
    Disposition.REPLACE: "Replace: the supplier sends another one",
    Disposition.CONCESSION: "Concession: use it as it is, until a day",
    Disposition.SCRAP: "Scrap",
}
_COUNTED_BY: Final = {"kind": "By kind", "supplier": "By supplier", "class": "By class"}


class ClassifyForm(PageForm):
    """The class that counts from now on."""

    severity = RadioField(
        "Class", choices={one.value: one.value.capitalize() for one in Severity}, validate_choice=False
    )
    reason = TextAreaField("Why?", needed("Write why it is of this class."))


class DisposeForm(PageForm):
    """What happens with the device."""

    disposition = RadioField(
        "What happens with the device?",
        choices={one.value: words for one, words in _DISPOSITIONS.items()},
        validate_choice=False,
    )
    valid_until = DayField("Valid until", description="For a concession, like 2027-03-31")
    repeats = SelectMultipleField(
        "Checks that the repair could upset",
        option_widget=CheckboxInput(),
        widget=ListWidget(prefix_label=False),
        description="They are asked again, besides the one that failed",
        validate_choice=False,
    )
    reason = TextAreaField("Why?", needed("Write why."))


class CloseForm(PageForm):
    """What was done."""

    reason = TextAreaField("What was done?", needed("Write what was done."))


class ReturnForm(PageForm):
    """One return shipment."""

    reference = StringField("Reference of the return", needed("Give the return a reference."))
    remark = TextAreaField("Remark")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCount:
    """One kind of nonconformity with its count and its shares, printed."""

    name: str
    count: int
    share: str
    cumulative: str


@bp.get("/")
def index() -> str:
    """Count and list nonconformities, the open ones first."""
    place = here.workplace()
    counted = {words: workflow.nonconformity_pareto(place, by) for by, words in _COUNTED_BY.items()}
    return render_template(
        "nonconformities/index.html",
        counts={
            words: (
                shown.figure_as_shown(pareto_figure(words, rows, _in_words(rows))),
                tuple(_shown(row, _in_words(rows)) for row in rows),
            )
            for words, rows in counted.items()
            if rows
        },
        found=workflow.nonconformity_page(place, request.args.get("page", default=1, type=int)),
        state_of=workflow.state_of,
    )


def _in_words(rows: Sequence[ParetoRow]) -> Mapping[str, str]:
    """Return the words for what was counted; only kinds have other words than their names."""
    parts = {row.name: row.name.partition(": ") for row in rows}
    return {
        name: _kind_in_words(check, quantity.replace(" ", "_"))
        for name, (check, colon, quantity) in parts.items()
        if colon and check in CHECKS
    }


def _kind_in_words(check: str, quantity_name: str) -> str:
    return f"{wording.name_in_words(quantity_name)} ({wording.name_in_words(check).lower()})"


def _shown(row: ParetoRow, kinds: Mapping[str, str]) -> ShownCount:
    share, cumulative = (f"{format_number(100 * value, 1)} %" for value in (row.share, row.cumulative))
    return ShownCount(name=kinds.get(row.name, row.name), count=row.count, share=share, cumulative=cumulative)


@bp.get("/<number>")
def page(number: str) -> str:
    """Show a nonconformity with its evidence and everything decided about it."""
    return _page(number)


def _page(number: str, refused: PageForm | None = None) -> str:
    found = workflow.nonconformity(here.workplace(), number)

    def form(kind: type[PageForm], prefix: str) -> PageForm:
        return refused if isinstance(refused, kind) else kind(formdata=None, prefix=prefix)

    dispose = form(DisposeForm, "dispose")
    dispose.repeats.choices = {check: wording.name_in_words(check) for check in found.checks}
    return render_template(
        "nonconformities/page.html",
        found=found,
        one=found.nonconformity,
        kind=_kind_in_words(found.nonconformity.check, found.nonconformity.quantity_name),
        state=workflow.state_of(found.nonconformity),
        is_to_repair=_is_to_repair(found.nonconformity),
        classify=form(ClassifyForm, "classify"),
        dispose=dispose,
        close=form(CloseForm, "close"),
        form=refused,
    )


def _is_to_repair(found: Nonconformity) -> bool:
    return not found.is_closed and found.disposed is not None and found.disposed.disposition is Disposition.REPAIR


@bp.post("/<number>/class")
@here.allowed_to("approve")
def classify(number: str) -> ResponseReturnValue:
    """Give it another class."""
    form = ClassifyForm(prefix="classify")
    return _done(
        number,
        form,
        lambda: workflow.classify(
            here.workplace(), here.person(), number, chosen(form.severity, Severity), form.reason.data
        ),
        "The class is recorded.",
    )


@bp.post("/<number>/disposition")
@here.allowed_to("approve")
def dispose(number: str) -> ResponseReturnValue:
    """Decide what happens with the device."""
    form = DisposeForm(prefix="dispose")
    return _done(
        number,
        form,
        lambda: workflow.dispose(
            here.workplace(),
            here.person(),
            number,
            chosen(form.disposition, Disposition),
            form.reason.data,
            valid_until=form.valid_until.data,
            repeats=form.repeats.data or (),
        ),
        "The disposition is recorded.",
    )


@bp.post("/<number>/closing")
@here.allowed_to("approve")
def close(number: str) -> ResponseReturnValue:
    """Close it."""
    form = CloseForm(prefix="close")
    return _done(
        number,
        form,
        lambda: workflow.close(here.workplace(), here.person(), number, form.reason.data),
        f"{number} is closed.",
    )


def _done(number: str, form: PageForm, act: Callable[[], None], told: str) -> ResponseReturnValue:
    if form.validate() and form.carries_out(act):
        flash(told)
        return redirect(url_for("nonconformities.page", number=number), 303)
    return _page(number, refused=form), 422


@bp.post("/<number>/again")
@here.allowed_to("inspect")
def again(number: str) -> ResponseReturnValue:
    """Inspect the repaired device again."""
    place = here.workplace()
    found = workflow.nonconformity(place, number).nonconformity
    inspection = workflow.inspect_again(place, here.person(), found.inspection_id)
    return redirect(url_for("bench.go_on", inspection_id=inspection.id), 303)


@bp.get("/returns")
def returns() -> str:
    """Show what waits to be sent back, by supplier, and what was sent."""
    return _returns()


def _returns(supplier: str = "", refused: PageForm | None = None) -> str:
    found = workflow.returns_page(here.workplace())
    return render_template(
        "nonconformities/returns.html",
        found=found,
        forms={
            name: refused
            if refused is not None and name == supplier
            else ReturnForm(formdata=None, prefix=f"r{place_of}")
            for place_of, name in enumerate(found.waiting)
        },
        form=refused,
    )


@bp.post("/returns")
@here.allowed_to("inspect")
def send_back() -> ResponseReturnValue:
    """Record a return shipment."""
    supplier = request.form.get("supplier", "")
    form = ReturnForm(prefix=request.form.get("prefix", "")[:8])

    def sent() -> None:
        chosen = request.form.getlist("device")
        if not all(one.isdecimal() and len(one) < 10 for one in chosen):
            raise UnusableInput("devices", "one of them is none", "Choose from the list.")
        workflow.send_back(
            here.workplace(), here.person(), supplier, form.reference.data, map(int, chosen), form.remark.data or ""
        )

    if form.validate() and form.carries_out(sent):
        flash("The return shipment is recorded.")
        return redirect(url_for("nonconformities.returns"), 303)
    return _returns(supplier, form), 422
