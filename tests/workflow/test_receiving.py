"""Receiving: what is unusual is shown, what is accepted becomes lots, once."""

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app import workflow
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Outcome
from inspect_app.workflow import AcceptedArrival, PackedDevice
from tests.truth.workplaces import DEVICE_CLASS, Bench, answer_all, open_first, receive, sign


def packed(*serials: str) -> tuple[PackedDevice, ...]:
    return tuple(
        PackedDevice(serial=serial, device_class=DEVICE_CLASS, line=line) for line, serial in enumerate(serials, 2)
    )


def test_a_serial_that_is_not_listed_and_one_that_is_missing_are_told(bench: Bench) -> None:
    arrivals = workflow.check_arrivals(bench.place, "TST-001", packed("A-1", "A-2"), ["a-1", "A-9", "A-1 "])

    told = [(one.serial, one.is_on_list, one.is_repeated, one.is_missing) for one in arrivals]
    assert told == [("A-1", True, True, False), ("A-9", False, False, False), ("A-2", True, False, True)]


def test_without_a_packing_list_every_serial_counts_as_listed(bench: Bench) -> None:
    assert workflow.check_arrivals(bench.place, "TST-001", (), ["A-1"])[0].is_on_list


def test_a_serial_received_before_is_shown_with_what_came_of_it(bench: Bench) -> None:
    inspection_id = open_first(bench, "A-1")
    answer_all(bench, inspection_id)
    sign(bench, inspection_id)
    document = workflow.issue_document(bench.place, bench.approver, inspection_id)

    (arrival,) = workflow.check_arrivals(bench.place, "TST-001", (), ["a-1"])

    (earlier,) = arrival.earlier
    assert (earlier.shipment_reference, earlier.outcome, earlier.document_number) == (
        "DN-1",
        Outcome.ACCEPTED,
        document.number,
    )


def test_the_class_comes_from_the_list_in_any_spelling_or_from_a_contract_of_one_class(bench: Bench) -> None:
    listed = (PackedDevice(serial="A-1", device_class=" BENCH  monocular ", line=2),)

    arrivals = workflow.check_arrivals(bench.place, "TST-001", listed, ["A-1", "A-2"])

    assert [one.device_class for one in arrivals] == [DEVICE_CLASS, DEVICE_CLASS]


def test_a_class_that_the_contract_does_not_know_is_left_open(bench: Bench) -> None:
    listed = (PackedDevice(serial="A-1", device_class="telescope", line=2),)

    assert workflow.check_arrivals(bench.place, "TST-001", listed, ["A-1"])[0].device_class is None


def test_a_shipment_becomes_one_lot_with_its_devices_in_order(bench: Bench) -> None:
    lot_id = receive(bench, "B-2", "A-1", "C-3")

    summary = workflow.lot(bench.place, lot_id)
    assert (summary.lot.number, summary.total, summary.untouched) == ("TST-001-L01", 3, 3)
    assert [one.device.serial for one in workflow.lot_devices(bench.place, lot_id)] == ["B-2", "A-1", "C-3"]


def test_lot_numbers_go_on_with_the_next_shipment(bench: Bench) -> None:
    receive(bench, "A-1")
    receive(bench, "A-2", reference="DN-2")

    assert [summary.lot.number for summary in workflow.lots(bench.place)] == ["TST-001-L02", "TST-001-L01"]


def test_a_shipment_sent_twice_is_received_once(bench: Bench) -> None:
    assert receive(bench, "A-1", "A-2") == receive(bench, "A-2", "A-1")
    assert len(workflow.lots(bench.place)) == 1


def test_other_devices_under_the_same_reference_are_refused(bench: Bench) -> None:
    receive(bench, "A-1")

    with pytest.raises(UnusableInput, match="DN-1"):
        receive(bench, "A-2")


def test_a_device_that_comes_back_is_the_same_device_in_another_lot(bench: Bench) -> None:
    first, second = receive(bench, "A-1"), receive(bench, "A-1", reference="DN-2")

    assert first != second
    devices = {workflow.lot_devices(bench.place, lot_id)[0].device for lot_id in (first, second)}
    assert len(devices) == 1


def test_a_serial_given_twice_is_refused_and_nothing_is_kept(bench: Bench) -> None:
    with pytest.raises(UnusableInput, match="A-1: it is given twice"):
        receive(bench, "A-1", "a-1")

    assert workflow.lots(bench.place) == ()


@pytest.mark.parametrize("device_class", ["telescope", ""])
def test_a_class_that_the_contract_does_not_speak_of_is_refused(bench: Bench, device_class: str) -> None:
    arrivals = [AcceptedArrival(serial="A-1", device_class=device_class)]

    with pytest.raises(UnusableInput, match="A-1"):
        workflow.receive_shipment(bench.place, bench.inspector, "TST-001", "DN-1", arrivals)


def test_an_unknown_contract_is_told(bench: Bench) -> None:
    with pytest.raises(NotFound, match="TST-999"):
        workflow.check_arrivals(bench.place, "TST-999", (), ["A-1"])


def test_a_note_of_the_dock_stays_with_the_device(bench: Bench) -> None:
    arrivals = [AcceptedArrival(serial="A-1", device_class=DEVICE_CLASS, note="box wet", is_on_list=False)]

    shipment = workflow.receive_shipment(bench.place, bench.inspector, "TST-001", "DN-1", arrivals)

    (lot,) = workflow.lots_of_shipment(bench.place, shipment.id)
    (device,) = workflow.lot_devices(bench.place, lot.id)
    assert (device.arrival_note, device.is_on_list) == ("box wet", False)


def test_two_docks_receiving_at_once_get_lots_of_their_own(either_bench: Bench) -> None:
    def dock(reference: str) -> None:
        receive(either_bench, f"{reference}-1", f"{reference}-2", reference=reference)

    threads = [threading.Thread(target=dock, args=(f"DN-{number}",)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    numbers = sorted(summary.lot.number for summary in workflow.lots(either_bench.place))
    assert numbers == [f"TST-001-L0{number}" for number in range(1, 5)]
    assert workflow.verify(either_bench.place).problems == ()


def test_a_shipment_of_thousands_is_one_lot(bench: Bench) -> None:
    lot_id = receive(bench, *(f"S-{number:05d}" for number in range(3000)))

    assert workflow.lot(bench.place, lot_id).total == 3000


@given(st.text(max_size=90))
def test_a_serial_is_refused_in_words_or_has_one_spelling(text: str) -> None:
    """Idempotence: normalising twice is normalising once."""
    try:
        serial = workflow.normalise_serial(text)
    except UnusableInput:
        return

    assert workflow.normalise_serial(serial) == serial
    assert serial.strip() == serial != ""
    assert len(serial) <= 64
