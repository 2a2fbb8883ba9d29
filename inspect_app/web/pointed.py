"""Where to look: the captures of a step that waits, to point at its regions before anything is measured."""

from typing import Final, cast

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import HiddenField

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Evidence
from inspect_app.web import here, touched
from inspect_app.web.fields import PageForm, field_for
from inspect_app.web.rail import Place, place_of, rail

bp = Blueprint("pointed", __name__, url_prefix="/bench")

_MOST_DIGITS: Final = 10


class RegionForm(PageForm):
    """The region questions of one step, and the draft that was seen."""

    seen = HiddenField()

    @property
    def revision_seen(self) -> int:
        """Of the draft that stood on the page; 0 where there was none."""
        text = self.seen.data or ""
        return int(text) if text.isdecimal() else 0


@bp.get("/<int:inspection_id>/<step_id>/where")
@here.allowed_to("inspect")
def look(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Show a kept capture, a film as one of its frames, and what was pointed at."""
    place = place_of(inspection_id, step_id)
    if not place.is_draft:
        return redirect(url_for("bench.ask", inspection_id=inspection_id, step_id=step_id), 303)
    return _page(place, _form(place, is_sent=False))


@bp.post("/<int:inspection_id>/<step_id>/where")
@here.allowed_to("inspect")
def keep(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Keep what was pointed at with the draft; then show another frame or file, or go back to the step."""
    place = place_of(inspection_id, step_id)
    form = _form(place, is_sent=True)
    regions = {name: form[name].data or "" for name in _regions(place)}
    kept = form.accept(
        lambda: workflow.keep_regions(
            here.workplace(), here.person(), inspection_id, step_id, regions, form.revision_seen
        )
    )
    if kept is None:
        return _page(place, form), 422
    frame, file = request.form.get("frame", type=int), request.form.get("file", request.args.get("file"))
    if "frame" in request.form or "file" in request.form:
        there = url_for("pointed.look", inspection_id=inspection_id, step_id=step_id, frame=frame, file=file)
        return redirect(there, 303)
    flash("The regions are kept. Save the step to measure there.")
    return redirect(url_for("bench.ask", inspection_id=inspection_id, step_id=step_id), 303)


def _regions(place: Place) -> tuple[str, ...]:
    return tuple(question.name for question in place.step.questions if question.kind == "region")


def _form(place: Place, *, is_sent: bool) -> RegionForm:
    asked = {question.name: field_for(question) for question in place.step.questions if question.kind == "region"}
    form_class = cast(type[RegionForm], type("PlacesForm", (RegionForm,), asked))
    if is_sent:
        return form_class()
    answers = place.entry.answers if place.entry else {}
    held = {name: texts[0] for name, texts in answers.items() if name in asked and texts}
    return form_class(formdata=None, data={**held, "seen": str(place.revision)})


def _files(place: Place) -> tuple[Evidence, ...]:
    files = tuple(file for file in place.entry.evidence if touched.is_picture(file)) if place.entry else ()
    if not files:
        raise NotFound(place.step.title, "no picture or film waits in it", "Add the capture to the step, then point.")
    return files


def _shape(text: str) -> tuple[int, ...]:
    """Return x, y, width and height of a typed region; nothing to see where it is none."""
    parts = text.split(",")
    is_region = len(parts) == 4 and all(part.strip().isdecimal() and len(part) < _MOST_DIGITS for part in parts)
    return tuple(map(int, parts)) if is_region else (0, 0, 0, 0)


def _page(place: Place, form: RegionForm) -> str:
    files = _files(place)
    file = next((one for one in files if one.sha256 == request.args.get("file")), files[0])
    picture = touched.picture_of(file, request.args.get("frame", type=int), None)
    return render_template(
        "bench/where.html",
        place=place,
        form=form,
        outlines=[(form[name], _shape(form[name].data or "")) for name in _regions(place)],
        files=files,
        picture=picture,
        steps=rail(place.inspection, place.form, place.step.id),
    )
