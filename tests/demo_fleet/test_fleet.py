"""The invented fleet is what the scenario asks for, and fits its forms, contracts and packing lists."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_fleet.fleet import (
    INTENSIFIER,
    LARGE,
    SHIPMENTS,
    STANDARD,
    intensifier_truth,
    large_truth,
    standard_truth,
)
from demo_fleet.sampled import seed_for
from demo_fleet.simulator import perform
from demo_fleet.watched import watch
from inspect_app import workflow
from inspect_app.definitions import forms_folder, read_contract, read_forms
from inspect_app.judge.sample_draw import draw_order
from inspect_app.judge.sampling import plan_for
from inspect_app.model import Outcome, Severity
from inspect_app.workflow.arriving.packing_list import read_packing_list

FOLDER = Path(__file__).parents[2] / "demo_fleet"
DEVICES = [device for shipment in SHIPMENTS for device in shipment.devices]
FAULTY = [device for device in DEVICES if device.expected is not Outcome.ACCEPTED]


@pytest.fixture(scope="module")
def forms():
    return read_forms(forms_folder())


@pytest.fixture(scope="module")
def contracts():
    found = [read_contract(path) for path in sorted((FOLDER / "contracts").glob("*.toml"))]
    return {contract.number: contract for contract in found}


def test_the_fleet_has_forty_devices_in_four_lots_of_three_classes():
    lots = {(shipment.reference, device.device_class) for shipment in SHIPMENTS for device in shipment.devices}

    assert len({device.serial for device in DEVICES}) >= 40
    assert len(lots) == 4
    assert {device.device_class for device in DEVICES} == {STANDARD, LARGE, INTENSIFIER}


def test_most_devices_are_accepted_and_every_outcome_happens():
    outcomes = [device.expected for device in DEVICES]

    assert outcomes.count(Outcome.ACCEPTED) > len(outcomes) / 2
    assert set(outcomes) == set(Outcome)


@pytest.mark.parametrize(
    "words",
    [
        "spot in the central zone",
        "one axis soft near starlight",
        "latency right in live view, wrong while recording",
        "weak battery",
        "cluster of hot pixels",
        "readout too slow",
        "not on the packing list",
        "seen before",
        "past its calibration",
        "inside its guard band",
    ],
)
def test_every_failure_of_the_scenario_has_a_serial(words):
    assert [device.serial for device in DEVICES if words in device.story]


@pytest.mark.parametrize("shipment", SHIPMENTS, ids=lambda shipment: shipment.reference)
def test_a_packing_list_names_what_was_sent(shipment):
    """Truth: the serials of the shipment that are on its list, and those that are missing from the boxes."""
    listed = read_packing_list(shipment.packing_list.name, shipment.packing_list.read_bytes())

    on_list = {device.serial: device.device_class for device in shipment.devices if device.is_on_list}
    absent = dict.fromkeys(shipment.missing, STANDARD)
    assert {line.serial: line.device_class for line in listed} == on_list | absent


def test_the_sample_of_the_intensifiers_holds_one_device_that_rejects_their_lot(contracts):
    """Truth: 12 devices at level II take letter B, n = 3, Ac 0 (ISO 2859-1:1999, Tables 1 and 2-A)."""
    shipment = next(shipment for shipment in SHIPMENTS if shipment.contract_number == "BSR-015")
    demand = contracts["BSR-015"].lot_plans[INTENSIFIER][Severity.MAJOR]
    plan = plan_for(demand, len(shipment.devices))
    drawn = draw_order(seed_for(shipment.reference), [device.serial for device in shipment.devices])[: plan.size]

    expected = [device.expected for device in shipment.devices if device.serial in drawn]

    assert (plan.size, plan.acceptance_number) == (3, 0)
    assert sorted(expected) == [Outcome.ACCEPTED, Outcome.ACCEPTED, Outcome.REJECTED]


def test_a_serial_comes_twice_only_where_it_was_returned():
    serials = [device.serial for device in DEVICES]

    twice = {serial for serial in serials if serials.count(serial) > 1}

    assert twice == {"QS-26-1009"}
    assert [device.expected for device in DEVICES if device.serial in twice] == [Outcome.REJECTED, Outcome.ACCEPTED]


@pytest.mark.parametrize("device", FAULTY, ids=lambda device: device.serial)
def test_the_clauses_that_decide_stand_in_the_contract(device, contracts):
    shipment = next(shipment for shipment in SHIPMENTS if device in shipment.devices)
    contract = contracts[shipment.contract_number]

    known = [*contract.limits[device.device_class], *contract.spot_allowances.get(device.device_class, ())]

    assert device.clauses
    assert set(device.clauses) <= {demand.clause for demand in known}


@pytest.mark.parametrize("device", [d for d in DEVICES if d.mishap], ids=lambda device: device.serial)
def test_a_mishap_concerns_a_step_and_an_instrument_or_condition_of_the_form(device, forms):
    steps = [step for step in forms[device.device_class].steps if step.id.startswith(device.mishap.step)]

    assert steps
    for step in steps:
        windows = {window.name for window in step.windows}
        assert device.mishap.overdue_instrument in step.instruments or device.mishap.condition[0] in windows


@pytest.mark.parametrize("device_class", [STANDARD, LARGE, INTENSIFIER])
def test_the_bench_can_do_every_step_and_answers_what_the_form_asks(device_class, forms, tmp_path):
    device = next(device for device in DEVICES if device.device_class == device_class)

    for step in forms[device_class].steps:
        items = next((question.items for question in step.questions if question.items), ())
        performed = perform(device.truth, step.check, step.condition, tmp_path, items=items)

        first_way = next((question.way for question in step.questions if question.way), "")
        asked = {q.name for q in step.questions if not q.is_optional and q.way in ("", first_way)}
        assert asked <= {*performed.files, *performed.options}, step.id


@given(st.integers(0, 10**6), st.sampled_from([standard_truth, large_truth, intensifier_truth]))
def test_the_same_number_is_always_the_same_device(number, make_truth):
    """Property: truths are made from their number alone."""
    assert make_truth(number) == make_truth(number)
    assert make_truth(number) != make_truth(number + 1)


def test_the_house_watches_a_reference_that_signalled_once_and_was_cleared(bench):
    begun = bench.place.clock()

    for _ in range(2):  # the second run changes nothing
        watch(bench.place, bench.inspector, bench.approver, begun)

    (kept,) = workflow.reference_charts(bench.place)
    assert kept.alarm is None
    assert [point.is_cleared for point in kept.points if point.rules] == [True]
    assert kept.points[-1].reading.read_at == begun
