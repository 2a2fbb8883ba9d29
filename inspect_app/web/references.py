"""The bench under watch: references, their charts, readings, limits, and signals to be cleared."""

from typing import BinaryIO, cast

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import MultipleFileField
from werkzeug.datastructures import FileStorage
from wtforms import HiddenField, SelectField, StringField, TextAreaField

from inspect_app import workflow
from inspect_app.documents.figures.control_chart import control_chart
from inspect_app.documents.wording import condition_text, name_in_words
from inspect_app.judge.control import ENOUGH_FOR_LIMITS, FEWEST_FOR_LIMITS
from inspect_app.judge.watching import ChartPoint
from inspect_app.measure import CHECKS
from inspect_app.model import Evidence
from inspect_app.web import here, shown
from inspect_app.web.fields import CountField, NumberField, PageForm, needed
from inspect_app.workflow import TypedReading

bp = Blueprint("references", __name__, url_prefix="/references")

_SHOWN_READINGS = 60


class ReferenceForm(PageForm):
    """What is to be watched."""

    name = StringField(
        "Name", needed("Name the reference."), description="As it is labelled, like Slide 3, edge upright"
    )
    check = SelectField("Check", choices={name: one.title for name, one in sorted(CHECKS.items())})
    quantity = StringField(
        "Quantity", needed("Name the quantity."), description="As the check names it, like mtf50 or readout_time"
    )
    condition = TextAreaField("Which of its results", description="One a line, like axis = vertical; may stay empty")
    options = TextAreaField("Given to the check", description="One a line, like transfer = srgb; may stay empty")


class ReadingForm(PageForm):
    """A reading: captures, or a number."""

    captures = MultipleFileField("Captures of the reference", description="Measured as the reference says")
    value = NumberField("Or the number read")
    standard_uncertainty = NumberField("Its standard uncertainty", low=0.0)
    remark = StringField("Remark")


class LimitsForm(PageForm):
    """Which readings show the bench in order."""

    first = CountField("From reading", needed("Give the first reading."))
    last = CountField("To reading", needed("Give the last reading."))
    reason = StringField("Reason", needed("Say why they show the bench in order."))


class ClearForm(PageForm):
    """What was found behind a signal."""

    seen = HiddenField()
    reason = TextAreaField("What was found, what was put right", needed("Say what was found and put right."))


@bp.get("/")
def index() -> str:
    """List the references with what signals."""
    return _index(ReferenceForm(formdata=None))


@bp.post("/")
@here.allowed_to("approve")
def add() -> ResponseReturnValue:
    """Begin to watch a quantity."""
    form = ReferenceForm()
    made = (
        form.accept(
            lambda: workflow.add_reference(
                here.workplace(),
                here.person(),
                name=form.name.data,
                check=form.check.data,
                quantity_name=form.quantity.data.strip(),
                condition=form.condition.data or "",
                options=form.options.data or "",
            )
        )
        if form.validate()
        else None
    )
    if made is None:
        return _index(form), 422
    return redirect(url_for("references.page", reference_id=made.id), 303)


@bp.get("/<int:reference_id>")
def page(reference_id: int) -> str:
    """Show a reference with its chart."""
    return _page(reference_id)


@bp.post("/<int:reference_id>/readings")
@here.allowed_to("inspect")
def read(reference_id: int) -> ResponseReturnValue:
    """Append a reading."""
    form = ReadingForm(prefix="reading")
    point = form.accept(lambda: _read(reference_id, form)) if form.validate() else None
    if point is None:
        return _page(reference_id, reading=form), 422
    said = "; ".join(point.rules)
    flash(f"Reading {point.reading.number} is kept. {f'It signals: {said}.' if said else 'It does not signal.'}")
    return redirect(url_for("references.page", reference_id=reference_id), 303)


@bp.post("/<int:reference_id>/limits")
@here.allowed_to("approve")
def set_limits(reference_id: int) -> ResponseReturnValue:
    """Set control limits from readings."""
    form = LimitsForm(prefix="limits")
    if form.validate() and form.carries_out(
        lambda: workflow.set_limits(
            here.workplace(), here.person(), reference_id, form.first.data, form.last.data, form.reason.data
        )
    ):
        flash("The limits count from the next reading on.")
        return redirect(url_for("references.page", reference_id=reference_id), 303)
    return _page(reference_id, limits=form), 422


@bp.post("/<int:reference_id>/clearance")
@here.allowed_to("approve")
def clear(reference_id: int) -> ResponseReturnValue:
    """Let verdicts count again after a signal."""
    form = ClearForm(prefix="clear")
    seen = form.seen.data or ""
    if form.validate() and form.carries_out(
        lambda: workflow.clear_signal(
            here.workplace(), here.person(), reference_id, int(seen) if seen.isdecimal() else 0, form.reason.data
        )
    ):
        flash("The signal is cleared; what was held can be judged again.")
        return redirect(url_for("references.page", reference_id=reference_id), 303)
    return _page(reference_id, clearing=form), 422


def _read(reference_id: int, form: ReadingForm) -> ChartPoint:
    uploads = [one for one in request.files.getlist(form.captures.name) if one.filename]
    return workflow.read_reference(
        here.workplace(),
        here.person(),
        reference_id,
        TypedReading(
            files=tuple(_kept(upload) for upload in uploads),
            value=form.value.data or "",
            standard_uncertainty=form.standard_uncertainty.data or "",
            remark=form.remark.data or "",
        ),
    )


def _kept(upload: FileStorage) -> Evidence:
    return workflow.keep_file(here.workplace(), here.person(), upload.filename or "", cast(BinaryIO, upload.stream))


def _index(form: ReferenceForm) -> str:
    return render_template(
        "references/index.html",
        charts=[_listed(one) for one in workflow.reference_charts(here.workplace())],
        form=form,
    )


def _listed(one: workflow.ReferenceChart) -> dict[str, object]:
    reference, points = one.watched.reference, one.points
    return {
        "reference": reference,
        "watches": _watches(one),
        "standing": shown.bench_standing(one),
        "readings": len(points),
        "newest": points[-1].reading if points else None,
    }


def _watches(one: workflow.ReferenceChart) -> str:
    reference = one.watched.reference
    under = condition_text(reference.condition)
    words = f"{CHECKS[reference.check].title}: {name_in_words(reference.quantity_name)}"
    return f"{words}, {under}" if under else words


def _page(
    reference_id: int,
    *,
    reading: ReadingForm | None = None,
    limits: LimitsForm | None = None,
    clearing: ClearForm | None = None,
) -> str:
    one = workflow.reference_chart(here.workplace(), reference_id)
    reference, points = one.watched.reference, one.points
    clearing = clearing or ClearForm(formdata=None, prefix="clear", seen=str(len(points)))
    forms = (reading, limits, clearing)
    return render_template(
        "references/page.html",
        one=one,
        watches=_watches(one),
        standing=shown.bench_standing(one),
        figure=shown.figure_as_shown(control_chart(reference.name, reference.unit, points)) if points else None,
        points=tuple(reversed(points[-_SHOWN_READINGS:])),
        form=next((given for given in forms if given is not None and given.has_errors), clearing),
        reading=reading or ReadingForm(formdata=None, prefix="reading"),
        limits=limits or LimitsForm(formdata=None, prefix="limits"),
        clearing=clearing,
        fewest=FEWEST_FOR_LIMITS,
        enough=ENOUGH_FOR_LIMITS,
    )
