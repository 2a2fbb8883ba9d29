"""A reference under watch: where it signals, what a clearance ends, and which verdicts wait."""

from datetime import UTC, datetime, timedelta

import pytest

from inspect_app.judge.control import Rule
from inspect_app.judge.watching import alarm_of, chart, concerns, hold
from inspect_app.model import (
    Clearance,
    Finding,
    Judgement,
    Limit,
    Person,
    Reference,
    ReferenceLimits,
    ReferenceReading,
    Role,
    WatchedReference,
)
from inspect_app.quantity import Quantity

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
SOMEBODY = Person(id=1, login="ada", name="Ada", role=Role.APPROVER, is_active=True)
SLIDE = Reference(
    id=1,
    name="Slide 3",
    check="slanted-edge",
    quantity_name="mtf50",
    unit="cy/px",
    condition={"axis": "vertical"},
)


def day(number: int) -> datetime:
    return START + timedelta(days=number)


def watched(
    *values: float, after: int | None = 0, cleared: int = 0, centre: float = 0.0, sigma: float = 1.0
) -> WatchedReference:
    """Return daily readings with limits that count after one of them, and perhaps a clearance."""
    limits = ReferenceLimits(
        first=1,
        last=10,
        after=after or 0,
        centre=centre,
        sigma=sigma,
        reason="in order",
        set_at=START,
        set_by=SOMEBODY,
    )
    return WatchedReference(
        reference=SLIDE,
        readings=tuple(
            ReferenceReading(
                number=number,
                quantity=Quantity(value=value, unit="cy/px", standard_uncertainty=0.01),
                read_at=day(number),
                read_by=SOMEBODY,
            )
            for number, value in enumerate(values, start=1)
        ),
        limits=() if after is None else (limits,),
        clearances=(Clearance(through=cleared, reason="lamp", cleared_at=START, cleared_by=SOMEBODY),)
        if cleared
        else (),
    )


def judged(*, axis: str | None = None, quantity: str = "mtf50", finding: Finding = Finding.CONFORMING) -> Judgement:
    limit = Limit(
        clause="4",
        title="Sharpness",
        check="slanted-edge",
        quantity_name=quantity,
        unit="cy/px",
        at_least=0.1,
        condition={} if axis is None else {"axis": axis},
    )
    return Judgement(limit=limit, finding=finding, reason="0.2 cy/px is enough.", step_id="edge")


def test_readings_before_the_limits_do_not_signal() -> None:
    points = chart(watched(9.0, 9.0, 0.0, after=2))

    assert [point.limits is None for point in points] == [True, True, False]
    assert alarm_of(watched(9.0, 9.0, 0.0, after=2)) is None


def test_no_limits_no_alarm() -> None:
    assert alarm_of(watched(9.0, 9.0, after=None)) is None


def test_a_signal_says_since_when_nothing_is_sure() -> None:
    alarm = alarm_of(watched(0.1, -0.2, 3.5, 0.0))

    assert alarm is not None
    assert (alarm.number, alarm.since, alarm.last_good_at) == (3, day(3), day(2))
    assert Rule.BEYOND_THREE in alarm.rules


def test_a_good_reading_afterwards_does_not_clear_a_signal() -> None:
    alarm = alarm_of(watched(3.5, *[0.0] * 9))

    assert alarm is not None
    assert alarm.number == 1


def test_a_cleared_signal_is_no_alarm_and_does_not_come_back() -> None:
    """Seven high readings, cleared: the eighth would complete a run of eight, were the past not closed."""
    run = [0.6] * 8

    assert alarm_of(watched(*run)) is not None
    assert alarm_of(watched(*run, 0.6, cleared=8)) is None
    assert chart(watched(*run, cleared=8))[7].is_cleared


def test_a_new_signal_after_a_clearance_is_an_alarm() -> None:
    alarm = alarm_of(watched(3.5, 0.0, 3.5, cleared=1))

    assert alarm is not None
    assert alarm.number == 3


@pytest.mark.parametrize(
    ("judgement", "expected"),
    [
        (judged(), True),
        (judged(axis="vertical"), True),
        (judged(axis="horizontal"), False),
        (judged(quantity="mtf10"), False),
    ],
)
def test_an_alarm_concerns_its_quantity_under_its_condition(judgement: Judgement, expected: bool) -> None:  # noqa: FBT001  # pytest hands it over by name
    alarm = alarm_of(watched(3.5))

    assert alarm is not None
    assert concerns(alarm, judgement.limit) is expected


@pytest.mark.parametrize("finding", [Finding.CONFORMING, Finding.NONCONFORMING, Finding.INCONCLUSIVE])
def test_what_was_measured_since_the_bench_was_last_in_order_is_held(finding: Finding) -> None:
    alarm = alarm_of(watched(0.0, 3.5))
    assert alarm is not None
    judgements = (judged(finding=finding),)

    (later,) = hold(judgements, (alarm,), {"edge": day(1) + timedelta(hours=1)})
    (earlier,) = hold(judgements, (alarm,), {"edge": day(1) - timedelta(hours=1)})

    assert later.finding is Finding.NOT_MEASURED
    assert "Slide 3, reading 2" in later.reason
    assert "0.2 cy/px is enough." in later.reason
    assert later.quantity is None
    assert earlier.finding is finding


def test_without_an_alarm_nothing_is_held() -> None:
    judgements = (judged(), judged(axis="horizontal"))

    assert hold(judgements, (), {"edge": START}) == judgements
