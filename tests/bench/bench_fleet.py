"""Pages of the fleet from 10 000 to 1 000 000 results: server time against that of their bare queries; by hand.

Run it with ``make bench``, or alone; the fleets are written once into the folder that BENCH_FLEETS names, if it does,
for the largest takes minutes. The ratio is page time over time inside the database, both of one run on one machine:
times are processor times, for the machine may be busy with other things. What is counted and drawn is capped, so that
only fleets beyond the cap can be compared: the two larger ones.
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
from inspect_app.storage import measured_over_time
from inspect_app.web import create_app
from tests.web.visitor import Visitor

SIZES = (1_000, 10_000, 100_000)
PASSWORD = "a bench among benches"
CLASS = "synthetic+monocular%2C+large+sensor"
PAGES = (
    "/",
    "/lots/",
    "/lots/?state=open",
    "/documents/",
    "/nonconformities/",
    "/nonconformities/returns",
    "/suppliers/",
    "/reports/",
    f"/drift/?class={CLASS}",
    "/drift/{quantity}",
    "/devices",
    "/devices?serial=NV-0000123",
    "/devices?serial=0123",
    "/devices?serial=nobody",
    f"/devices?class={CLASS}&verdict=rejected",
    "/devices?supplier=Tarnbeck+Imaging",
    "/devices?contract=SYN-202&verdict=held",
    "/devices?lot=SYN-202-L0005",
    "/devices?since=2022-01-01&until=2022-12-31",
    "/devices?inspector=1",
    "/devices?instrument=2",
    "/devices?quantity={quantity}",
    "/devices?quantity={quantity}&from=0.5&to=0.6&verdict=held",
    "/devices?quantity={quantity}&order=back",
    "/devices/{device}",
    "/devices/{device}/changes",
    "/instruments/1/touched?since=2020-01-01",
)
REPEATS = 7
FLAT = 4  # times that of a tenth of the fleet: trees are deeper, and what is read lies further apart
LITTLE_MS = 3  # what is capped is not full in the smaller fleets; less than this is no rise


@pytest.fixture(scope="module")
def fleets(tmp_path_factory):
    """Write the fleets that are not there yet, and open them."""
    folder = Path(os.environ.get("BENCH_FLEETS") or tmp_path_factory.mktemp("fleets"))
    opened = {}
    for size in SIZES:
        instance = folder / str(size)
        if not (instance / "record.db").exists():
            load(instance, size, lambda _done, _total: None)
        opened[size] = workflow.open_workplace(instance)
    yield opened
    for place in opened.values():
        workflow.close_workplace(place)


def test_pages_of_the_fleet_stay_flat_from_ten_thousand_to_a_million_results(fleets):
    told = [f"{'page':56} {'results':>8} {'ms':>7} {'bare ms':>8} {'ratio':>6} {'queries':>7} {'kB':>6}"]
    bare = {}
    for size, place in fleets.items():
        visitor = signed_in(place)
        named = names(place)
        for page in PAGES:
            path = page.format(**named)
            page_ms, bare_ms, queries, size_kb = measured(place, visitor, path)
            bare.setdefault(page, {})[size] = bare_ms
            told.append(
                f"{path[:56]:56} {10 * size:8} {page_ms:7.1f} {bare_ms:8.2f} "
                f"{page_ms / bare_ms:6.1f} {queries:7} {size_kb:6.1f}"
            )
    sys.stdout.write("\n".join((*sorted(told), "")))
    rising = {page: times for page, times in bare.items() if times[SIZES[-1]] > max(LITTLE_MS, FLAT * times[SIZES[-2]])}
    sys.stdout.write(f"not flat: {rising or 'none'}\n")
    assert {page for page in rising if "serial=" not in page} == set()  # serials: the index of all is walked


def signed_in(place):
    person = next(one for one in workflow.accounts(place) if one.login == "auditor")
    workflow.set_password(place, None, person.id, PASSWORD)
    visitor = Visitor(create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False}).test_client())
    visitor.sign_in(person.login, PASSWORD)
    return visitor


def names(place):
    """Return what differs from fleet to fleet: a quantity's key, and a device that came several times."""
    with place.database.reading() as session:
        quantity = next(
            one.id
            for one in measured_over_time.characteristics(session, "synthetic monocular, large sensor")
            if one.quantity_name == "mtf50_cy_mrad"
        )
    with closing(sqlite3.connect(place.settings.record_path)) as bare:
        often = "SELECT device_id FROM device_verdict GROUP BY device_id HAVING count(*) = 2 LIMIT 1"
        return {"quantity": quantity, "device": bare.execute(often).fetchone()[0]}


def measured(place, visitor, path):
    """Return page time, bare time, number of queries and size of a page, the best of several."""
    asked = []

    def note(_connection, _cursor, text, given, *_):
        asked.append((text, given))

    visitor.get(path)
    page_ms = min(timed(lambda: visitor.get(path)) for _ in range(REPEATS))
    assert visitor.page.status_code == 200
    event.listen(place.database.engine, "before_cursor_execute", note)
    visitor.get(path)
    event.remove(place.database.engine, "before_cursor_execute", note)
    questions = [one for one in asked if one[0].startswith("SELECT")]
    with closing(sqlite3.connect(place.settings.record_path)) as bare:
        bare.execute("PRAGMA cache_size=-32768")  # as the program sets it
        bare_ms = min(timed(lambda: answer(bare, questions)) for _ in range(REPEATS))
    return page_ms, bare_ms, len(questions), len(visitor.page.data) / 1000


def timed(act):
    """Return the processor time of an act, in ms: what other work on the machine takes is not in it."""
    start = time.process_time()
    act()
    return 1000 * (time.process_time() - start)


def answer(bare, questions):
    for text, given in questions:
        bare.execute(text, given).fetchall()
