"""Pictures that can be touched: what a check saw, where it looked, and a person's correction beside it."""

from collections.abc import Mapping
from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Entry, Evidence, Measured
from inspect_app.web import here, shown, touched
from inspect_app.web.fields import PageForm
from inspect_app.web.rail import Place, place_of, rail

bp = Blueprint("pictures", __name__, url_prefix="/bench")

Options = Mapping[str, tuple[str, ...]]


class CorrectionForm(PageForm):
    """Carries the forgery token, and what the workflow refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The newest entry of a step with the result that counts and the one that was computed."""

    entry: Entry
    counting: Measured
    computed: Measured
    files: tuple[Evidence, ...]

    @property
    def state(self) -> str:
        """What the page was made from, so that a later change by somebody else is noticed."""
        return f"{self.entry.revision}.{len(self.entry.corrections)}"


@bp.get("/<int:inspection_id>/<step_id>/picture")
def look(inspection_id: int, step_id: str) -> str:
    """Show the picture with what the check saw in it, and what may be set by hand."""
    place = place_of(inspection_id, step_id)
    seen = _seen(place)
    correction = seen.entry.counting_correction
    return _page(place, seen, CorrectionForm(formdata=None), correction.options if correction else {})


@bp.post("/<int:inspection_id>/<step_id>/picture")
@here.allowed_to("inspect")
def correct(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Try what a person set, or record it, or let the computed result count again."""
    place, form = place_of(inspection_id, step_id), CorrectionForm()
    act, options = request.form.get("act", "try"), _options()
    if act == "try":
        tried = form.accept(
            lambda: workflow.try_correction(here.workplace(), here.person(), inspection_id, step_id, options)
        )
        page = _page(place, _seen(place), form, options, tried)
        return page, 422 if tried is None else 200
    entry = form.accept(
        lambda: workflow.correct_result(
            here.workplace(),
            here.person(),
            inspection_id,
            step_id,
            {} if act == "withdraw" else options,
            request.form.get("reason", ""),
            _state_sent(),
        )
    )
    if entry is None:
        return _page(place, _seen(place), form, options), 422
    counts = "corrected" if entry.counting_correction else "computed"
    flash(f"The {counts} result counts now. Both are kept, and the document says which one it is.")
    return redirect(url_for("bench.result", inspection_id=inspection_id, step_id=step_id), 303)


def _seen(place: Place) -> _Seen:
    entry = place.entry
    files = tuple(file for file in entry.evidence if file.role != "photo") if entry else ()
    if entry is None or entry.measured is None or not files:
        raise NotFound(place.step.title, "it holds no result from captures yet", "Record the step, then look.")
    return _Seen(entry=entry, counting=entry.measured, computed=entry.computed or entry.measured, files=files)


def _options() -> Options:
    """Return what was set on the page: regions, the changes chosen for spots, and one more spot."""
    sent = request.form
    options = {
        name.removeprefix("region."): (sent[name].replace(" ", ""),)
        for name in sent
        if name.startswith("region.") and sent[name].strip()
    }
    changes = tuple(text for name in sent if name.startswith("spot.") for text in sent.getlist(name) if text)
    more = [sent.get(f"add_{name}", "").strip() for name in ("x", "y", "diameter")]
    if any(more):
        changes = (*changes, ",".join(("add", *more, sent.get("add_polarity", "dark"))))
    return {**options, workflow.SPOT_CHANGES: changes} if changes else options


def _state_sent() -> tuple[int, int]:
    revision, _, count = request.form.get("seen", "").partition(".")
    return (int(revision), int(count)) if revision.isdecimal() and count.isdecimal() else (0, 0)


def _page(place: Place, seen: _Seen, form: CorrectionForm, options: Options, tried: Measured | None = None) -> str:
    names = workflow.correctable_options(place.step)
    changes = options.get(workflow.SPOT_CHANGES, ())
    file = next((one for one in seen.files if one.sha256 == request.args.get("file")), seen.files[0])
    picture = touched.picture_of(file, request.args.get("frame", type=int), request.args.get("at", type=float))
    now = tried or seen.counting
    moved, same = touched.differences(seen.computed, seen.counting, tried)
    return render_template(
        "bench/picture.html",
        place=place,
        form=form,
        seen=seen,
        steps=rail(place.inspection, place.form, place.step.id),
        picture=picture,
        strip=touched.strip(picture) if picture else (),
        instants=touched.instants(now),
        outlines=touched.outlines(now),
        curves=touched.band_curves(now, picture) if picture else (),
        spots=touched.spots(seen.computed, changes),
        added=touched.added(changes),
        has_spots=workflow.SPOT_CHANGES in names,
        regions=touched.regions(names, options),
        tried=tried,
        moved=moved,
        same=same,
        figures=shown.drawings(now, (), place.step.condition),
        may_correct=place.inspection.signature is None and here.is_allowed("inspect"),
        reason=request.form.get("reason", ""),
    )
