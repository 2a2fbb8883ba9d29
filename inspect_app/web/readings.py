"""One reader before one step: what is to be read and nothing of what is expected, wanted or known already."""

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import PasswordField

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.web import here, session
from inspect_app.web.fields import PageForm, SerialField, needed
from inspect_app.web.rail import Place, place_of
from inspect_app.web.readiness import unread_cautions
from inspect_app.workflow import Readers

bp = Blueprint("readings", __name__, url_prefix="/bench/<int:inspection_id>/<step_id>/reading")


class ReadingForm(PageForm):
    """What was read, and the proof of who read it: at a bench the session may be another reader's."""

    reading = SerialField("Reading", needed("Type what you read."))
    password = PasswordField("Your password", needed("Enter your password."))


@bp.get("")
@here.allowed_to("inspect")
def ask(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Ask the person who is signed in what they read."""
    place = place_of(inspection_id, step_id)
    readers = _readers(place)
    if place.inspection.signature is not None:
        return redirect(url_for("bench.result", inspection_id=inspection_id, step_id=step_id), 303)
    return _page(place, readers, ReadingForm(formdata=None))


@bp.post("")
@here.allowed_to("inspect")
def take(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Keep the reading of the person who is signed in and proves it."""
    place = place_of(inspection_id, step_id)
    readers, form = _readers(place), ReadingForm()
    person = here.person()
    is_proved = form.validate() and form.carries_out(
        lambda: workflow.prove_password(here.workplace(), person, form.password.data), field="password"
    )
    if not is_proved or not form.carries_out(
        lambda: workflow.take_reading(here.workplace(), person, inspection_id, step_id, form.reading.data),
        field="reading",
    ):
        return _page(place, readers, form), 422
    flash(f"The reading of {person.name} is kept. Nobody sees it before all have read.")
    return redirect(url_for("bench.ask", inspection_id=inspection_id, step_id=step_id), 303)


@bp.post("/next")
@here.allowed_to("inspect")
def hand_over(inspection_id: int, step_id: str) -> ResponseReturnValue:
    """Sign out, so that the next reader signs in and comes to the same reading."""
    place = url_for("readings.ask", inspection_id=inspection_id, step_id=step_id)
    session.end()
    flash("Signed out. The next reader signs in, and comes to the reading.")
    return redirect(url_for("signin.sign_in", next=place), 303)


def _readers(place: Place) -> Readers:
    found = workflow.readers_of(here.workplace(), place.inspection.id, place.step)
    if found is None:
        raise NotFound(place.step.title, "it is not read by several readers", "Answer it on its own page.")
    return found


def _page(place: Place, readers: Readers, form: ReadingForm) -> str:
    form.reading.label.text = readers.question.label
    return render_template(
        "bench/reading.html",
        place=place,
        readers=readers,
        form=form,
        unread=unread_cautions(place.step.cautions),
        has_read=any(one.id == here.person().id for one in readers.read),
    )
