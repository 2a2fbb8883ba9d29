"""The dock at a glance, and lists of lots that can be searched, sorted and paged by their address."""

import re

import pytest

from inspect_app import workflow
from inspect_app.model import EntryState
from inspect_app.workflow import AcceptedArrival, StepAnswers
from tests.web.test_inspections import BARS, EDGE, LOOK, answer_all
from tests.web.workbench import PASSWORD


@pytest.fixture
def held(place, people, inspection):
    """Sign an inspection whose readings nobody could tell: it is held."""
    for step in (LOOK, BARS, EDGE):
        unsure = StepAnswers(state=EntryState.CANNOT_TELL, reason="target lost")
        workflow.record_step(place, people["ina"], inspection.id, step, unsure, 0)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    return inspection


@pytest.fixture
def many_lots(place, people):
    """Receive thirty shipments of one device."""
    for number in range(30):
        arrivals = [AcceptedArrival(serial=f"TM-9{number:03d}", device_class="test monocular")]
        workflow.receive_shipment(place, people["ina"], "TST-1", f"NOTE-{number:02d}", arrivals)


def test_the_dock_says_what_to_do_where_there_is_nothing(inspector):
    inspector.get("/")

    words = inspector.words()
    assert "No device is held." in words
    assert "No lot waits for inspection. Look at all lots" in words
    assert "Nothing yet. Receive a shipment" in words


def test_the_dock_names_what_is_held_for_whom_and_what_falls_due(inspector, held):
    """Truth: the meter Lumo 1 was due 30 days before; the others are due in 90 days and more."""
    inspector.get("/")

    words = inspector.words()
    assert "TM-0001 Lot TST-1-L01, for Test Supplier (invented) signed as held 2026-06-01 12:00 UTC by Ina" in words
    assert "Lumo 1 illuminance meter ✗ Past due 2026-05-02" in words
    assert "Lumo 3" not in words


def test_a_lot_is_open_until_its_last_device_is_signed(inspector, place, people, lot, inspection):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    assert "TST-1-L01" in inspector.get("/lots/?state=open").get_data(as_text=True)

    for row in workflow.lot_devices(place, lot.id)[1:]:
        opened = workflow.open_inspection(place, people["ina"], lot.id, row.device.id)
        answer_all(place, people["ina"], opened)
        workflow.conclude(place, people["ina"], opened.id, PASSWORD, row.device.serial)

    inspector.get("/lots/?state=open")
    assert "No lot fits." in inspector.words()
    inspector.get("/")
    assert "No lot waits for inspection." in inspector.words()


def test_a_large_lot_lists_its_devices_page_by_page_and_lets_each_be_begun(inspector, place, people):
    """101 devices are a page of 100 and one of the last."""
    arrivals = [AcceptedArrival(serial=f"TM-{n:04d}", device_class="test monocular") for n in range(1, 102)]
    shipment = workflow.receive_shipment(place, people["ina"], "TST-1", "LARGE", arrivals)
    (lot,) = workflow.lots_of_shipment(place, shipment.id)
    inspector.get(f"/lots/{lot.id}")
    assert "101 devices, page 1 of 2" in inspector.words()
    assert (inspector.text().count(">Begin<"), "TM-0101" in inspector.words()) == (100, False)
    assert f'href="/lots/{lot.id}?page=2"' in inspector.text()

    inspector.get(f"/lots/{lot.id}?page=99")
    begin = re.search(r'<button[^>]* formaction="([^"]+)">Begin<span class="unseen"> with TM-0101<', inspector.text())
    inspector.post(begin[1])

    assert [one.device.serial for one in workflow.open_inspections(place)] == ["TM-0101"]


def test_lots_are_paged_searched_and_sorted_and_the_address_says_so(inspector, many_lots):
    inspector.get("/lots/")
    assert "30 lots, page 1 of 2" in inspector.words()
    assert 'href="/lots/?page=2"' in inspector.text()

    inspector.get("/lots/?sort=number&page=2")
    assert "page 2 of 2" in inspector.words()
    assert 'href="/lots/?sort=number&amp;page=1"' in inspector.text()
    assert "TST-1-L30" in inspector.words()
    assert "TST-1-L25 " not in inspector.words()

    inspector.get("/lots/?find=note-07")
    assert "1 lot " in inspector.words()
    inspector.get("/lots/?find=100%25&sort=nonsense&page=99")
    assert "No lot fits. Show all lots" in inspector.words()
