"""Comparison: up to eight devices, dates or classes side by side; what is chosen stands in the address."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.web import compared, here
from inspect_app.workflow import Comparison

bp = Blueprint("compare", __name__)

_KEPT_FOR_GOOD = "private, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """One of those compared, and the address of the comparison without it."""

    label: str
    note: str
    without: str


@bp.get("/compare")
def page() -> ResponseReturnValue:
    """Show what was chosen side by side, and offer to add to it."""
    (ids, classes), refusal = _asked(), ""
    try:
        if "serial" in request.args:
            return redirect(_address("compare.page", _with_the_typed(ids), classes), 303)
        found = workflow.compare(here.workplace(), ids, classes)
    except UnusableInput as error:
        refusal = str(error)
        ids, classes = ids[: workflow.MOST_COMPARED], classes[: max(0, workflow.MOST_COMPARED - len(ids))]
        found = workflow.compare(here.workplace(), ids, classes)
    sections = compared.sections(found)
    drawings_address = _address("compare.drawings", ids, classes, [("is", compared.sheet(sections).digest)])
    body = render_template(
        "compare.html",
        refusal=refusal,
        ids=ids,
        classes=classes,
        chosen=_chosen(found, ids, classes),
        all_classes=[name for name in workflow.device_classes(here.workplace()) if name not in classes],
        columns=[one.label for one in found.compared],
        sections=compared.shown_sections(sections, drawings_address),
        is_full=len(found.compared) >= workflow.MOST_COMPARED,
    )
    return body, 422 if refusal else 200


@bp.get("/compare/drawings.svg")
def drawings() -> Response:
    """Send the drawings of a comparison in one file; its address names its digest, so it may be kept."""
    ids, classes = _asked()
    sheet = compared.sheet(compared.sections(workflow.compare(here.workplace(), ids, classes)))
    response = make_response(sheet.svg)
    response.headers["Content-Type"] = "image/svg+xml"
    if sheet.digest == request.args.get("is"):
        response.headers["Cache-Control"] = _KEPT_FOR_GOOD
    return response


def _asked() -> tuple[list[int], list[str]]:
    ids, classes = request.args.getlist("of", type=int), request.args.getlist("class")
    return list(dict.fromkeys(ids)), list(dict.fromkeys(name for name in classes if name))


def _with_the_typed(ids: Sequence[int]) -> list[int]:
    """Return the inspections asked for with the newest one of the serial that was typed, if one was."""
    serial = request.args["serial"].strip()
    return list(dict.fromkeys((*ids, workflow.newest_inspection_of(here.workplace(), serial)))) if serial else [*ids]


def _address(endpoint: str, ids: Sequence[int], classes: Sequence[str], more: Sequence[tuple[str, str]] = ()) -> str:
    asked = [("of", str(key)) for key in ids] + [("class", name) for name in classes]
    return f"{url_for(endpoint)}?{urlencode([*asked, *more])}"


def _chosen(found: Comparison, ids: Sequence[int], classes: Sequence[str]) -> list[Chosen]:
    chosen = []
    for one in found.compared:
        kept_ids = [key for key in ids if one.is_class or key != one.inspection_ids[0]]
        kept_classes = [name for name in classes if not one.is_class or name != one.label]
        note = f"mean and spread of {len(one.inspection_ids)} devices" if one.is_class else ""
        chosen.append(Chosen(label=one.label, note=note, without=_address("compare.page", kept_ids, kept_classes)))
    return chosen
