"""Reader studies: blinded trials laid out, what the table of their readings says, and which study counts."""

import csv
import io
import re
from collections.abc import Callable
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import SelectField, StringField, TextAreaField

from inspect_app import workflow
from inspect_app.definitions.studies import LARGEST_BYTES
from inspect_app.definitions.study_results import Agreement, Readings, evaluated
from inspect_app.documents import lot_wording, wording
from inspect_app.documents.figures.readers import readings_figure
from inspect_app.documents.study_lines import (
    ANALYSIS_COLUMNS,
    agreement_lines,
    analysis_rows,
    gauge_lines,
    range_lines,
)
from inspect_app.errors import UnusableInput
from inspect_app.judge.blinding import BlindTrial, blinded_trials
from inspect_app.model import StudyAdoption, StudyKind
from inspect_app.quantity import format_number
from inspect_app.web import here, shown
from inspect_app.web.fields import CountField, PageForm, chosen, needed
from inspect_app.workflow import NewStudy

bp = Blueprint("studies", __name__, url_prefix="/studies")

_COUNTING: Final = (StudyKind.ELEMENTS, StudyKind.LOOKS)
_BETWEEN_NAMES = re.compile(r"[,;\n]+")


class LayOutForm(PageForm):
    """Who reads what how often; it changes nothing, so that its answers stand in the address."""

    class Meta:
        """Needs no token."""

        csrf = False

    parts = TextAreaField("Parts", needed("Name the parts."), description="One a line or with commas; ten are good")
    readers = TextAreaField("Readers", needed("Name the readers."), description="One a line or with commas; three")
    repeats = CountField("Readings of each part by each reader", needed("Give a whole number."), default=2)
    seed = CountField(
        "Number of this layout",
        needed("Give a whole number."),
        default=1,
        description="The same number lays out the same trials; take another for every study",
    )

    def trials(self) -> tuple[BlindTrial, ...]:
        """Return the trials laid out."""
        return blinded_trials(
            _names(self.parts.data), _names(self.readers.data), self.repeats.data, seed=self.seed.data
        )


class EvaluateForm(PageForm):
    """A table of readings or looks."""

    kind = SelectField(
        "What the table holds",
        choices={
            StudyKind.READINGS.value: "Readings: part, reader, value",
            StudyKind.ELEMENTS.value: "Elements of the bar target: part, reader, value as G,E",
            StudyKind.LOOKS.value: "Looks: item, reader, verdict, and perhaps reference",
        },
    )
    table = FileField("Table of the study", description="A CSV file with the names of its columns in the first row")
    title = StringField("Title", description="To keep it: what was studied, such as bar target near starlight")
    instrument = SelectField("Instrument", description="To keep it: what was read on", validate_choice=False)
    layout = StringField(
        "Number of the layout", description="To keep it: only where the table has no column layout of its own"
    )
    remark = TextAreaField("Remark")


class CountForm(PageForm):
    """Whether a study stands for the readers of the bench."""

    reason = TextAreaField("Why?", needed("Write why."))


@bp.get("/")
def index() -> str:
    """List the kept studies, and offer both halves of a new one."""
    return _index(LayOutForm(formdata=None), EvaluateForm(formdata=None))


@bp.get("/trials")
def trials() -> ResponseReturnValue:
    """Lay blinded trials out: a sheet for each reader, and the key for who leads the study."""
    form = LayOutForm(formdata=request.args)
    laid_out = form.accept(form.trials) if form.validate() else None
    if laid_out is None:
        return _index(form, EvaluateForm(formdata=None)), 422
    readers = dict.fromkeys(trial.reader for trial in laid_out)
    sheets = {reader: [trial for trial in laid_out if trial.reader == reader] for reader in readers}
    return render_template("studies/trials.html", sheets=sheets, form=form, address=request.args)


@bp.get("/trials.csv")
def table() -> ResponseReturnValue:
    """Send the table to be filled in by who leads the study."""
    form = LayOutForm(formdata=request.args)
    if not form.validate():
        raise UnusableInput("study", "it is not laid out", "Lay the trials out first.")
    written = io.StringIO()
    rows = csv.writer(written)
    rows.writerow(("layout", "code", "part", "reader", "value"))
    rows.writerows((form.seed.data, trial.code, trial.part, trial.reader, "") for trial in form.trials())
    return _csv(written.getvalue(), "reader-study.csv")


def _csv(text: str, name: str) -> ResponseReturnValue:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return text, 200, {"Content-Type": "text/csv; charset=utf-8", **headers}


@bp.post("/")
def evaluate() -> ResponseReturnValue:
    """Tell what a table of trials says, or keep it."""
    form = EvaluateForm()
    keeps = request.form.get("act") == "keep"
    at_fault = "title" if keeps and not (form.title.data or "").strip() else "table"
    said = form.accept(lambda: _kept(form) if keeps else _told(form), at_fault) if form.validate() else None
    if said is None:
        return _index(LayOutForm(formdata=None), form), 422
    return said


