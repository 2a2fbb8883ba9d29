"""A real server over a small workplace, and a real browser; skipped with the reason where there is no browser."""

import contextlib
import re
import shutil
import threading
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright
from waitress import create_server

from inspect_app import workflow
from inspect_app.web import create_app
from inspect_app.workflow import AcceptedArrival
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD, prepare

CHROMIUM = Path("/usr/bin/chromium")
SLOW_MACHINE_MS = 30_000
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]


@pytest.fixture(scope="session")
def chromium():
    if not CHROMIUM.exists():
        pytest.skip(f"there is no browser at {CHROMIUM}; install Debian's package chromium")
    expect.set_options(timeout=SLOW_MACHINE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def place(tmp_path):
    made = prepare(tmp_path / "instance")
    yield made
    workflow.close_workplace(made)
    shutil.rmtree(tmp_path / "instance")


@contextlib.contextmanager
def served(place):
    """Serve a workplace on a free port and give its address."""
    app = create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False})
    made = create_server(app, host="127.0.0.1", port=0, threads=8)
    thread = threading.Thread(target=made.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{made.effective_port}"
    made.task_dispatcher.shutdown()
    made.trigger.pull_trigger(lambda: _close_connections(made))
    thread.join(timeout=10)
    assert not thread.is_alive()


def _close_connections(made):
    """Close what a browser left as it closed: a request would hold the server for good, a half sent file stay open."""
    for channel in list(made.active_channels.values()):
        channel.handle_close()
    made.asyncore.close_all(made._map, ignore_all=True)


@pytest.fixture
def server(place):
    with served(place) as address:
        yield address


@pytest.fixture
def filled(place):
    return fill(place)


def fill(place):
    """Receive three devices, sign the first as rejected, begin the second."""
    people = {one.login: one for one in workflow.accounts(place)}
    arrivals = [AcceptedArrival(serial=f"TM-000{n}", device_class="test monocular") for n in (1, 2, 3)]
    shipment = workflow.receive_shipment(place, people["ina"], "TST-1", "DN-100", arrivals)
    lot = workflow.lots_of_shipment(place, shipment.id)[0]
    first, second, _ = workflow.lot_devices(place, lot.id)
    done = workflow.open_inspection(place, people["ina"], lot.id, first.device.id)
    answer_all(place, people["ina"], done, reading="-1,1")
    workflow.conclude(place, people["ina"], done.id, PASSWORD, "TM-0001")
    workflow.issue_document(place, people["app"], done.id)
    workflow.open_inspection(place, people["ina"], lot.id, second.device.id)
    return place


@pytest.fixture
def signed_in(open_page):
    """Open a page as somebody who is signed in."""

    def opened(login="ina", **settings):
        page = open_page(**settings)
        sign_in(page, login)
        return page

    return opened


def sign_in(page, login):
    """Sign somebody in who has read the cautions."""
    page.goto("/sign-in")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("main").get_by_role("button", name="Sign in").click()
    expect(page).to_have_title(re.compile("^Dock"))
    page.goto("/ready/")
    unread = page.get_by_role("button", name="I have read these cautions")
    unread.click()
    expect(unread).to_have_count(0)
    page.goto("/")  # a cookie that is added for the address at hand holds for all pages only from here


@pytest.fixture
def open_page(chromium, server):
    """Open a page of a new browser session; nothing it logs as an error is overlooked."""
    contexts = []
    complaints = []

    def opened(**settings):
        context = chromium.new_context(base_url=server, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda told: complaints.append(told.text) if "Content Security" in told.text else None)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []
