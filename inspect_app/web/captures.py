"""Captures as they come: many files at once, each kept, told what it is, and put where it belongs."""

from typing import BinaryIO, cast

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import MultipleFileField

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.web import here
from inspect_app.web.fields import PageForm
from inspect_app.web.rail import rail

bp = Blueprint("captures", __name__, url_prefix="/bench")


class CapturesForm(PageForm):
    """Files of any step, as many as came."""

    files = MultipleFileField("Files", description="Pictures, films and tables of any step; drop them here or choose")


@bp.get("/<int:inspection_id>/captures")
@here.allowed_to("inspect")
def page(inspection_id: int) -> str:
    """Ask for files, and ask where those belong that were kept."""
    place = here.workplace()
    opened = workflow.inspection(place, inspection_id)
    found = workflow.sort_captures(place, inspection_id, request.args.getlist("kept"))
    return render_template(
        "bench/captures.html",
        inspection=opened,
        steps=rail(opened, workflow.form_of(place, opened)),
        form=CapturesForm(formdata=None),
        found=found,
    )


@bp.post("/<int:inspection_id>/captures")
@here.allowed_to("inspect")
def take(inspection_id: int) -> ResponseReturnValue:
    """Keep every file that came; what no check takes is said at once, and the others go on."""
    workflow.inspection(here.workplace(), inspection_id)
    kept = request.form.getlist("kept")
    for upload in request.files.getlist("files"):
        if not upload.filename:
            continue
        try:
            stream = cast(BinaryIO, upload.stream)
            file = workflow.keep_file(here.workplace(), here.person(), upload.filename, stream)
            workflow.kind_of_capture(here.workplace(), file)
        except NotAllowed:
            raise
        except InspectError as error:
            flash(f"Not taken: {error}")
            continue
        kept.append(file.sha256)
    return redirect(url_for("captures.page", inspection_id=inspection_id, kept=list(dict.fromkeys(kept))), 303)


@bp.post("/<int:inspection_id>/captures/places")
@here.allowed_to("inspect")
def put(inspection_id: int) -> ResponseReturnValue:
    """Add the files to the drafts of the steps that were chosen."""
    chosen = {
        name.removeprefix("place."): (step_id, role)
        for name, value in request.form.items()
        if name.startswith("place.")
        for step_id, _, role in (value.rpartition("|"),)
        if step_id
    }
    titles = workflow.place_captures(here.workplace(), here.person(), inspection_id, chosen)
    flash(f"Added to: {'; '.join(titles)}. Finish each step." if titles else "No file was added to a step.")
    return redirect(url_for("bench.go_on", inspection_id=inspection_id), 303)
