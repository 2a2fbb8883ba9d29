"""Drift: of a class over its deliveries, of a device over its inspections, and when a limit will be met."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby
from statistics import fmean
from typing import Final

from inspect_app.errors import NotFound
from inspect_app.model import Limit
from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.numerics.drift import (
    FALSE_ALARMS,
    FEWEST_FOR_A_LINE,
    Change,
    Course,
    DatedResult,
    Reach,
    course,
    find_change,
    reach,
    since,
)
from inspect_app.quantity import conversion_factor
from inspect_app.storage import Session, measured_over_time
from inspect_app.workflow.arriving.contracts import limits_on, newest_contracts
from inspect_app.workflow.workplace import Workplace, reading

SPANS: Final = 40
MOST_OF_A_SPAN: Final = 30
SPANS_AT_A_GLANCE: Final = 12
MOST_AT_A_GLANCE: Final = 10
CHANCE_OF_A_DRIFT: Final = 0.05
SHORTEST_YEARS: Final = 30 / 365.25
"""A course over less than a month tells of one visit to the bench, not of a drift (common practice, no source)."""
_YEAR: Final = timedelta(days=365.25)
_EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)
_FARTHEST_YEARS: Final = 50.0  # a straight line says nothing about what lies farther


@dataclass(frozen=True, slots=True, kw_only=True)
class MetLimit:
    """When a drift meets a bound of a contract; moments are None where they lie farther than fifty years."""

    contract_number: str
    clause: str
    bound: float
    expected: datetime | None
    earliest: datetime | None
    latest: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A characteristic over time.

    Parameters
    ----------
    characteristic : Characteristic
    points : tuple of DatedResult
        Times are years, such as 2026.25; values in the characteristic's unit.
    counts : tuple of int
        How many results each point is the mean of; also where they are all alike and give no point.
    line : Course or None
        Through the points since the last change; None where they are too few or lie within a month.
    change : Change or None
        The step that stands out most.
    limits : tuple of MetLimit
        Bounds that the line runs towards, the nearest first.
    looks : int
        How many characteristics were looked at together: the more, the more must a drift stand out.
    """

    characteristic: Characteristic
    points: tuple[DatedResult, ...]
    counts: tuple[int, ...]
    line: Course | None
    change: Change | None
    limits: tuple[MetLimit, ...]
    looks: int

    @property
    def stands_out(self) -> bool:
        """Whether the drift stands out of its uncertainty and of multiple looking."""
        return self.line is not None and self.line.drifts and self.line.chance * self.looks < CHANCE_OF_A_DRIFT


def classes_measured(workplace: Workplace) -> tuple[str, ...]:
    """Return the device classes of which anything was measured."""
    with reading(workplace) as session:
        return tuple(dict.fromkeys(one.device_class for one in measured_over_time.characteristics(session)))


def class_trends(workplace: Workplace, device_class: str) -> tuple[Trend, ...]:
    """Return the trend of each characteristic of a class, those that stand out first.

    Raises
    ------
    NotFound
        Nothing of this class was measured.
    """
    with reading(workplace) as session:
        known = measured_over_time.characteristics(session, device_class)
        if not known:
            raise NotFound(f"class '{device_class}'", "nothing of it was measured yet", "Choose one from the list.")
        contracts = newest_contracts(session)
        spread = [(one, _spread(session, one, SPANS_AT_A_GLANCE, MOST_AT_A_GLANCE)) for one in known]
    now = workplace.clock()
    trends = [_trend(one, *_pooled(values), limits_on(one, contracts), now, looks=len(known)) for one, values in spread]
    return tuple(sorted(trends, key=lambda trend: (not trend.stands_out, trend.change is None)))


def class_trend(workplace: Workplace, characteristic_id: int) -> Trend:
    """Return the trend of one characteristic over the deliveries of its class.

    It has to stand out as far as among all of its class: whoever looks at one has chosen it from their list.

    Raises
    ------
    NotFound
        There is no such characteristic.
    """
    with reading(workplace) as session:
        found = measured_over_time.characteristic(session, characteristic_id)
        if found is None:
            raise NotFound(f"characteristic {characteristic_id}", "nothing like it was measured", "Choose another one.")
        bounds = limits_on(found, newest_contracts(session))
        values = _spread(session, found, SPANS, MOST_OF_A_SPAN)
        looks = len(measured_over_time.characteristics(session, found.device_class))
    return _trend(found, *_pooled(values), bounds, workplace.clock(), looks=looks)


