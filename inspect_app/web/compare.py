"""Comparison: up to eight devices, dates or classes side by side; what is chosen stands in the address."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.documents.figures import (
    Beside,
    Figure,
    OverLight,
    Part,
    combined_figures,
    over_light_figure,
    side_by_side_figure,
)
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Limit
from inspect_app.quantity import Quantity, conversion_factor, format_quantity
from inspect_app.web import here, shown
from inspect_app.workflow import ComparedResult, Comparison

bp = Blueprint("compare", __name__)

_ILLUMINANCE = "illuminance_lx"
_OVER_LIGHT = ("bar-target", "slanted-edge", "step-wedge")
_LINE_STYLES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One quantity under one condition, printed for each of those compared."""

    name: str
    under: str
    demands: tuple[str, ...]
    cells: tuple[str, ...]
    figure: shown.ShownFigure


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """One of those compared, and the address of the comparison without it."""

    label: str
    note: str
    without: str


@bp.get("/compare")
def page() -> ResponseReturnValue:
    """Show what was chosen side by side, and offer to add to it."""
    ids, classes = request.args.getlist("of", type=int), request.args.getlist("class")
    refusal = ""
    try:
        if request.args.get("serial", "").strip():
            ids = [*ids, workflow.newest_inspection_of(here.workplace(), request.args["serial"])]
        ids, classes = list(dict.fromkeys(ids)), list(dict.fromkeys(name for name in classes if name))
        if "serial" in request.args:
            return redirect(_address(ids, classes), 303)
        found = workflow.compare(here.workplace(), ids, classes)
    except UnusableInput as error:
        refusal = str(error)
        found = workflow.compare(here.workplace(), ids[: workflow.MOST_COMPARED], ())
    body = render_template(
        "compare.html",
        refusal=refusal,
        ids=ids,
        classes=classes,
        chosen=_chosen(found, ids, classes),
        all_classes=[name for name in workflow.device_classes(here.workplace()) if name not in classes],
        columns=[one.label for one in found.compared],
        rows=[_row(found, result) for result in found.results],
        figures=[shown.figure_as_shown(figure) for figure in (*_transfer(found), *_over_light(found))],
        is_full=len(found.compared) >= workflow.MOST_COMPARED,
    )
    return body, 422 if refusal else 200


def _address(ids: Sequence[int], classes: Sequence[str]) -> str:
    asked = [("of", str(key)) for key in ids] + [("class", name) for name in classes]
    return f"{url_for('compare.page')}?{urlencode(asked)}"


def _chosen(found: Comparison, ids: Sequence[int], classes: Sequence[str]) -> list[Chosen]:
    chosen = []
    for one in found.compared:
        kept_ids = [key for key in ids if one.is_class or key != one.inspection_ids[0]]
        kept_classes = [name for name in classes if not one.is_class or name != one.label]
        note = f"mean and spread of {len(one.inspection_ids)} devices" if one.is_class else ""
        chosen.append(Chosen(label=one.label, note=note, without=_address(kept_ids, kept_classes)))
    return chosen


def _row(found: Comparison, result: ComparedResult) -> Row:
    name, under = wording.name_in_words(result.quantity_name), wording.condition_text(result.condition)
    beside = [
        Beside(label=one.label, quantity=quantity)
        for one, quantity in zip(found.compared, result.quantities, strict=True)
    ]
    unit = next(quantity.unit for quantity in result.quantities if quantity is not None)
    figure = side_by_side_figure(wording.titled(name, result.condition), beside, _bounds(result.limits, unit))
    return Row(
        name=name,
        under=under,
        demands=tuple(dict.fromkeys(wording.demand_text(limit) for limit in result.limits)),
        cells=tuple("–" if quantity is None else format_quantity(quantity) for quantity in result.quantities),
        figure=shown.figure_as_shown(figure),
    )


def _bounds(limits: Sequence[Limit], unit: str) -> tuple[float, ...]:
    found: dict[float, None] = {}
    for limit in limits:
        try:
            factor = conversion_factor(limit.unit, unit)
        except InspectError:
            continue
        found |= dict.fromkeys(b * factor for b in (limit.at_least, limit.at_most) if b is not None)
    return tuple(found)


def _transfer(found: Comparison) -> tuple[Figure, ...]:
    """Return the modulation transfer of the devices, overlaid for each axis and illuminance."""
    parts: dict[str, list[Part]] = {}
    for one in found.compared:
        for step_id, entry in one.entries.items():
            if entry.measured is not None and entry.measured.check == "slanted-edge":
                condition = {**one.conditions.get(step_id, {}), "device": one.label}
                parts.setdefault(step_id, []).append(Part(measured=entry.measured, condition=condition))
    return tuple(
        figure for step_id, own in parts.items() for figure in combined_figures(own) if step_id and len(own) > 1
    )


def _over_light(found: Comparison) -> Iterator[Figure]:
    """Yield resolution and dynamic range over the illuminance, where at least two illuminances were measured."""
    groups: dict[tuple[str, str], list[ComparedResult]] = {}
    for result in found.results:
        if result.check in _OVER_LIGHT and isinstance(result.condition.get(_ILLUMINANCE), int | float):
            rest = wording.condition_text({n: v for n, v in result.condition.items() if n != _ILLUMINANCE})
            groups.setdefault((result.quantity_name, rest), []).append(result)
    for (name, rest), results in groups.items():
        title = f"{wording.name_in_words(name)} over illuminance{', ' + rest if rest else ''}"
        series = [s for i, one in enumerate(found.compared) if len((s := _series(one.label, results, i)).points) > 1]
        for start in range(0, len(series), _LINE_STYLES):
            yield over_light_figure(title, series[start : start + _LINE_STYLES])


def _series(label: str, results: Sequence[ComparedResult], index: int) -> OverLight:
    points: list[tuple[float, Quantity]] = []
    for result in results:
        quantity, lx = result.quantities[index], result.condition[_ILLUMINANCE]
        if quantity is not None and isinstance(lx, int | float):
            points.append((float(lx), quantity))
    return OverLight(label=label, points=tuple(sorted(points, key=lambda point: point[0])))
