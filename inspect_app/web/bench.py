"""The bench: one step of one inspection per page; answers go in, the result comes back at once."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from flask import Blueprint, flash, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.errors import EditConflict, InspectError, NotAllowed, NotFound
from inspect_app.model import Entry, EntryState
from inspect_app.web import here, readiness, shown, touched
from inspect_app.web.answers import AnswerForm, answer_form
from inspect_app.web.rail import Place, next_step, place_of, rail
from inspect_app.workflow import Sender, StepAnswers

bp = Blueprint("bench", __name__, url_prefix="/bench")

_STATES: Final[Mapping[str, EntryState]] = {
    "record": EntryState.RECORDED,
    "draft": EntryState.DRAFT,
    "cannot tell": EntryState.CANNOT_TELL,
}


@bp.get("/<int:inspection_id>")
def go_on(inspection_id: int) -> ResponseReturnValue:
    """Go to the first step that waits for an answer, or to the review where none does."""
    inspection = workflow.inspection(here.workplace(), inspection_id)
    step = next_step(inspection)
    if step is None or inspection.signature is not None or not here.is_allowed("inspect"):
        return redirect(url_for("inspections.review", inspection_id=inspection_id), 303)
    return redirect(url_for("bench.ask", inspection_id=inspection_id, step_id=step.id), 303)


@bp.get("/<int:inspection_id>/<step_id>")
def ask(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Ask the questions of one step."""
    place = place_of(inspection_id, step_id)
    if place.inspection.signature is not None or not here.is_allowed("inspect"):
        return redirect(url_for("bench.result", inspection_id=inspection_id, step_id=step_id), 303)
    return _page(place, answer_form(place, is_sent=False))