def device_trends(workplace: Workplace, device_id: int) -> tuple[Trend, ...]:
    """Return the trend of each characteristic of which a device has three results or more."""
    with reading(workplace) as session:
        results = measured_over_time.results_of_device(session, device_id)
        series = [(key, tuple(group)) for key, group in groupby(results, key=lambda result: result.characteristic_id)]
        long_enough = [(key, group) for key, group in series if len(group) >= FEWEST_FOR_A_LINE]
        known = {key: measured_over_time.characteristic(session, key) for key, _ in long_enough}
        contracts = newest_contracts(session)
    now = workplace.clock()
    return tuple(
        _trend(one, _dated(group), (1,) * len(group), limits_on(one, contracts), now, looks=len(long_enough))
        for key, group in long_enough
        if (one := known[key]) is not None and all(result.quantity.standard_uncertainty > 0 for result in group)
    )


def as_years(moment: datetime) -> float:
    """Return a moment as a year with its fraction."""
    return 2000 + (moment - _EPOCH) / _YEAR


def as_moment(years: float) -> datetime:
    """Return the moment of a year with its fraction."""
    return _EPOCH + (years - 2000) * _YEAR


def _spread(session: Session, one: Characteristic, spans: int, most: int) -> list[list[tuple[datetime, float]]]:
    """Return values of a characteristic, span by span; spans without any are left out."""
    ends = measured_over_time.span_of_characteristic(session, one.id)
    if ends is None:
        return []
    begin, end = ends
    starts = [begin + (end - begin) * number / spans for number in range(spans)] if end > begin else [begin]
    found: dict[int, list[tuple[datetime, float]]] = defaultdict(list)
    for span, measured_at, value in measured_over_time.values_spread(session, one.id, starts, most=most):
        found[span].append((measured_at, value))
    return [found[span] for span in sorted(found)]


def _pooled(spans: Sequence[Sequence[tuple[datetime, float]]]) -> tuple[tuple[DatedResult, ...], tuple[int, ...]]:
    """Return the mean of each span with the uncertainty that the scatter inside spans, pooled over all, gives it."""
    means = [fmean(value for _, value in span) for span in spans]
    freedom = sum(len(span) - 1 for span in spans)
    squares = math.fsum((value - mean) ** 2 for span, mean in zip(spans, means, strict=True) for _, value in span)
    counts = tuple(len(span) for span in spans)
    if freedom < 1 or squares == 0:
        return (), counts
    scatter = math.sqrt(squares / freedom)
    points = tuple(
        DatedResult(
            time=fmean(as_years(measured_at) for measured_at, _ in span),
            value=mean,
            standard_uncertainty=scatter / math.sqrt(len(span)),
        )
        for span, mean in zip(spans, means, strict=True)
    )
    return points, counts


def _dated(results: Sequence[ListedResult]) -> tuple[DatedResult, ...]:
    return tuple(
        DatedResult(
            time=as_years(result.measured_at),
            value=result.quantity.value,
            standard_uncertainty=result.quantity.standard_uncertainty,
        )
        for result in results
    )


def _trend(
    one: Characteristic,
    points: tuple[DatedResult, ...],
    counts: tuple[int, ...],
    bounds: Sequence[tuple[str, Limit]],
    now: datetime,
    *,
    looks: int,
) -> Trend:
    change = find_change(points, false_alarms=FALSE_ALARMS / looks) if _is_long_enough(points) else None
    recent = since(points, change)
    line = course(recent) if len(recent) >= FEWEST_FOR_A_LINE and _is_long_enough(recent) else None
    return Trend(
        characteristic=one,
        points=points,
        counts=counts,
        line=line,
        change=change,
        limits=() if line is None else _met(one, line, bounds, as_years(now)),
        looks=looks,
    )


def _is_long_enough(points: Sequence[DatedResult]) -> bool:
    return bool(points) and points[-1].time - points[0].time >= SHORTEST_YEARS


def _met(one: Characteristic, line: Course, bounds: Sequence[tuple[str, Limit]], now: float) -> tuple[MetLimit, ...]:
    met = []
    for number, limit in bounds:
        bound = limit.at_most if line.slope > 0 else limit.at_least
        if bound is None:
            continue
        level = bound * conversion_factor(limit.unit, one.unit)
        found = reach(line, level, now)
        if found is not None and found.expected - now <= _FARTHEST_YEARS:
            met.append((found.expected, _met_limit(number, limit.clause, level, found)))
    return tuple(one for _, one in sorted(met, key=lambda pair: pair[0]))


def _met_limit(number: str, clause: str, level: float, found: Reach) -> MetLimit:
    expected, earliest, latest = (
        as_moment(years) if years < found.expected + _FARTHEST_YEARS else None
        for years in (found.expected, found.earliest, found.latest)
    )
    return MetLimit(
        contract_number=number, clause=clause, bound=level, expected=expected, earliest=earliest, latest=latest
    )
