"""Captures as they come: many files at once, each kept, told what it is, and put where it belongs."""

from collections.abc import Iterator
from typing import BinaryIO, cast

from flask import Blueprint, flash, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import MultipleFileField

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.web import here
from inspect_app.web.fields import PageForm
from inspect_app.web.pairings import phones_of
from inspect_app.web.rail import rail
from inspect_app.web.uploads import add_uploads
from inspect_app.workflow import Sender

bp = Blueprint("captures", __name__, url_prefix="/bench/<int:inspection_id>/captures")


class CapturesForm(PageForm):
    """Files of any step, as many as came."""

    files = MultipleFileField("Files", description="Pictures, films and tables of any step; drop them here or choose")


def _sender(inspection_id: int) -> Sender:
    return Sender(person=here.person(), inspection_id=inspection_id)


add_uploads(bp, "/parts", here.allowed_to("inspect")(_sender))


@bp.get("")
@here.allowed_to("inspect")
def page(inspection_id: int) -> ResponseReturnValue:
    """Ask for files, and ask where those belong that wait."""
    place = here.workplace()
    opened = workflow.inspection(place, inspection_id)
    if opened.signature is not None:
        return redirect(url_for("inspections.review", inspection_id=inspection_id), 303)
    return render_template(
        "bench/captures.html",
        inspection=opened,
        steps=rail(opened, workflow.form_of(place, opened)),
        form=CapturesForm(formdata=None),
        found=workflow.sort_captures(place, inspection_id),
        unfinished=workflow.unfinished_uploads(place, _sender(inspection_id)),
        phones=phones_of(inspection_id),
        step_id=request.args.get("step", ""),
    )


@bp.post("")
@here.allowed_to("inspect")
def take(inspection_id: int) -> ResponseReturnValue:
    """Keep every file that came; what no check takes is said at once, and the others go on."""
    for refusal in refusals(_sender(inspection_id)):
        flash(f"Not taken: {refusal}")
    return redirect(url_for("captures.page", inspection_id=inspection_id), 303)


def refusals(sender: Sender) -> Iterator[InspectError]:
    """Take the files of the request at hand, and yield why some were not taken."""
    for upload in request.files.getlist("files"):
        if not upload.filename:
            continue
        try:
            workflow.send_capture(here.workplace(), sender, upload.filename, cast(BinaryIO, upload.stream))
        except NotAllowed:
            raise
        except InspectError as error:
            yield error


@bp.post("/parts/<key>/drop")
@here.allowed_to("inspect")
def drop(inspection_id: int, key: str) -> ResponseReturnValue:
    """Forget a file of which only a part came."""
    workflow.drop_upload(here.workplace(), _sender(inspection_id), key)
    return redirect(url_for("captures.page", inspection_id=inspection_id), 303)


@bp.get("/waiting")
@here.allowed_to("inspect")
def waiting(inspection_id: int) -> ResponseReturnValue:
    """Tell a page that stays open how many captures wait for their step."""
    return jsonify(count=workflow.count_waiting(here.workplace(), inspection_id))


@bp.post("/places")
@here.allowed_to("inspect")
def put(inspection_id: int) -> ResponseReturnValue:
    """Add the captures to the drafts of the steps that were chosen."""
    chosen: dict[int, tuple[str, str] | None] = {}
    for name, value in request.form.items():
        key = name.removeprefix("place.")
        if name != key and key.isdecimal():
            step_id, _, role = value.rpartition("|")
            chosen[int(key)] = (step_id, role) if step_id else None
    titles = workflow.place_captures(here.workplace(), here.person(), inspection_id, chosen)
    flash(f"Added to: {'; '.join(titles)}. Finish each step." if titles else "No file was added to a step.")
    return redirect(url_for("bench.go_on", inspection_id=inspection_id), 303)
