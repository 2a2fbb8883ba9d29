"""History: every serial leads to all that happened, newest first."""

import pytest

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Outcome
from tests.truth.workplaces import POOR_READINGS, Bench, answer_all, open_first, receive, sign


@pytest.mark.parametrize(
    ("text", "serials"), [("001", ["BM-001"]), ("bm-00", ["BM-001", "BM-002"]), ("bm-001", ["BM-001"])]
)
def test_part_of_a_serial_finds_its_devices(bench: Bench, text: str, serials: list[str]) -> None:
    receive(bench, "BM-001", "BM-002", "XX-100")

    assert [device.serial for device in workflow.find_devices(bench.place, text)] == serials


@pytest.mark.parametrize("text", ["", "  ", "%", "_", "x" * 500, "BM-9"])
def test_a_text_that_fits_no_serial_finds_nothing(bench: Bench, text: str) -> None:
    receive(bench, "BM-001", "BM-002")

    assert workflow.find_devices(bench.place, text) == ()


def test_an_exact_serial_comes_before_those_that_contain_it(bench: Bench) -> None:
    receive(bench, "BM-0011", "BM-001")

    assert [device.serial for device in workflow.find_devices(bench.place, "BM-001")] == ["BM-001", "BM-0011"]


def test_a_device_that_was_rejected_and_came_back_shows_both_passes(either_bench: Bench) -> None:
    bench = either_bench
    first = open_first(bench, "BM-001")
    answer_all(bench, first, POOR_READINGS)
    sign(bench, first)
    document = workflow.issue_document(bench.place, bench.approver, first)
    device = workflow.inspection(bench.place, first).device
    lot_id = receive(bench, "BM-001", reference="DN-2")
    second = workflow.open_inspection(bench.place, bench.second, lot_id, device.id).id

    history = workflow.device_history(bench.place, device.id)

    assert [one.lot.shipment.reference for one in history.arrivals] == ["DN-2", "DN-1"]
    assert [one.inspection.id for one in history.inspections] == [second, first]
    assert [one.assessment.verdict.outcome for one in history.inspections] == [Outcome.HELD, Outcome.REJECTED]
    assert history.inspections[1].documents == (document,)
    assert [(event.actor, event.action) for event in history.events] == [
        ("ivo", "inspection opened"),
        ("ines", "shipment received"),
        ("ada", "rejection notice issued"),
        ("ines", "inspection signed"),
        *[("ines", "step recorded")] * 3,
        ("ines", "inspection opened"),
        ("ines", "shipment received"),
    ]


def test_an_unknown_device_is_told(bench: Bench) -> None:
    with pytest.raises(NotFound):
        workflow.device_history(bench.place, 4711)
    with pytest.raises(NotFound):
        workflow.device(bench.place, 4711)


def test_events_are_read_page_by_page(bench: Bench) -> None:
    every = workflow.events(bench.place, count=1000)

    first = workflow.events(bench.place, count=3)
    rest = workflow.events(bench.place, before=first[-1].id, count=1000)

    assert first + rest == every
