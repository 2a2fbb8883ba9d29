"""What a page asks of the database does not grow with the fleet: work is counted in steps of SQLite's own machine."""

import sqlite3
from contextlib import closing

import pytest
from sqlalchemy import event

from demo_fleet.synthetic import load
from inspect_app import workflow
from inspect_app.web import create_app
from inspect_app.workflow.memory import fleet as memory_fleet
from inspect_app.workflow.outcomes import nonconformities
from tests.web.visitor import Visitor

FEW, MANY = 400, 1600
PAGES = (
    "/",
    "/lots/",
    "/lots/?state=open",
    "/lots/3",
    "/devices",
    "/devices?supplier=Tarnbeck+Imaging",
    "/devices?verdict=rejected",
    "/devices/7",
    "/inspections/7",
    "/documents/",
    "/nonconformities/",
    "/nonconformities/returns",
    "/suppliers/",
    "/reports/",
    "/instruments/1/touched?since=2020-01-01",
)
A_STEP = 50


@pytest.fixture(scope="module")
def work(tmp_path_factory):
    """Return what each page asks of a small and of a large fleet: statements, and steps of the machine."""
    with pytest.MonkeyPatch.context() as patch:
        # So that pages are full, and counts capped, in both fleets.
        patch.setattr(nonconformities, "ON_A_PAGE", 20)
        patch.setattr(memory_fleet, "MOST_COUNTED", 50)
        return {size: asked_by_pages(tmp_path_factory.mktemp("fleet"), size) for size in (FEW, MANY)}


def asked_by_pages(folder, devices):
    run = load(folder, devices, lambda _done, _total: None)
    place = workflow.open_workplace(folder)
    visitor = Visitor(create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False}).test_client())
    visitor.sign_in(run.accounts[0].login, run.accounts[0].password)
    asked = []
    event.listen(
        place.database.engine, "before_cursor_execute", lambda _c, _k, text, given, *_: asked.append((text, given))
    )
    found = {}
    for path in PAGES:
        asked.clear()
        assert visitor.get(path).status_code == 200
        questions = [one for one in asked if one[0].startswith("SELECT")]
        found[path] = len(questions), steps_of(place.settings.record_path, questions)
    workflow.close_workplace(place)
    return found


def steps_of(record, questions):
    """Return how many steps SQLite's machine takes to answer, to the nearest A_STEP of each question."""
    steps = 0

    def count():
        nonlocal steps
        steps += A_STEP

    with closing(sqlite3.connect(record)) as bare:
        bare.set_progress_handler(count, A_STEP)
        for text, given in questions:
            bare.execute(text, given).fetchall()
    return steps


@pytest.mark.parametrize("path", PAGES)
def test_a_page_asks_the_same_of_four_times_the_devices(work, path):
    (few_questions, few_steps), (many_questions, many_steps) = work[FEW][path], work[MANY][path]

    assert many_questions <= few_questions + 2
    assert many_steps < 2 * few_steps, (few_steps, many_steps)