def _uploaded() -> tuple[bytes, str]:
    upload = request.files.get("table")
    if upload is None or not upload.filename:
        raise UnusableInput("table", "no file was chosen", "Choose the CSV file of the study.")
    return upload.stream.read(LARGEST_BYTES + 1), upload.filename


def _told(form: EvaluateForm) -> str:
    content, name = _uploaded()
    kind = chosen(form.kind, StudyKind)
    found = evaluated(kind, content, name)
    return render_template("studies/result.html", name=name, **_result(found, kind))


@here.allowed_to("inspect")
def _kept(form: EvaluateForm) -> ResponseReturnValue:
    content, name = _uploaded()
    new = NewStudy(
        kind=chosen(form.kind, StudyKind),
        title=form.title.data or "",
        table_name=name,
        table=content,
        layout=form.layout.data or "",
        instrument_id=int(form.instrument.data) if (form.instrument.data or "").isdecimal() else None,
        remark=form.remark.data or "",
    )
    number = workflow.keep_study(here.workplace(), here.person(), new)
    flash(f"The study is kept as {number}.")
    return redirect(url_for("studies.page", number=number), 303)


def _result(found: Readings | Agreement, kind: StudyKind) -> dict[str, object]:
    """Return what the result of a study is shown with."""
    if isinstance(found, Agreement):
        return {"lines": tuple(agreement_lines(found.looks, found.kappa))}
    elements = kind is StudyKind.ELEMENTS
    figure = readings_figure(found.trials, y_label="Element" if elements else "Reading")
    return {
        "lines": tuple(gauge_lines(found.gauge, elements=elements)),
        "by_range": tuple(range_lines(found.ranges)),
        "columns": ANALYSIS_COLUMNS,
        "rows": analysis_rows(found.gauge),
        "figure": shown.figure_as_shown(figure),
    }


@bp.get("/<number>")
def page(number: str) -> str:
    """Show a kept study: who kept it, what it says, and whether it counts at the bench."""
    return _page(number, CountForm(formdata=None))


def _page(number: str, form: CountForm) -> str:
    study_page = workflow.reader_study(here.workplace(), number)
    study = study_page.study
    instrument = study.instrument
    facts = (
        ("Title", study.title),
        ("Readings", study.kind.value),
        ("Instrument", "none named" if instrument is None else f"{instrument.name}, {instrument.serial}"),
        ("Layout of the blinded order", study.layout or "not told"),
        ("Table", study.table_name),
        ("Kept", f"{wording.minute(study.kept_at)} by {study.kept_by.name}"),
        ("Remark", study.remark),
    )
    return render_template(
        "studies/page.html",
        study=study,
        facts=[(name, words) for name, words in facts if words],
        counts=study_page.counts,
        acts=[_in_words(act) for act in study.adoptions],
        can_count=study.kind in _COUNTING,
        is_of_looks=study.kind is StudyKind.LOOKS,
        form=form,
        **_result(study_page.found, study.kind),
    )


def _in_words(act: StudyAdoption) -> str:
    since = f"{wording.minute(act.decided_at)}, {act.decided_by.name}"
    if act.errors is not None:
        said = lot_wording.looks_source(act.study_number, act.errors)
        return f"{since}: counts from then on, {said}. {act.reason}"
    if act.doubt is None:
        return f"{since}: counts no longer. {act.reason}"
    return f"{since}: counts from then on, one reader {format_number(act.doubt.percent, 2)} %. {act.reason}"


@bp.get("/<number>.csv")
def kept_table(number: str) -> ResponseReturnValue:
    """Send the table of a kept study as it was handed in."""
    study = workflow.reader_study(here.workplace(), number).study
    return _csv(study.table, f"{study.number}.csv")


@bp.post("/<number>/adoption")
@here.allowed_to("approve")
def adopt(number: str) -> ResponseReturnValue:
    """Let a study count at the bench."""
    return _ruled(number, workflow.adopt_study, "The study counts for what is recorded from now on.")


@bp.post("/<number>/end")
@here.allowed_to("approve")
def end(number: str) -> ResponseReturnValue:
    """Let a study count no longer."""
    return _ruled(number, workflow.end_study, "No study counts at the bench any longer.")


def _ruled(number: str, act: Callable[..., None], told: str) -> ResponseReturnValue:
    form = CountForm()
    if form.validate() and form.carries_out(lambda: act(here.workplace(), here.person(), number, form.reason.data)):
        flash(told)
        return redirect(url_for("studies.page", number=number), 303)
    return _page(number, form), 422


def _names(text: str) -> list[str]:
    return [name.strip() for name in _BETWEEN_NAMES.split(text) if name.strip()]


def _index(lay_out: LayOutForm, evaluation: EvaluateForm) -> str:
    place = here.workplace()
    instruments = {str(one.id): f"{one.name}, {one.serial}" for one in workflow.instruments(place)}
    evaluation.instrument.choices = {"": "None named", **instruments}
    acts = [workflow.counting_study(place, kind) for kind in _COUNTING]
    return render_template(
        "studies/index.html",
        lay_out=lay_out,
        form=evaluation,
        studies=[(wording.day(one.kept_at), one) for one in workflow.reader_studies(place)],
        counting={act.study_number for act in acts if act is not None},
    )
