"""The page of what an instrument touched since its last good calibration."""

from dataclasses import dataclass
from datetime import date

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.model import Outcome
from inspect_app.quantity import format_quantity
from inspect_app.web import fleet, here
from inspect_app.workflow import FleetDevice, FleetSearch, Touched

bp = Blueprint("recalls", __name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTouched:
    """One inspection to look at again, with its results printed."""

    found: FleetDevice
    results: tuple[tuple[str, str, str], ...]


@bp.get("/instruments/<int:instrument_id>/touched")
def page(instrument_id: int) -> ResponseReturnValue:
    """List every inspection that an instrument was used in since a day, with the results measured with it."""
    asked = {name: request.args[name] for name in ("since", "verdict") if request.args.get(name)}
    refusal, found = "", None
    try:
        search = workflow.fleet_search_of({name: text for name, text in asked.items() if name == "verdict"})
        after = fleet.cursor_of(request.args.get("after", ""), FleetSearch())
        since = _day(asked["since"]) if "since" in asked else None
        found = workflow.recall(here.workplace(), instrument_id, since, outcome=search.outcome, after=after)
    except UnusableInput as error:
        refusal = str(error)
        found = workflow.recall(here.workplace(), instrument_id)
    body = render_template(
        "admin/touched.html",
        refusal=refusal,
        asked=asked,
        found=found,
        outcomes=list(Outcome),
        total=sum(found.outcomes.values()),
        rows=[shown_touched(one) for one in found.touched],
        unsigned=[shown_touched(one) for one in found.unsigned],
        following=fleet.cursor_text(found.following),
        is_first="after" not in request.args,
    )
    return body, 422 if refusal else 200


def shown_touched(one: Touched) -> ShownTouched:
    """Return one inspection with its results printed: quantity, value, finding."""
    return ShownTouched(
        found=one.found,
        results=tuple(
            (
                fleet.named(characteristic),
                format_quantity(result.quantity),
                "" if result.finding is None else result.finding.value,
            )
            for characteristic, result in one.results
        ),
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UnusableInput("since", f"{text[:40]} is no day", "Write it like 2026-06-01.") from error
