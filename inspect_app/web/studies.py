"""Reader studies: blinded trials laid out, and what the table of their readings says; nothing of it is kept."""

import csv
import io
import re

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import IntegerField, SelectField, TextAreaField
from wtforms.widgets import TextInput

from inspect_app.definitions.studies import LARGEST_BYTES, gauge_trials, read_looks
from inspect_app.documents.figures.readers import readings_figure
from inspect_app.documents.study_lines import ANALYSIS_COLUMNS, agreement_lines, analysis_rows, gauge_lines
from inspect_app.errors import UnusableInput
from inspect_app.judge.blinding import BlindTrial, blinded_trials
from inspect_app.judge.gauge import gauge_study
from inspect_app.web import shown
from inspect_app.web.fields import PageForm, needed

bp = Blueprint("studies", __name__, url_prefix="/studies")

_BETWEEN_NAMES = re.compile(r"[,;\n]+")


class LayOutForm(PageForm):
    """Who reads what how often; it changes nothing, so that its answers stand in the address."""

    class Meta:
        """Needs no token."""

        csrf = False

    parts = TextAreaField("Parts", needed("Name the parts."), description="One a line or with commas; ten are good")
    readers = TextAreaField("Readers", needed("Name the readers."), description="One a line or with commas; three")
    repeats = IntegerField(
        "Readings of each part by each reader", needed("Give a whole number."), default=2, widget=TextInput()
    )
    seed = IntegerField(
        "Number of this layout",
        needed("Give a whole number."),
        default=1,
        widget=TextInput(),
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
            "readings": "Readings: part, reader, value",
            "elements": "Elements of the bar target: part, reader, value as G,E",
            "looks": "Looks: item, reader, verdict, and perhaps reference",
        },
    )
    table = FileField("Table of the study", description="A CSV file with the names of its columns in the first row")


@bp.get("/")
def index() -> str:
    """Offer both halves of a study."""
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
    rows.writerow(("code", "part", "reader", "value"))
    rows.writerows((trial.code, trial.part, trial.reader, "") for trial in form.trials())
    headers = {"Content-Disposition": 'attachment; filename="reader-study.csv"'}
    return written.getvalue(), 200, {"Content-Type": "text/csv; charset=utf-8", **headers}


@bp.post("/")
def evaluate() -> ResponseReturnValue:
    """Tell what a table of trials says."""
    form = EvaluateForm()
    said = form.accept(lambda: _evaluated(form.kind.data), field="table") if form.validate() else None
    if said is None:
        return _index(LayOutForm(formdata=None), form), 422
    return said


def _evaluated(kind: str) -> str:
    upload = request.files.get("table")
    if upload is None or not upload.filename:
        raise UnusableInput("table", "no file was chosen", "Choose the CSV file of the study.")
    content, name = upload.stream.read(LARGEST_BYTES + 1), upload.filename
    if kind == "looks":
        looks = read_looks(content, name)
        return render_template("studies/result.html", name=name, lines=agreement_lines(looks, looks.kappa()))
    elements = kind == "elements"
    readings = gauge_trials(content, name, elements=elements)
    found = gauge_study(readings)
    return render_template(
        "studies/result.html",
        name=name,
        lines=gauge_lines(found, elements=elements),
        columns=ANALYSIS_COLUMNS,
        rows=analysis_rows(found),
        figure=shown.figure_as_shown(readings_figure(readings, y_label="Element" if elements else "Reading")),
    )


def _names(text: str) -> list[str]:
    return [name.strip() for name in _BETWEEN_NAMES.split(text) if name.strip()]


def _index(lay_out: LayOutForm, evaluation: EvaluateForm) -> str:
    return render_template("studies/index.html", lay_out=lay_out, form=evaluation)
