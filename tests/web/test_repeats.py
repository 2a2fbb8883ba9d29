"""Repeat checks and returns: what falls due by contract or decision stands on the dock, and leaves it again."""

import pytest

from inspect_app import workflow
from inspect_app.model import Disposition
from inspect_app.workflow import AcceptedArrival
from inspect_app.workflow.outcomes import nonconformities
from tests.web.test_inspections import answer_all
from tests.web.texts import CONTRACT
from tests.web.workbench import PASSWORD

REPEAT = """
[[repeat]]
device_class = "test monocular"
after_months = 2
"""


@pytest.fixture
def accepted(place, people, inspection):
    """Accept a device on 1 June 2026, then revise its contract: it is inspected again after two months."""
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    revised = CONTRACT.replace('revision = "1"', 'revision = "2"') + REPEAT
    workflow.adopt_contract(place, None, revised, "revised.toml")
    return inspection


def test_a_device_falls_due_thirty_days_before_its_months_are_over(place, clock, accepted):
    """Truth: two months after 1 June 2026 is 1 August; 30 days before that is 2 July."""
    clock.move(days=30)
    assert clock().date().isoformat() == "2026-07-01"
    assert workflow.repeat_page(place).total == 0

    clock.move(days=1)

    (found,) = workflow.repeat_page(place).repeats
    assert (found.device.serial, found.due.isoformat()) == ("TM-0001", "2026-08-01")


def test_the_dock_and_its_list_name_what_falls_due(as_role, clock, accepted):
    clock.move(days=61)
    inspector = as_role("ina")

    for path in ("/", "/due"):
        inspector.get(path)
        assert "TM-0001 test monocular TST-1 2026-06-01 2026-08-01" in inspector.words(), path
    inspector.get("/contracts/TST-1")
    assert "inspected again after 2 months" in inspector.words()


def test_a_new_verdict_takes_the_device_off_the_list(place, people, clock, accepted):
    clock.move(days=61)
    arrivals = [AcceptedArrival(serial="TM-0001", device_class="test monocular", note="repeat check")]
    shipment = workflow.receive_shipment(place, people["ina"], "TST-1", "AGAIN", arrivals)
    (lot,) = workflow.lots_of_shipment(place, shipment.id)
    again = workflow.open_inspection(place, people["ina"], lot.id, accepted.device.id)
    assert workflow.repeat_page(place).total == 1
    answer_all(place, people["ina"], again)

    workflow.conclude(place, people["ina"], again.id, PASSWORD, "TM-0001")

    assert workflow.repeat_page(place).total == 0


def test_where_no_contract_asks_for_it_nothing_falls_due(inspector, place, people, inspection, clock):
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")

    assert workflow.repeat_page(place).total == 0
    inspector.get("/due")
    assert "Nothing falls due." in inspector.words()


def test_what_is_to_be_sent_back_stands_on_the_dock_until_it_is_sent(inspector, place, people, inspection):
    answer_all(place, people["ina"], inspection, reading="-2,1")
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    waiting = "Test Supplier (invented): 1 device , since 2026-06-01"
    inspector.get("/")
    assert waiting not in inspector.words()

    for found in workflow.nonconformities(place):
        workflow.dispose(place, people["app"], found.number, Disposition.RETURN, "to the maker")
    inspector.get("/")
    assert waiting in inspector.words()

    workflow.send_back(place, people["ina"], "Test Supplier (invented)", "RET-1", [inspection.device.id])
    inspector.get("/")
    assert waiting not in inspector.words()


def test_a_long_list_of_returns_shows_one_shipment_of_it_and_says_how_many_wait(
    inspector, place, people, lot, monkeypatch
):
    """Two wait and one is shown: the first by serial; once it is sent, the other."""
    monkeypatch.setattr(nonconformities, "RETURNS_SHOWN", 1)
    for row in workflow.lot_devices(place, lot.id)[:2]:
        opened = workflow.open_inspection(place, people["ina"], lot.id, row.device.id)
        answer_all(place, people["ina"], opened, reading="-2,1")
        workflow.conclude(place, people["ina"], opened.id, PASSWORD, row.device.serial)
    for found in workflow.nonconformities(place):
        workflow.dispose(place, people["app"], found.number, Disposition.RETURN, "to the maker")

    inspector.get("/nonconformities/returns")
    assert "2 devices wait; the first 1 by serial stand here" in inspector.words()
    assert ("TM-0001:" in inspector.words(), "TM-0002:" in inspector.words()) == (True, False)

    first = workflow.devices_to_return(place)[0].device
    workflow.send_back(place, people["ina"], first.maker, "RET-1", [first.id])
    inspector.get("/nonconformities/returns")
    assert "TM-0002:" in inspector.words()
    assert "devices wait" not in inspector.words()