@bp.post("/<int:inspection_id>/<step_id>")
@here.allowed_to("inspect")
def answer(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Keep the files, then record the answers; what cannot be recorded yet is kept as a draft."""
    place = place_of(inspection_id, step_id)
    form = answer_form(place, is_sent=True)
    form.keep_files()
    act = request.form.get("act", "record")
    if act == "record" and form.is_blank() and not form.refused_files:
        flash("Nothing is answered yet. Answer the step, or say that you cannot tell.")
        return redirect(_address("bench.ask", place), 303)
    is_sound = form.validate_with_files()
    if act == "draft" or (is_sound and act == "record" and form.missing):
        return _keep_draft(place, form, is_sound=is_sound)
    return _record(place, form, _STATES.get(act, EntryState.RECORDED), is_sound=is_sound)


@bp.get("/<int:inspection_id>/<step_id>/result")
def result(inspection_id: int, step_id: str) -> str:
    """Show what a step gave: the result with its doubt, the figure, and what the contract says of it."""
    place = place_of(inspection_id, step_id)
    assessment = workflow.judge_inspection(here.workplace(), place.inspection)
    decided = tuple(one for one in assessment.judgements if one.step_id == step_id)
    entry, measured = place.entry, place.entry.measured if place.entry else None
    return render_template(
        "bench/result.html",
        place=place,
        entry=entry,
        steps=rail(place.inspection, place.form, step_id),
        judgements=shown.judgements(decided),
        results=shown.results(measured, place.step.condition) if measured else (),
        figures=shown.drawings(measured, decided, place.step.condition) if measured else (),
        corrections=wording.corrections_text(entry) if entry else [],
        has_picture=entry is not None and measured is not None and any(map(touched.is_picture, entry.evidence)),
        readings=wording.readings_text(place.step.windows, entry.conditions) if entry else "",
        read_by=_read_by(place),
        history=_told(place),
        following=next_step(place.inspection, step_id),
    )


def _keep_draft(place: Place, form: AnswerForm, *, is_sound: bool) -> ResponseReturnValue:
    try:
        kept = workflow.keep_draft(
            here.workplace(),
            here.person(),
            place.inspection.id,
            place.step.id,
            form.to_answers(EntryState.DRAFT),
            form.revision_seen,
            as_opened=_as_opened(place) if form.revision_seen == 0 else None,
        )
    except EditConflict as conflict:
        return _conflict(place, form, conflict)
    joined = f". Joined with what {_who(kept.joined)} kept meanwhile" if kept.joined else ""
    if request.accept_mimetypes.best == "application/json":
        message = f"Saved {kept.entry.recorded_at.strftime('%H:%M:%S')} UTC{joined}"
        return jsonify(revision=kept.entry.revision, message=message, values=_changed(place, form) if joined else {})
    if not is_sound:
        return _again(place, form)
    missing = form.missing
    still = f" Still to answer: {', '.join(missing)}." if missing else ""
    flash(f"Saved as a draft{joined}.{still}")
    return redirect(_address("bench.ask", place), 303)


def _as_opened(place: Place) -> StepAnswers:
    """Return what the page held before anything was typed: how the bench stood for the last device, for example."""
    others = {step_id: entry for step_id, entry in place.inspection.entries.items() if step_id != place.step.id}
    untouched = replace(place, inspection=replace(place.inspection, entries=others))
    return answer_form(untouched, is_sent=False).to_answers(EntryState.DRAFT)


def _changed(place: Place, sent: AnswerForm) -> dict[str, str]:
    """Return what now stands in a draft and was not sent with it: a page that stays open shows it."""
    fresh = answer_form(place_of(place.inspection.id, place.step.id), is_sent=False)
    return {one.field.name: text for one in fresh.asked if (text := one.text) != sent[one.field.name].data and text}


def _who(entry: Entry) -> str:
    """Return whose newer answer it is; the same person in another tab is told so."""
    if entry.recorded_by.id == here.person().id:
        return "you, in another tab or at another bench,"
    return entry.recorded_by.name


def _record(place: Place, form: AnswerForm, state: EntryState, *, is_sound: bool) -> ResponseReturnValue:
    try:
        workflow.record_step(
            here.workplace(),
            here.person(),
            place.inspection.id,
            place.step.id,
            form.to_answers(state if is_sound else EntryState.DRAFT),
            form.revision_seen,
        )
    except (NotAllowed, NotFound):
        raise
    except EditConflict as conflict:
        return _conflict(place, form, conflict)
    except InspectError as error:
        form.refuse_step(error)
        return _again(place, form)
    return redirect(_address("bench.result", place), 303) if is_sound else _again(place, form)


def _again(place: Place, form: AnswerForm) -> ResponseReturnValue:
    """Show the page anew with what was refused; the draft that was saved holds every answer and file."""
    fresh_place = place_of(place.inspection.id, place.step.id)
    fresh = answer_form(fresh_place, is_sent=False)
    fresh.take_errors(form)
    fresh.reason.data = form.reason.data
    return _page(fresh_place, fresh), 422


def _conflict(place: Place, form: AnswerForm, conflict: EditConflict) -> ResponseReturnValue:
    """Show both values; nothing is overwritten before a person has chosen."""
    fresh = place_of(place.inspection.id, place.step.id)
    if fresh.entry is None:
        raise conflict
    if request.accept_mimetypes.best == "application/json":
        message = f"Not saved: {_who(fresh.entry)} kept another answer to the same question. Press Save to see both."
        return jsonify(message=message), 409
    form.expected_revision.data = str(fresh.revision)
    page = render_template(
        "bench/conflict.html",
        place=fresh,
        form=form,
        who=_who(fresh.entry),
        rows=_compared(fresh, form),
        act=request.form.get("act", "record"),
    )
    return page, 409


def _compared(place: Place, form: AnswerForm) -> tuple[tuple[str, str, str], ...]:
    theirs = answer_form(place, is_sent=False)
    rows = [
        (mine.field.label.text, shown.field_text(mine.field), shown.field_text(other.field))
        for mine, other in zip(form.asked, theirs.asked, strict=True)
    ]
    rows.append(("Files", _names(form), _names(theirs)))
    return tuple((label, mine, other) for label, mine, other in rows if mine or other)


def _names(form: AnswerForm) -> str:
    return ", ".join(file.name for file in form.chosen_files)


def _page(place: Place, form: AnswerForm) -> str:
    workplace, inspection = here.workplace(), place.inspection
    sender = Sender(person=here.person(), inspection_id=inspection.id)
    return render_template(
        "bench/step.html",
        place=place,
        form=form,
        steps=rail(place.inspection, place.form, place.step.id),
        history=_told(place),
        is_correction=place.entry is not None and not place.is_draft,
        setup=shown.setup(place.step),
        unread=readiness.unread_cautions(place.step.cautions),
        waits=readiness.offered(place.step),
        is_prefilled=place.entry is None and form.is_prefilled,
        may_point=place.is_draft and any(map(touched.is_picture, form.chosen_files)),
        takes_files=form.takes_files,
        waiting=workflow.count_waiting(workplace, inspection.id) if form.takes_files else 0,
        unfinished=workflow.unfinished_uploads(workplace, sender) if form.takes_files else (),
        is_dark=any("dark" in caution.casefold() for caution in place.step.cautions),
    )


def _read_by(place: Place) -> list[tuple[str, str]]:
    """Return who read what, each blind to the others, once it is recorded."""
    if place.entry is None:
        return []
    read = workflow.readings_behind(here.workplace(), place.inspection.id, place.step, place.entry)
    return [(f"Read by {one.reader.name}", f"{one.text}, {wording.minute(one.read_at)}") for one in read]


def _told(place: Place) -> tuple[shown.ShownEntry, ...]:
    """Return the earlier revisions of the step as shown, newest first."""
    entries = workflow.entry_history(here.workplace(), place.inspection.id, place.step.id)
    return tuple(shown.entry(place.step, entry) for entry in reversed(entries))


def _address(endpoint: str, place: Place) -> str:
    return url_for(endpoint, inspection_id=place.inspection.id, step_id=place.step.id)
