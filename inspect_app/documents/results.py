"""Demands and what was found, as printed lines: the table of results, the spot tables, what is not met."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.documents import wording
from inspect_app.documents.figures import Figure, result_bar
from inspect_app.judge import excess_over
from inspect_app.model import Entry, Finding, Judgement, Limit, Measured, SpotAllowance, SpotClass
from inspect_app.quantity import (
    decimals_for,
    expanded_uncertainty,
    format_limit,
    format_number,
    format_quantity,
    with_unit,
)

_SHAPES: Final[Mapping[Finding, str]] = {
    Finding.CONFORMING: "conforming",
    Finding.NONCONFORMING: "nonconforming",
    Finding.INCONCLUSIVE: "inconclusive",
    Finding.NOT_MEASURED: "not-measured",
    Finding.CONDITIONAL_PASS: "conforming conditional",
    Finding.CONDITIONAL_FAIL: "nonconforming conditional",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingLine:
    """A finding as mark, word and shape; `reason` tells why."""

    mark: str
    word: str
    shape: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultLine:
    """One limit of the contract and what was found."""

    clause: str
    title: str
    under: str
    severity: str
    limit: str
    result: str
    coverage: str
    acceptance: str
    finding: FindingLine
    bar: Figure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotTable:
    """An allowance of the contract with the counts found in each zone and size class."""

    clause: str
    title: str
    under: str
    severity: str
    zones: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    finding: FindingLine


@dataclass(frozen=True, slots=True, kw_only=True)
class MissedLine:
    """One demand that decided against the device: what was required, what was found, by how much it is missed."""

    clause: str
    demand: str
    severity: str
    required: str
    found: str
    missed_by: str


def result_line(judgement: Judgement, limit: Limit) -> ResultLine:
    """Return a limit and what was found."""
    quantity = judgement.quantity
    return ResultLine(
        clause=limit.clause,
        title=limit.title,
        under=wording.condition_text(wording.decided_under(judgement), beside=limit.title),
        severity=str(limit.severity),
        limit=wording.demand_text(limit),
        result="not measured" if quantity is None else format_quantity(quantity),
        coverage="" if quantity is None else wording.coverage_text(quantity),
        acceptance=wording.acceptance_text(judgement, limit) if judgement.guard_band else "the limit",
        finding=_finding_line(judgement),
        bar=result_bar(judgement),
    )


def spot_table(judgement: Judgement, limit: SpotAllowance, entries: Mapping[str, Entry]) -> SpotTable:
    """Return an allowance with the counts of the measurement that decided it."""
    zones = max((len(spot_class.allowed) for spot_class in limit.classes), default=0)
    entry = entries.get(judgement.step_id or "")
    measured = None if entry is None else entry.measured
    return SpotTable(
        clause=limit.clause,
        title=limit.title,
        under=wording.condition_text(wording.decided_under(judgement), beside=limit.title),
        severity=str(limit.severity),
        zones=tuple(f"zone {zone}" for zone in range(1, zones + 1)),
        rows=tuple(_spot_row(limit, spot_class, measured) for spot_class in limit.classes),
        finding=_finding_line(judgement),
    )


def missed_line(judgement: Judgement) -> MissedLine:
    """Return what was required and found of a demand that is not met."""
    limit, quantity = judgement.limit, judgement.quantity
    is_number = isinstance(limit, Limit) and quantity is not None
    return MissedLine(
        clause=limit.clause,
        demand=wording.named_demand(judgement),
        severity=str(limit.severity),
        required=wording.demand_text(limit) if isinstance(limit, Limit) else "the table of allowed spots",
        found=format_quantity(quantity) if is_number and quantity is not None else judgement.reason.rstrip("."),
        missed_by=_beyond(judgement),
    )


def nearest_to_limit(judgements: Sequence[Judgement]) -> str:
    """Return a sentence on the met limit that its result clears by the fewest U; empty where none has a margin.

    Exact counts and stated values come last: a limit of none is always met without margin.
    """
    met = [j for j in judgements if j.finding is Finding.CONFORMING and j.margin is not None and j.quantity is not None]
    nearest = min(met, key=_nearness, default=None)
    if nearest is None or nearest.quantity is None or not isinstance(nearest.limit, Limit):
        return ""
    inside = "acceptance limit" if nearest.guard_band else "limit"
    margin = f"{_distance(nearest, nearest.margin)} inside" if nearest.margin else "exactly at"
    return (
        f"{wording.named_demand(nearest)}: {format_quantity(nearest.quantity)} against"
        f" {wording.demand_text(nearest.limit)}, {margin} the {inside}"
    )


def _finding_line(judgement: Judgement) -> FindingLine:
    return FindingLine(
        mark=wording.FINDING_MARKS[judgement.finding],
        word=str(judgement.finding),
        shape=_SHAPES[judgement.finding],
        reason=judgement.reason,
    )


def _spot_row(limit: SpotAllowance, spot_class: SpotClass, measured: Measured | None) -> tuple[str, tuple[str, ...]]:
    over = format_limit(spot_class.larger_than_mm, "1")
    size = f"over {over} mm"
    if spot_class.at_most_mm is not None:
        size = f"{over} to {format_limit(spot_class.at_most_mm, 'mm')}"
    cells = []
    for zone, allowed in enumerate(spot_class.allowed, start=1):
        found = "–" if measured is None else str(_count(limit, spot_class, zone, measured))
        cells.append(f"{found} of {allowed}")
    return size, tuple(cells)


def _count(limit: SpotAllowance, spot_class: SpotClass, zone: int, measured: Measured) -> int:
    return sum(
        spot.kind == "spot"
        and spot.polarity == limit.polarity
        and spot.zone == zone
        and spot.contrast >= limit.contrast_at_least
        and spot.diameter_mm is not None
        and spot.diameter_mm > spot_class.larger_than_mm
        and (spot_class.at_most_mm is None or spot.diameter_mm <= spot_class.at_most_mm)
        for spot in measured.features
    )


def _nearness(judgement: Judgement) -> tuple[bool, float]:
    """Return how many U the result lies within its limit; exact values sort last, by their distance."""
    limit, quantity = judgement.limit, judgement.quantity
    if not isinstance(limit, Limit) or quantity is None:
        return (True, math.inf)
    distance, expanded = -excess_over(quantity.value, limit), expanded_uncertainty(quantity)
    return (True, distance) if expanded == 0 else (False, distance / expanded)


def _beyond(judgement: Judgement) -> str:
    limit, quantity = judgement.limit, judgement.quantity
    if not isinstance(limit, Limit) or quantity is None:
        return ""
    over = 0.0 if limit.at_most is None else quantity.value - limit.at_most
    under = 0.0 if limit.at_least is None else limit.at_least - quantity.value
    if max(over, under) <= 0:
        return ""
    return f"{_distance(judgement, max(over, under))} {'above' if over > under else 'below'} the limit"


def _distance(judgement: Judgement, distance: float) -> str:
    """Print a distance in the limit's unit, to the place of the result."""
    quantity = judgement.quantity
    if quantity is None:
        return ""
    decimals = decimals_for(expanded_uncertainty(quantity), quantity.value)
    return with_unit(format_number(distance, decimals), quantity.unit)
