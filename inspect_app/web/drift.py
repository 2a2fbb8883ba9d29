"""Drift on the pages: of each class over its deliveries, and of one characteristic in full."""

from dataclasses import dataclass

from flask import Blueprint, render_template, request

from inspect_app import workflow
from inspect_app.documents.figures.trend import trend_figure
from inspect_app.documents.wording import condition_text, day, name_in_words, per_cent
from inspect_app.model.characteristic import Characteristic
from inspect_app.quantity import Quantity, format_limit, format_quantity, with_unit
from inspect_app.web import here, shown
from inspect_app.web.shown import Standing
from inspect_app.workflow import MetLimit, Trend

bp = Blueprint("drift", __name__, url_prefix="/drift")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownTrend:
    """A trend, printed."""

    id: int
    name: str
    standing: Standing
    slope: str
    change: str
    reach: tuple[str, ...]
    chance: str
    points: int
    results: int


@bp.get("/")
def index() -> str:
    """List what was measured of a class, what drifts first."""
    classes = workflow.classes_measured(here.workplace())
    asked = request.args.get("class") or (classes[0] if classes else "")
    found = workflow.class_trends(here.workplace(), asked) if classes else ()
    return render_template(
        "drift/index.html", classes=classes, asked=asked, trends=[shown_trend(trend) for trend in found]
    )


@bp.get("/<int:characteristic_id>")
def page(characteristic_id: int) -> str:
    """Show one characteristic over the deliveries of its class."""
    trend = workflow.class_trend(here.workplace(), characteristic_id)
    one, bounds = trend.characteristic, [met.bound for met in trend.limits]
    figure = (
        trend_figure(name_of(one), one.unit, trend.points, trend.line, trend.change, bounds) if trend.points else None
    )
    return render_template(
        "drift/page.html",
        trend=shown_trend(trend),
        device_class=one.device_class,
        figure=shown.figure_as_shown(figure) if figure else None,
    )


@bp.get("/device/<int:device_id>")
def of_device(device_id: int) -> str:
    """Show what drifts of one device, over its inspections."""
    place = here.workplace()
    return render_template(
        "drift/device.html",
        device=workflow.device(place, device_id),
        trends=[shown_trend(trend) for trend in workflow.device_trends(place, device_id)],
    )


def name_of(one: Characteristic) -> str:
    """Return a characteristic in words."""
    words = name_in_words(one.quantity_name)
    under = condition_text(one.condition)
    return f"{words[:1].upper()}{words[1:]}{f', {under}' if under else ''}"


def shown_trend(trend: Trend) -> ShownTrend:
    """Return a trend as printed."""
    line, unit = trend.line, trend.characteristic.unit
    return ShownTrend(
        id=trend.characteristic.id,
        name=name_of(trend.characteristic),
        standing=_standing(trend),
        slope=_per_year(trend),
        change=_change(trend),
        reach=tuple(_reach(met, unit) for met in trend.limits) if trend.stands_out else (),
        chance="" if line is None else per_cent(line.chance),
        points=len(trend.points),
        results=sum(trend.counts),
    )


def _standing(trend: Trend) -> Standing:
    if trend.change is not None:
        return Standing(mark="!", word="Changed", tone="fail")
    if trend.line is None:
        return Standing(mark="–", word="No course yet", tone="doubt")
    if trend.stands_out:
        return Standing(mark="↗" if trend.line.slope > 0 else "↘", word="Drifts", tone="fail")
    return Standing(mark="✓", word="No drift shown", tone="pass")


def _per_year(trend: Trend) -> str:
    line = trend.line
    if line is None:
        return ""
    slope = Quantity(
        value=line.slope,
        unit=trend.characteristic.unit,
        standard_uncertainty=line.slope_uncertainty,
        degrees_of_freedom=line.degrees_of_freedom,
    )
    return f"{format_quantity(slope)} per year"


def _change(trend: Trend) -> str:
    change = trend.change
    if change is None:
        return ""
    after, before = (day(workflow.as_moment(years)) for years in (change.after, change.before))
    step = Quantity(value=change.step, unit=trend.characteristic.unit, standard_uncertainty=change.step_uncertainty)
    return f"By {format_quantity(step)} between {after} and {before}; by chance at most {per_cent(change.chance)}"


def _reach(met: MetLimit, unit: str) -> str:
    expected = "later than in fifty years" if met.expected is None else f"expected {day(met.expected)}"
    earliest = "" if met.earliest is None else f", not before {day(met.earliest)}"
    latest = "" if met.latest is None else f", by {day(met.latest)} at the latest"
    bound = with_unit(format_limit(met.bound, "1"), unit)
    return f"{met.contract_number}, clause {met.clause}, {bound}: {expected}{earliest}{latest} (95 %)"
