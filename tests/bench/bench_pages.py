"""Pages of a fleet of 100 000 devices: server time against that of their queries alone, and their size; by hand.

Run it with ``make bench``. The ratio is page time over time inside the database, both of one run on one machine, and
both times are those of the processor: what else the machine does meanwhile does not count.
"""

import sqlite3
import sys
import time
from contextlib import closing

import pytest
from sqlalchemy import event

from demo_fleet.synthetic import load
from inspect_app import workflow
from inspect_app.web import create_app
from tests.web.visitor import Visitor

DEVICES, DEVICES_OF_LOT = 100_000, 200
LOTS = DEVICES // DEVICES_OF_LOT
MIDDLE = LOTS // 2
DEVICE = MIDDLE * DEVICES_OF_LOT + 7
PAGES = (
    "/",
    "/lots/",
    "/lots/?state=open",
    f"/lots/{MIDDLE}",
    f"/lots/{LOTS}",
    "/devices",
    "/devices?serial=NV-0000007",
    "/devices?serial=007",
    f"/devices/{DEVICE}",
    f"/inspections/{DEVICE}",
    "/documents/",
    "/instruments",
    "/contracts",
    "/nonconformities/",
    "/nonconformities/returns",
    "/suppliers/",
    f"/compare?of={DEVICE}&of={DEVICE + 1}",
)
REPEATS = 5


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Write the fleet and open it, with somebody who may sign in."""
    instance = tmp_path_factory.mktemp("fleet") / "instance"
    run = load(instance, DEVICES, lambda _done, _total: None)
    place = workflow.open_workplace(instance)
    yield place, run.accounts[0]
    workflow.close_workplace(place)


def test_pages_of_a_large_fleet_take_little_more_than_their_queries(fleet):
    place, inspector = fleet
    visitor = Visitor(create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False}).test_client())
    visitor.sign_in(inspector.login, inspector.password)
    asked = []
    event.listen(
        place.database.engine, "before_cursor_execute", lambda _c, _k, text, given, *_: asked.append((text, given))
    )
    told = [f"{'page':42} {'ms':>8} {'bare ms':>8} {'ratio':>6} {'kB':>7}"]
    large = {}
    for path in PAGES:
        visitor.get(path)
        page_ms = min(_page_ms(visitor, path) for _ in range(REPEATS))
        asked.clear()
        visitor.get(path)
        bare_ms = min(_bare_ms(place, tuple(asked)) for _ in range(REPEATS))
        size_kb = len(visitor.page.data) / 1000
        told.append(f"{path:42} {page_ms:8.1f} {bare_ms:8.1f} {page_ms / bare_ms:6.1f} {size_kb:7.1f}")
        if size_kb > 100:
            large[path] = size_kb
    sys.stdout.write("\n".join((*told, "")))
    assert large == {}


def _page_ms(visitor, path):
    start = time.process_time()
    visitor.get(path)
    return 1000 * (time.process_time() - start)


def _bare_ms(place, asked):
    """Ask the same questions of the database file itself and fetch every row."""
    with closing(sqlite3.connect(place.settings.record_path)) as bare:
        start = time.process_time()
        for text, given in (one for one in asked if one[0].startswith("SELECT")):
            bare.execute(text, given).fetchall()
        return 1000 * (time.process_time() - start)
