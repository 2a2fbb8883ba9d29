"""Pages of a fleet of 100 000 devices: server time against that of their queries alone, and their size; by hand.

Run it with ``make bench``; the fleet is written once into the folder that BENCH_FLEETS names, if it does. The ratio is
page time over time inside the database, both of one run on one machine, and both times are those of the processor: what
else the machine does meanwhile does not count. Looked at is every page whose address names nothing, and those below.
"""

import os
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

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
CLASS = "synthetic+monocular%2C+large+sensor"
PAGES = (
    "/lots/?state=open",
    "/lots/?page=10&sort=class",
    f"/lots/{MIDDLE}",
    f"/lots/{LOTS}",
    f"/lots/{MIDDLE}/documents/",
    "/devices?serial=NV-0000007",
    "/devices?serial=007",
    f"/devices/{DEVICE}",
    f"/devices/{DEVICE}/changes",
    f"/inspections/{DEVICE}",
    f"/inspections/{DEVICE}/why/1",
    f"/bench/{DEVICE}",
    f"/bench/{DEVICE}/noise",
    "/nonconformities/?page=3",
    "/nonconformities/?pareto=supplier",
    "/nonconformities/?pareto=class",
    "/instruments/1",
    "/instruments/1/touched?since=2020-01-01",
    f"/drift/?class={CLASS}",
    "/drift/3",
    f"/drift/device/{DEVICE}",
    "/reports/?contract=SYN-202",
    f"/compare?of={DEVICE}&of={DEVICE + 1}",
)
MOST_MS, MOST_KB = 50, 100
REPEATS = 5
PASSWORD = "a bench among benches"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Write the fleet if it is not there yet, and open it."""
    instance = Path(os.environ.get("BENCH_FLEETS") or tmp_path_factory.mktemp("fleets")) / str(DEVICES)
    if not (instance / "record.db").exists():
        load(instance, DEVICES, lambda _done, _total: None)
    place = workflow.open_workplace(instance)
    yield place
    workflow.close_workplace(place)


def test_pages_of_a_large_fleet_take_little_more_than_their_queries(fleet):
    place = fleet
    app = create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False})
    visitor = Visitor(app.test_client())
    approver = next(one for one in workflow.accounts(place) if one.login == "approver")
    workflow.set_password(place, None, approver.id, PASSWORD)
    visitor.sign_in(approver.login, PASSWORD)
    asked = []
    event.listen(
        place.database.engine, "before_cursor_execute", lambda _c, _k, text, given, *_: asked.append((text, given))
    )
    told = [f"{'page':56} {'ms':>8} {'bare ms':>8} {'ratio':>6} {'kB':>7}"]
    slow, large = {}, {}
    for path in (*_unnamed_pages(app), *PAGES):
        if visitor.get(path).status_code != 200 or visitor.page.mimetype != "text/html":
            continue
        page_ms = min(_page_ms(visitor, path) for _ in range(REPEATS))
        asked.clear()
        visitor.get(path)
        bare_ms = min(_bare_ms(place, tuple(asked)) for _ in range(REPEATS))
        size_kb = len(visitor.page.data) / 1000
        told.append(f"{path:56} {page_ms:8.1f} {bare_ms:8.2f} {page_ms / bare_ms:6.1f} {size_kb:7.1f}")
        if page_ms > MOST_MS:
            slow[path] = page_ms
        if size_kb > MOST_KB:
            large[path] = size_kb
    sys.stdout.write("\n".join((*told, f"over {MOST_MS} ms: {slow or 'none'}", "")))
    assert large == {}


def _unnamed_pages(app):
    """Return the addresses of the pages that name nothing; those for programs have their own ways."""
    rules = (rule for rule in app.url_map.iter_rules() if "GET" in (rule.methods or ()) and not rule.arguments)
    return sorted(str(rule) for rule in rules if not str(rule).startswith(("/api/", "/reports/draft")))


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
