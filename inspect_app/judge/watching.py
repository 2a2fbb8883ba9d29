"""The bench under watch: which readings of a reference signal, and what is held until somebody looked."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from inspect_app.judge.control import ControlLimits, Rule, signals, weighted_means
from inspect_app.judge.results import can_answer
from inspect_app.model import (
    Finding,
    Judgement,
    Limit,
    Reference,
    ReferenceLimits,
    ReferenceReading,
    SpotAllowance,
    WatchedReference,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One reading on the chart.

    Parameters
    ----------
    reading : ReferenceReading
    limits : ControlLimits or None
        Those that it is judged by; None before any were set.
    weighted_mean : float or None
        After the reading; it begins anew with new limits and after a clearance.
    rules : tuple of Rule
        Those that it breaks.
    is_cleared : bool
        An approver explained them.
    """

    reading: ReferenceReading
    limits: ControlLimits | None = None
    weighted_mean: float | None = None
    rules: tuple[Rule, ...] = ()
    is_cleared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A signal that nobody explained yet.

    Parameters
    ----------
    reference : Reference
    number : int
        Of the reading that signalled first.
    since : datetime
        When it was read.
    rules : tuple of Rule
        Those that it broke.
    last_good_at : datetime or None
        When the bench was last seen in order; what was measured later is held.
    """

    reference: Reference
    number: int
    since: datetime
    rules: tuple[Rule, ...]
    last_good_at: datetime | None


def chart(watched: WatchedReference) -> tuple[ChartPoint, ...]:
    """Return the readings of a reference in order, each judged by the limits that counted when it was read.

    Notes
    -----
    Rules on several readings look back no farther than the limits were set, and no farther than the last clearance:
    what was explained does not signal again.
    """
    cleared = max((one.through for one in watched.clearances), default=0)
    points: list[ChartPoint] = []
    for limits, series in _stretches(watched):
        if limits is None:
            points += [ChartPoint(reading=reading) for reading in series]
            continue
        counting = ControlLimits(centre=limits.centre, sigma=limits.sigma)
        values = [reading.quantity.value for reading in series]
        broken: dict[int, list[Rule]] = {}
        for signal in signals(values, counting):
            broken.setdefault(signal.index, []).append(signal.rule)
        for index, (reading, mean) in enumerate(zip(series, weighted_means(values, counting.centre), strict=True)):
            points.append(
                ChartPoint(
                    reading=reading,
                    limits=counting,
                    weighted_mean=mean,
                    rules=tuple(broken.get(index, ())),
                    is_cleared=reading.number <= cleared,
                )
            )
    return tuple(points)


def alarm_of(watched: WatchedReference) -> Alarm | None:
    """Return the signal of a reference that nobody explained yet, with the time since which nothing is sure."""
    points = chart(watched)
    first = next((point for point in points if point.rules and not point.is_cleared), None)
    if first is None:
        return None
    before = [point.reading.read_at for point in points if point.reading.number < first.reading.number]
    return Alarm(
        reference=watched.reference,
        number=first.reading.number,
        since=first.reading.read_at,
        rules=first.rules,
        last_good_at=before[-1] if before else None,
    )


def concerns(alarm: Alarm, demand: Limit | SpotAllowance) -> bool:
    """Say whether a demand of a contract speaks of the quantity that an alarm is about, under no other condition."""
    watched = alarm.reference
    is_same_quantity = isinstance(demand, SpotAllowance) or demand.quantity_name == watched.quantity_name
    return is_same_quantity and can_answer(demand, watched.check, watched.condition)


def hold(
    judgements: Sequence[Judgement], alarms: Sequence[Alarm], measured_at: Mapping[str, datetime]
) -> tuple[Judgement, ...]:
    """Return judgements, those as not measured that rest on a bench out of control.

    Parameters
    ----------
    judgements : sequence of Judgement
    alarms : sequence of Alarm
        That nobody explained yet.
    measured_at : mapping of str to datetime
        When the result of each step was recorded: what was measured while the bench was in order stands.
    """
    return tuple(_held(judgement, alarms, measured_at) for judgement in judgements)


def _held(judgement: Judgement, alarms: Sequence[Alarm], measured_at: Mapping[str, datetime]) -> Judgement:
    if judgement.finding is Finding.NOT_MEASURED:
        return judgement
    steps = measured_at if judgement.step_id is None else (judgement.step_id,)
    newest = max((measured_at[step] for step in steps if step in measured_at), default=None)
    for alarm in alarms:
        is_later = newest is None or alarm.last_good_at is None or newest > alarm.last_good_at
        if is_later and concerns(alarm, judgement.limit):
            return Judgement(
                limit=judgement.limit,
                finding=Finding.NOT_MEASURED,
                reason=_why(alarm, judgement),
                condition=judgement.condition,
                step_id=judgement.step_id,
            )
    return judgement


def _why(alarm: Alarm, judgement: Judgement) -> str:
    day = alarm.since.strftime("%Y-%m-%d")
    return (
        f"The bench is not in control: {alarm.reference.name}, reading {alarm.number} of {day}, {alarm.rules[0]}. "
        f"Held until an approver clears it. By its figures: {judgement.reason}"
    )


def _stretches(watched: WatchedReference) -> list[tuple[ReferenceLimits | None, list[ReferenceReading]]]:
    """Return the readings in stretches, each with the limits that count in it; a clearance begins a new one."""
    stretches: list[tuple[ReferenceLimits | None, list[ReferenceReading]]] = []
    borders = {one.through for one in watched.clearances} | {one.after for one in watched.limits}
    for reading in watched.readings:
        if not stretches or reading.number - 1 in borders:
            counting = [one for one in watched.limits if one.after < reading.number]
            stretches.append((counting[-1] if counting else None, []))
        stretches[-1][1].append(reading)
    return stretches
