"""An instrument found out of calibration: every result since its last good calibration, whoever stands on it now."""

from dataclasses import replace
from datetime import date

import pytest

from inspect_app import workflow
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Disposition, Outcome
from tests.truth.workplaces import (
    DOUBTFUL_READINGS,
    GOOD_READINGS,
    POOR_READINGS,
    START,
    Bench,
    answer_all,
    bar_answers,
    noise_answers,
    open_first,
    receive,
    sign,
)


def touched(bench: Bench, since: date | None = None, **asked: Outcome) -> list[tuple[str, int]]:
    """Return serial and number of results of each inspection that the meter touched."""
    found = workflow.recall_all(bench.place, bench.meter.id, since, **asked)
    return [(one.found.device.serial, len(one.results)) for one in found]


def inspect(bench: Bench, serial: str, readings: tuple[str, ...] = GOOD_READINGS, snr: str = "40") -> int:
    inspection_id = workflow.open_inspection(
        bench.place, bench.inspector, receive(bench, serial, reference=f"DN-{serial}"), _key(bench, serial)
    ).id
    answer_all(bench, inspection_id, readings, snr)
    sign(bench, inspection_id)
    return inspection_id


def _key(bench: Bench, serial: str) -> int:
    return workflow.find_devices(bench.place, serial)[0].id


def test_every_result_that_was_measured_with_it_is_listed_and_no_other(either_bench: Bench) -> None:
    """Two steps name the meter, each with its results; the noise step names no instrument."""
    inspect(either_bench, "BM-001")

    found = workflow.recall(either_bench.place, either_bench.meter.id)

    (one,) = found.touched
    assert {characteristic.check for characteristic, _ in one.results} == {"bar-target"}
    assert {characteristic.condition["axis"] for characteristic, _ in one.results} == {"horizontal", "vertical"}
    assert found.since == date(2025, 9, 1)


def test_what_was_measured_before_the_last_good_calibration_is_left_out(bench: Bench) -> None:
    inspect(bench, "BM-001")
    bench.clock.now = bench.clock.now.replace(month=START.month + 1)
    inspect(bench, "BM-002")

    assert [serial for serial, _ in touched(bench)] == ["BM-002", "BM-001"]
    assert [serial for serial, _ in touched(bench, bench.clock.now.date())] == ["BM-002"]


def test_those_with_one_verdict_can_be_listed_alone(bench: Bench) -> None:
    inspect(bench, "BM-001")
    inspect(bench, "BM-002", POOR_READINGS)

    assert [serial for serial, _ in touched(bench, outcome=Outcome.ACCEPTED)] == ["BM-001"]


def test_a_repaired_device_is_listed_whose_accepted_inspection_only_carried_the_results_over(bench: Bench) -> None:
    """Its noise was repaired; the readings under the meter were carried over and are as doubtful as before."""
    first = open_first(bench)
    answer_all(bench, first, GOOD_READINGS, "5")
    sign(bench, first)
    workflow.dispose(bench.place, bench.approver, "NC-2026-0001", Disposition.REPAIR, "by letter")
    again = workflow.inspect_again(bench.place, bench.inspector, first).id
    workflow.record_step(bench.place, bench.inspector, again, "noise", noise_answers(), 0)
    sign(bench, again)

    assert [serial for serial, _ in touched(bench)] == ["BM-001"]


def test_a_recall_of_nothing_or_of_the_future_is_refused(bench: Bench) -> None:
    with pytest.raises(NotFound):
        workflow.recall(bench.place, 99)
    with pytest.raises(UnusableInput, match="future"):
        workflow.recall(bench.place, bench.meter.id, date(2999, 1, 1))


def test_inspections_that_are_not_signed_are_recalled_too_and_marked(either_bench: Bench) -> None:
    """One is signed, one is under way with one step measured, one was signed as held and taken up again."""
    inspect(either_bench, "BM-001")
    begun = open_first(either_bench, "BM-002")
    reading = bar_answers(either_bench)
    workflow.record_step(either_bench.place, either_bench.inspector, begun, "bar-target.vertical", reading, 0)
    held = inspect(either_bench, "BM-003", DOUBTFUL_READINGS)
    workflow.reopen(either_bench.place, either_bench.approver, held, "read it again")

    found = workflow.recall(either_bench.place, either_bench.meter.id)

    assert [one.found.device.serial for one in found.touched] == ["BM-001"]
    assert [one.found.device.serial for one in found.unsigned] == ["BM-003", "BM-002"]
    assert {one.found.outcome for one in found.unsigned} == {None}
    ((characteristic, result),) = [
        pair for pair in found.unsigned[1].results if pair[0].quantity_name == "angular_resolution"
    ]
    assert (characteristic.check, characteristic.condition["axis"]) == ("bar-target", "vertical")
    assert result.inspection_id == begun
    assert result.quantity.unit == "cy/mrad"
    assert [serial for serial, _ in touched(either_bench)] == ["BM-003", "BM-002", "BM-001"]
    assert [serial for serial, _ in touched(either_bench, outcome=Outcome.ACCEPTED)] == ["BM-001"]


def test_what_was_measured_anew_without_the_instrument_is_recalled_no_longer(bench: Bench) -> None:
    """The newest entry of a step counts: measured with another meter, nothing of it rests on the first."""
    begun = open_first(bench)
    workflow.record_step(bench.place, bench.inspector, begun, "bar-target.vertical", bar_answers(bench), 0)
    other = workflow.add_instrument(bench.place, None, "illuminance meter", "Lux meter", "LM-2")
    calibration = replace(bench.meter.calibrations[0], certificate="K-2")
    workflow.add_calibration(bench.place, None, other.id, calibration)
    again = replace(bar_answers(bench), instrument_ids=(other.id,), reason="the first meter is in doubt")
    workflow.record_step(bench.place, bench.inspector, begun, "bar-target.vertical", again, 1)

    assert touched(bench) == []
    assert len(workflow.recall(bench.place, other.id, START.date()).unsigned) == 1


def test_what_was_measured_before_the_day_is_left_out_of_those_not_signed(bench: Bench) -> None:
    begun = open_first(bench)
    workflow.record_step(bench.place, bench.inspector, begun, "bar-target.vertical", bar_answers(bench), 0)
    bench.clock.now = bench.clock.now.replace(month=START.month + 1)

    assert touched(bench) != []
    assert touched(bench, bench.clock.now.date()) == []


def test_those_not_signed_are_found_however_long_ago_they_were_opened(bench: Bench) -> None:
    begun = open_first(bench, "BM-001")
    workflow.record_step(bench.place, bench.inspector, begun, "bar-target.vertical", bar_answers(bench), 0)
    inspect(bench, "BM-002")

    assert [serial for serial, _ in touched(bench)] == ["BM-001", "BM-002"]
