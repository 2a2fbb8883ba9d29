"""References: read, limits set, signals that hold verdicts, clearances; who may do what."""

import pytest

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed, NothingToMeasure, UnusableInput
from inspect_app.judge.control import Rule
from inspect_app.model import Finding, Outcome, Reference
from inspect_app.workflow import TypedReading
from tests.truth.workplaces import Bench, answer_all, even_frame, keep, open_first, sign

IN_ORDER = ("30.1", "29.8", "30.3", "30.0", "29.7", "30.2", "30.1", "29.9", "30.0", "30.2")


def add(bench: Bench, *, name: str = "Even field 1", options: str = "", condition: str = "") -> Reference:
    return workflow.add_reference(
        bench.place,
        bench.approver,
        name=name,
        check="noise",
        quantity_name="snr",
        condition=condition,
        options=options,
    )


def read(bench: Bench, reference: Reference, *values: str) -> list[tuple[Rule, ...]]:
    return [
        workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(value=value)).rules
        for value in values
    ]


def in_order(bench: Bench) -> Reference:
    """Watch a reference whose limits are set."""
    reference = add(bench)
    read(bench, reference, *IN_ORDER)
    workflow.set_limits(bench.place, bench.approver, reference.id, 1, 10, "ten quiet days")
    return reference


def test_readings_limits_signal_and_clearance_are_kept(either_bench: Bench) -> None:
    reference = in_order(either_bench)

    assert read(either_bench, reference, "30.0", "26.0")[0] == ()
    chart = workflow.reference_chart(either_bench.place, reference.id)
    assert chart.alarm is not None
    assert chart.alarm.number == 12
    workflow.clear_signal(either_bench.place, either_bench.approver, reference.id, 12, "the lamp was exchanged")

    (kept,) = workflow.reference_charts(either_bench.place)
    assert kept.alarm is None
    assert [one.reason for one in kept.watched.clearances] == ["the lamp was exchanged"]
    assert kept.points[-1].is_cleared
    assert workflow.verify(either_bench.place).problems == ()


def test_a_signal_holds_the_verdict_on_its_quantity_until_it_is_cleared(bench: Bench) -> None:
    reference = in_order(bench)
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    read(bench, reference, "26.0")

    held = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id))
    assert held.verdict.outcome is Outcome.HELD
    assert [one.limit.clause for one in held.judgements if one.finding is Finding.NOT_MEASURED] == ["4.2"]

    workflow.clear_signal(bench.place, bench.approver, reference.id, 11, "the lamp was exchanged")
    free = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id))
    assert free.verdict.outcome is Outcome.ACCEPTED


def test_what_is_signed_under_a_signal_is_signed_as_held(bench: Bench) -> None:
    reference = in_order(bench)
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    read(bench, reference, "26.0")

    sign(bench, inspection_id)

    signature = workflow.inspection(bench.place, inspection_id).signature
    assert signature is not None
    assert signature.outcome is Outcome.HELD


def test_what_was_measured_before_the_last_good_reading_stands(bench: Bench) -> None:
    reference = in_order(bench)
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    read(bench, reference, "30.0", "26.0")

    found = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id))

    assert found.verdict.outcome is Outcome.ACCEPTED


def test_captures_are_measured_as_the_reference_says(bench: Bench) -> None:
    """Even frames of level 120 with noise of 4 levels give a ratio near 30; the measurement and its doubt are kept."""
    reference = add(bench)
    frames = tuple(keep(bench, f"frame{seed}.png", even_frame(seed)) for seed in (1, 2))

    point = workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(files=frames))

    quantity = point.reading.quantity
    assert abs(quantity.value - 30) <= 3 * quantity.standard_uncertainty
    assert [name for _, name in point.reading.files] == ["frame1.png", "frame2.png"]


def test_captures_without_the_watched_result_are_no_reading(bench: Bench) -> None:
    reference = add(bench, condition="axis = vertical")
    frames = tuple(keep(bench, f"frame{seed}.png", even_frame(seed)) for seed in (1, 2))

    with pytest.raises(NothingToMeasure):
        workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(files=frames))

    assert workflow.reference_chart(bench.place, reference.id).points == ()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"check": "taste"}, "there is no check 'taste'"),
        ({"quantity_name": "mtf50"}, "gives no 'mtf50'"),
        ({"name": " "}, "name: it is empty"),
        ({"condition": "axis"}, "is no pair"),
        ({"options": "colour = red"}, "there is no such option"),
    ],
)
def test_a_reference_that_cannot_be_read_is_refused(bench: Bench, given: dict[str, str], words: str) -> None:
    whole = {"name": "One", "check": "noise", "quantity_name": "snr", "condition": "", "options": ""} | given

    with pytest.raises(UnusableInput, match=words):
        workflow.add_reference(bench.place, bench.approver, **whole)


def test_two_references_need_two_names(bench: Bench) -> None:
    add(bench)

    with pytest.raises(UnusableInput, match="watched already"):
        add(bench)


def test_neither_captures_nor_a_number_are_no_reading(bench: Bench) -> None:
    reference = add(bench)

    with pytest.raises(UnusableInput, match="neither captures nor a number"):
        read(bench, reference, " ")


@pytest.mark.parametrize(("first", "last"), [(1, 9), (1, 11), (5, 2), (0, 10)])
def test_limits_need_readings_that_are_there_and_enough_of_them(bench: Bench, first: int, last: int) -> None:
    reference = add(bench)
    read(bench, reference, *IN_ORDER)

    with pytest.raises(InspectError):
        workflow.set_limits(bench.place, bench.approver, reference.id, first, last, "why not")


def test_limits_are_not_set_around_a_signal(bench: Bench) -> None:
    reference = in_order(bench)
    read(bench, reference, "26.0")

    with pytest.raises(NotAllowed, match="Clear the signal first"):
        workflow.set_limits(bench.place, bench.approver, reference.id, 1, 11, "it is always so")


def test_a_clearance_ends_only_what_the_approver_saw(bench: Bench) -> None:
    reference = in_order(bench)
    read(bench, reference, "26.0", "34.0")

    workflow.clear_signal(bench.place, bench.approver, reference.id, 11, "a wrong lamp")

    alarm = workflow.reference_chart(bench.place, reference.id).alarm
    assert alarm is not None
    assert alarm.number == 12


def test_nothing_is_cleared_where_nothing_signals(bench: Bench) -> None:
    reference = in_order(bench)

    with pytest.raises(UnusableInput, match="no signal"):
        workflow.clear_signal(bench.place, bench.approver, reference.id, 10, "to be safe")


def test_who_inspects_reads_and_who_approves_decides(bench: Bench) -> None:
    reference = in_order(bench)
    read(bench, reference, "26.0")

    with pytest.raises(NotAllowed):
        workflow.clear_signal(bench.place, bench.inspector, reference.id, 11, "it is fine")
    with pytest.raises(NotAllowed):
        workflow.read_reference(bench.place, bench.auditor, reference.id, TypedReading(value="30"))
    with pytest.raises(NotAllowed):
        workflow.add_reference(
            bench.place, bench.inspector, name="Two", check="noise", quantity_name="snr", condition="", options=""
        )
