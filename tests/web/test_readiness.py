"""Ready for a step: cautions are read once a session, waits run across pages, the bench stands as it stood before."""

import pytest

from inspect_app import workflow
from tests.web.test_bench import BARS, EDGE
from tests.web.test_inspections import answer_all
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD


@pytest.fixture
def newcomer(app):
    """Sign in without having read anything."""
    visitor = Visitor(app.test_client())
    visitor.sign_in("ina", PASSWORD)
    return visitor


def test_a_step_that_can_hurt_asks_only_for_its_cautions_until_they_are_read(newcomer, inspection):
    newcomer.get(f"/bench/{inspection.id}/{BARS}")
    assert "I have read these cautions" in newcomer.words()
    assert 'name="answer_reading"' not in newcomer.text()

    newcomer.post("/ready/cautions", {"caution": "dark room", "back": f"/bench/{inspection.id}/{BARS}"})

    assert 'name="answer_reading"' in newcomer.text()
    newcomer.get(f"/bench/{inspection.id}/{EDGE}")
    assert "I have read these cautions" not in newcomer.words()
    assert "Caution Dark room" in newcomer.words()


def test_the_next_session_asks_again(newcomer, inspection):
    newcomer.post("/ready/cautions", {"caution": "dark room"})
    newcomer.post("/sign-out")
    newcomer.sign_in("ina", PASSWORD)

    newcomer.get(f"/bench/{inspection.id}/{BARS}")

    assert "I have read these cautions" in newcomer.words()


def test_a_step_without_hazard_asks_for_nothing(newcomer, inspection):
    newcomer.get(f"/bench/{inspection.id}/look")

    assert "I have read" not in newcomer.words()


def test_a_wait_counts_down_on_every_page_and_ends_ready(inspector, inspection, clock):
    inspector.get(f"/bench/{inspection.id}/{BARS}")
    assert "Start: eyes adapting to the dark, 25 min" in inspector.words()
    inspector.post("/ready/waits", {"name": "dark", "act": "start", "back": "/lots/"})
    assert "Eyes adapting to the dark : 25 min left since 12:00 UTC, 25 min" in inspector.words()

    clock.move(minutes=10)
    inspector.get("/help")
    assert "10" not in inspector.words().partition("min left")[0][-3:]
    assert "15 min left" in inspector.words()
    clock.move(minutes=15)
    inspector.get("/")
    assert "Eyes adapting to the dark : ready" in inspector.words()

    inspector.post("/ready/waits", {"name": "dark", "act": "end"})
    assert "Eyes adapting to the dark : " not in inspector.words()


def test_what_is_waited_for_outlasts_the_session(inspector, clock):
    inspector.post("/ready/waits", {"name": "lamp", "act": "start"})
    clock.move(minutes=31)
    inspector.get("/")

    inspector.sign_in("ina", PASSWORD)

    assert "Lamp warming up : ready" in inspector.words()


def test_an_unknown_wait_or_caution_is_left_out(inspector):
    inspector.post("/ready/waits", {"name": "nonsense", "act": "start"})
    page = inspector.post("/ready/cautions", {"caution": "nonsense"})

    assert page.status_code == 200
    assert "Waiting for" not in inspector.text()


def test_the_bench_stands_as_for_the_last_device_of_the_lot(inspector, place, people, lot, inspection):
    """What was read after the captures is read anew, and so is the reading itself."""
    answer_all(place, people["ina"], inspection)
    second = workflow.lot_devices(place, lot.id)[1].device
    opened = workflow.open_inspection(place, people["ina"], lot.id, second.id)

    inspector.get(f"/bench/{opened.id}/{BARS}")

    assert inspector.value_of("condition_illuminance_lx_before") == "1"
    assert inspector.value_of("condition_temperature_c") == "21"
    assert inspector.value_of("condition_illuminance_lx_after") == ""
    assert inspector.value_of("answer_distance_m") == "1"
    assert "1,4\n1,4" not in inspector.text()
    assert "selected" in inspector.text()
    assert "stand as for the last device of this lot" in inspector.words()


def test_the_set_up_is_drawn_and_said(inspector, inspection):
    inspector.get(f"/bench/{inspection.id}/{BARS}")

    assert "From left to right: dimmed lamp, bar target, device, reader." in inspector.words()
