"""A sampled lot: drawing its sample, changing it with a reason, deciding the lot, and saying that it comes again."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, RadioField, StringField, TextAreaField

from inspect_app import workflow
from inspect_app.documents import lot_wording
from inspect_app.judge.characteristic import NEVER_WRONG, WrongVerdicts
from inspect_app.model import FollowUp, Outcome, Stringency
from inspect_app.quantity import parse_number
from inspect_app.web import here, shown, shown_lots
from inspect_app.web.fields import NumberField, PageForm, SerialField, chosen, needed
from inspect_app.workflow import FOLLOW_UPS, ClassStanding, LookErrors, LotSampling, SampledDevice

bp = Blueprint("sampling", __name__, url_prefix="/lots")

_BY_READERS: Final = "readers"
_OPEN: Final = shown.Standing(mark="…", word="Open", tone="doubt")
_FOLLOW_UPS: Final = {
    FollowUp.TAKE_IN: "Take the lot in",
    FollowUp.RETURN: "Send the lot back",
    FollowUp.SCREEN: "Screen the rest: inspect every device, keep the good ones",
    FollowUp.RESUBMIT: "Let the supplier sort it and bring it again",
}


class TakeForm(PageForm):
    """The device in hand."""

    serial = SerialField("Serial of the device in your hand", needed("Scan or type the serial."))


class ChangeForm(PageForm):
    """A device added to the sample, or in place of another, and why."""

    added = SerialField("Added serial", needed("Scan or type the serial."))
    replaced = SerialField("Replaced serial", description="Leave it empty to add a device beyond the sample")
    reason = TextAreaField("Why?", needed("Write why the sample is changed."))


class DecideForm(PageForm):
    """What follows from the outcome of the sample."""

    follow_up = RadioField("What follows?", validate_choice=False)
    remark = TextAreaField("Remark")


class ResubmitForm(PageForm):
    """The rejected lot that this one is."""

    earlier = StringField("Number of the rejected lot", needed("Type the number of the rejected lot."))
    reason = TextAreaField("What did the supplier do to it?", needed("Write what was done to it."))


class WrongForm(PageForm):
    """How often single verdicts are wrong; asked by address, so that the page can be sent on."""

    class Meta:
        """Nothing is changed by asking, so no token is needed."""

        csrf = False

    false_reject = NumberField("Good devices rejected, in %", unit="%", low=0, high=100)
    false_accept = NumberField("Bad devices accepted, in %", unit="%", low=0, high=100)
    by = HiddenField()

    @property
    def is_by_readers(self) -> bool:
        """Whether the reader study that counts is asked for; what is typed goes before it."""
        return self.by.data == _BY_READERS and not (self.false_reject.data or self.false_accept.data)

    def chances(self) -> WrongVerdicts:
        """Return the two as fractions; never where nothing, or nothing usable, was asked."""
        if not (self.false_reject.data or self.false_accept.data) or not self.validate():
            return NEVER_WRONG
        reject, accept = (
            parse_number(field.data, "%") / 100 if field.data else 0.0
            for field in (self.false_reject, self.false_accept)
        )
        return WrongVerdicts(false_reject=reject, false_accept=accept)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownClass:
    """One class of nonconformity of a sampled lot, in printed words, with what its plan lets through."""

    severity: str
    plan: str
    stringency: str
    reason: str
    decided: str
    numbers: str
    standing: shown.Standing
    figures: tuple[shown.ShownFigure, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSampling:
    """A sampled lot as its page shows it."""

    of: LotSampling
    classes: tuple[ShownClass, ...]
    to_fetch: tuple[SampledDevice, ...]
    device_ids: frozenset[int]
    draw_rule: str
    follows: str
    change: ChangeForm
    decide: DecideForm
    resubmit: ResubmitForm
    wrong: WrongForm
    looks: LookErrors | None

    @property
    def form_at_fault(self) -> PageForm | None:
        """The form that was refused, if one was."""
        forms = (self.change, self.decide, self.resubmit, self.wrong)
        return next((form for form in forms if form.has_errors), None)


def shown_sampling(lot_id: int, refused: PageForm | None = None) -> ShownSampling | None:
    """Return a sampled lot as shown, None where every device stands for itself; `refused` keeps what was typed."""
    sampling = workflow.lot_sampling(here.workplace(), lot_id)
    if sampling is None:
        return None

    def form(kind: type[PageForm]) -> PageForm:
        return refused if isinstance(refused, kind) else kind(formdata=None)

    wrong = WrongForm(formdata=request.args)
    looks = workflow.look_errors(here.workplace(), lot_id)
    chances = wrong.chances()
    by_readers = looks if wrong.is_by_readers else None
    decide = form(DecideForm)
    decide.follow_up.choices = {one.value: _FOLLOW_UPS[one] for one in FOLLOW_UPS[sampling.outcome]}
    return ShownSampling(
        of=sampling,
        classes=tuple(_class(one, sampling, chances, by_readers) for one in sampling.classes),
        to_fetch=tuple(one for one in sampling.devices if one.device.state is workflow.DeviceState.UNTOUCHED),
        draw_rule=lot_wording.draw_rule(sampling.draw) if sampling.draw else "",
        follows=_FOLLOW_UPS[sampling.verdict.follow_up] if sampling.verdict else "",
        device_ids=frozenset(one.device.device.id for one in sampling.devices),
        change=form(ChangeForm),
        decide=decide,
        resubmit=form(ResubmitForm),
        wrong=wrong,
        looks=looks,
    )


def _class(
    standing: ClassStanding, sampling: LotSampling, typed: WrongVerdicts, by_readers: LookErrors | None
) -> ShownClass:
    pinned = standing.plan
    read = None if by_readers is None else by_readers.of(pinned.severity)
    wrong, source = (typed, "") if by_readers is None or read is None else (read, by_readers.source)
    is_open = standing.outcome is Outcome.HELD
    return ShownClass(
        severity=pinned.severity.value,
        plan=lot_wording.plan_source(pinned),
        stringency=lot_wording.stringency_word(pinned),
        reason=standing.reason,
        decided=f"{standing.decided} of {standing.devices}",
        numbers=lot_wording.numbers_text(pinned.plan, standing.count),
        standing=_OPEN if is_open else shown.outcome_standing(standing.outcome),
        figures=tuple(
            shown.figure_as_shown(figure)
            for figure in lot_wording.plan_figures(pinned, sampling.lot_size, wrong, source)
        ),
    )


@bp.post("/<int:lot_id>/draw")
@here.allowed_to("inspect")
def draw(lot_id: int) -> ResponseReturnValue:
    """Draw the sample."""
    workflow.draw_sample(here.workplace(), here.person(), lot_id)
    flash("The sample is drawn. Fetch its devices.")
    return redirect(url_for("lots.devices", lot_id=lot_id), 303)


@bp.post("/<int:lot_id>/sample")
@here.allowed_to("inspect")
def change(lot_id: int) -> ResponseReturnValue:
    """Add a device to the sample, or swap one."""
    form = ChangeForm()
    return _done(
        lot_id,
        form,
        lambda: workflow.change_sample(
            here.workplace(),
            here.person(),
            lot_id,
            form.added.data,
            form.replaced.data or "",
            form.reason.data,
        ),
        "The sample is changed.",
    )


@bp.post("/<int:lot_id>/verdict")
@here.allowed_to("inspect")
def decide(lot_id: int) -> ResponseReturnValue:
    """Give the verdict on the lot."""
    form = DecideForm()

    def given() -> None:
        follow_up = chosen(form.follow_up, FollowUp)
        workflow.decide_lot(here.workplace(), here.person(), lot_id, follow_up, form.remark.data or "")

    return _done(lot_id, form, given, "The verdict on the lot is recorded.")


@bp.post("/<int:lot_id>/resubmission")
@here.allowed_to("inspect")
def resubmit(lot_id: int) -> ResponseReturnValue:
    """Say that this lot is a rejected one come again."""
    form = ResubmitForm()
    return _done(
        lot_id,
        form,
        lambda: workflow.declare_resubmission(
            here.workplace(), here.person(), lot_id, form.earlier.data, form.reason.data
        ),
        f"This lot comes again: {Stringency.TIGHTENED.value} inspection.",
    )


def _done(lot_id: int, form: PageForm, act: Callable[[], None], told: str) -> ResponseReturnValue:
    if form.validate() and form.carries_out(act):
        flash(told)
        return redirect(url_for("lots.devices", lot_id=lot_id), 303)
    return lot_page(lot_id, refused=form), 422


def lot_page(lot_id: int, refused: PageForm | None = None) -> str:
    """Render the page of a lot; `refused` is the form that brought somebody back to it."""
    place = here.workplace()
    sampling = shown_sampling(lot_id, refused)
    take = refused if isinstance(refused, TakeForm) else TakeForm(formdata=None)
    return render_template(
        "lots/devices.html",
        lot=shown_lots.lot(workflow.lot(place, lot_id)),
        found=workflow.lot_device_page(place, lot_id, request.args.get("page", default=1, type=int)),
        take=take,
        sampling=sampling,
        form=(sampling.form_at_fault if sampling else None) or take,
    )
