"""The page on a phone that was paired: it takes captures for one inspection, and shows and permits nothing else."""

from flask import Blueprint, flash, redirect, render_template, url_for
from flask import session as cookie
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import NotAllowed
from inspect_app.model import Pairing
from inspect_app.web import here
from inspect_app.web.captures import CapturesForm, refusals
from inspect_app.web.uploads import add_uploads
from inspect_app.workflow import Sender

bp = Blueprint("phone", __name__, url_prefix="/phone")


def _pairing() -> Pairing:
    """Return the pairing that this browser holds, while it permits something."""
    key = cookie.get("pairing")
    if not isinstance(key, int):
        raise NotAllowed("this phone", "it is not paired", "Let the inspector show a code, and scan it.")
    return workflow.active_pairing(here.workplace(), key)


def _sender() -> Sender:
    pairing = _pairing()
    return Sender(person=pairing.made_by, inspection_id=pairing.inspection_id, pairing=pairing)


add_uploads(bp, "/parts", _sender)


@bp.get("/enter/<token>")
def enter(token: str) -> ResponseReturnValue:
    """Take the token out of the address, which is seen over shoulders and kept in histories, into the cookie."""
    cookie["pairing"] = workflow.pairing_of_token(here.workplace(), token).id
    return redirect(url_for("phone.page"), 303)


@bp.get("/")
def page() -> str:
    """Offer the camera, and say what has arrived."""
    pairing = _pairing()
    place = here.workplace()
    return render_template(
        "phone.html",
        pairing=pairing,
        serial=workflow.inspection(place, pairing.inspection_id).device.serial,
        form=CapturesForm(formdata=None),
        sent=workflow.captures_of_pairing(place, pairing.id),
        unfinished=workflow.unfinished_uploads(place, _sender()),
    )


@bp.post("/")
def take() -> ResponseReturnValue:
    """Keep every capture that came; what no check takes is said at once, and the others go on."""
    for refusal in refusals(_sender()):
        flash(f"Not taken: {refusal}")
    return redirect(url_for("phone.page"), 303)
