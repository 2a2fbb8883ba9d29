"""The synthetic fleet is an honest record: judged by the real rules, sealed act by act, the same on every run."""

from pathlib import Path

import pytest

from demo_fleet.synthetic import load
from inspect_app import workflow
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.model import Outcome
from inspect_app.storage import inspections, measured_over_time
from inspect_app.workflow import Workplace
from inspect_app.workflow.bench.inspecting import assess

DEVICES = 160


@pytest.fixture(scope="module")
def instance(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a small synthetic fleet."""
    folder = tmp_path_factory.mktemp("synthetic")
    told: list[tuple[int, int]] = []
    run = load(folder, DEVICES, lambda done, total: told.append((done, total)))
    assert (run.devices, told[-1]) == (DEVICES, (DEVICES, DEVICES))
    assert run.results == 10 * run.inspections
    return folder


@pytest.fixture
def place(instance: Path):
    opened = workflow.open_workplace(instance)
    yield opened
    workflow.close_workplace(opened)


def results_of_first_class(place: Workplace) -> list[tuple[int, float]]:
    with place.database.reading() as session:
        first = measured_over_time.characteristics(session)[0]
        found = measured_over_time.results_of_characteristic(session, first.id, most=DEVICES)
    return [(one.device_id, one.quantity.value) for one in found]


def test_its_record_verifies(place: Workplace) -> None:
    report = workflow.verify(place)

    assert report.problems == ()
    assert report.counts["files"] == report.counts["documents"] == 0


def test_what_was_signed_is_what_the_real_rules_give(place: Workplace) -> None:
    with place.database.reading() as session:
        signed = inspections.inspections(session, range(1, 41))

    for one in signed:
        form, contract = workflow.form_of(place, one), workflow.contract_of(place, one)
        verdict = workflow.judge_inspection(place, one).verdict
        assert assess(form, contract, one).verdict == verdict
    assert {one.signature.outcome for one in signed if one.signature} >= {Outcome.ACCEPTED}


def test_a_second_fleet_has_the_same_devices_with_the_same_results(place: Workplace, tmp_path: Path) -> None:
    load(tmp_path, DEVICES, lambda _done, _total: None)

    again = workflow.open_workplace(tmp_path)
    assert results_of_first_class(again) == results_of_first_class(place)
    workflow.close_workplace(again)


def test_one_serial_of_two_makers_is_two_devices(place: Workplace) -> None:
    found = workflow.find_devices(place, "NV-0000001")

    assert {device.maker for device in found} == {"Tarnbeck Imaging", "Ostrel Night Works"}


def test_it_is_written_into_an_empty_record_only(instance: Path) -> None:
    with pytest.raises(NotAllowed, match="not empty"):
        load(instance, 10, lambda _done, _total: None)


@pytest.mark.parametrize("devices", [0, -5, 10_000_000])
def test_a_number_that_makes_no_fleet_is_refused(tmp_path: Path, devices: int) -> None:
    with pytest.raises(UnusableInput, match="no fleet"):
        load(tmp_path, devices, lambda _done, _total: None)
