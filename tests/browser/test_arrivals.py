"""Captures on their way, in a real browser: a connection that breaks, a page that is left, a phone that sends."""

import hashlib
import re

import numpy as np
import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from inspect_app.model import EntryState
from tests.browser.looks import complaints
from tests.web.test_bench import EDGE
from tests.web.workbench import edge_png

pytestmark = pytest.mark.browser

CAPTURES = "/bench/2/captures"
PART_BYTES = 4 * 1024**2
FILM = b"\0\0\0\x18ftypmp42" + np.random.default_rng(5).bytes(2 * PART_BYTES + 1000)
DIGEST = """async (lengths) => {
  const { Sha256 } = await import("/static/sha256.js");
  return lengths.map((length) => {
    const [hash, bytes] = [new Sha256(), Uint8Array.from({ length }, (_, index) => index % 251)];
    for (let at = 0; at < length; at += 37) hash.update(bytes.subarray(at, at + 37));
    return [...hash.digest()].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  });
}"""


@pytest.fixture
def film(tmp_path):
    """Write what begins as a film and takes three parts."""
    path = tmp_path / "night film.mp4"
    path.write_bytes(FILM)
    return path


class Line:
    """Stands between browser and server: lets parts through, or breaks them off."""

    def __init__(self, page):
        self.offsets, self.broken = [], {}
        page.route("**/parts/*", self._pass)

    def _pass(self, route):
        offset = int(route.request.headers.get("upload-offset", -1))
        if self.broken.get(offset, 0) > 0:
            self.broken[offset] -= 1
            route.abort("connectionreset")
            return
        if offset >= 0:
            self.offsets.append(offset)
        route.continue_()


def test_the_digest_made_in_the_browser_is_that_of_the_standard(open_page):
    """Truth: the standard library's SHA-256, at lengths around the ends of a block and of its padding."""
    page = open_page()
    page.goto("/sign-in")
    lengths = [0, 1, 55, 56, 63, 64, 65, 119, 120, 5000]

    made = page.evaluate(DIGEST, lengths)

    assert made == [hashlib.sha256(bytes(i % 251 for i in range(n))).hexdigest() for n in lengths]


def test_a_film_goes_on_by_itself_where_the_connection_broke(signed_in, filled, film):
    page = signed_in()
    line = Line(page)
    line.broken = {PART_BYTES: 1}
    page.goto(CAPTURES)

    page.get_by_label("Files").set_input_files(film)
    page.get_by_role("button", name="Send", exact=True).click()
    expect(page.get_by_role("heading", name="Where they belong")).to_be_visible()

    assert line.offsets == [0, PART_BYTES, 2 * PART_BYTES]
    (waiting,) = workflow.waiting_captures(filled, 2)
    assert waiting.file.sha256 == hashlib.sha256(FILM).hexdigest()
    assert waiting.file.name == "night film.mp4"


def test_a_film_goes_on_where_it_stood_when_the_page_was_left(signed_in, filled, film):
    page = signed_in()
    line = Line(page)
    page.goto(CAPTURES)
    line.broken = {PART_BYTES: 1000}
    page.get_by_label("Files").set_input_files(film)
    page.get_by_role("button", name="Send", exact=True).click()
    expect(page.get_by_text("No connection. It goes on by itself").first).to_be_visible()
    page.reload()
    expect(page.get_by_role("heading", name="Arrived in part")).to_be_visible()
    line.offsets.clear()
    line.broken.clear()

    page.get_by_label("Files").set_input_files(film)
    page.get_by_role("button", name="Send", exact=True).click()
    expect(page.get_by_role("heading", name="Where they belong")).to_be_visible()

    assert line.offsets == [PART_BYTES, 2 * PART_BYTES]
    assert workflow.waiting_captures(filled, 2)[0].file.sha256 == hashlib.sha256(FILM).hexdigest()


def test_a_file_chosen_in_a_step_is_kept_before_anything_is_pressed(signed_in, filled, tmp_path):
    (tmp_path / "edge.png").write_bytes(edge_png())
    (tmp_path / "manual.pdf").write_bytes(b"%PDF-1.7")
    page = signed_in()
    page.goto(f"/bench/2/{EDGE}")

    page.get_by_label("Picture of the edge").set_input_files([tmp_path / "manual.pdf", tmp_path / "edge.png"])
    expect(page.get_by_text("not taken: manual.pdf: it is a PDF document").first).to_be_visible()
    expect(page.locator("[data-status]")).to_have_text(re.compile("^Saved"))
    draft = workflow.inspection(filled, 2).entries[EDGE]
    page.get_by_role("button", name="Save and continue").last.click()
    expect(page.get_by_role("heading", name="Results")).to_be_visible()

    assert [file.name for file in draft.evidence] == ["edge.png"]
    assert workflow.inspection(filled, 2).entries[EDGE].state is EntryState.RECORDED


def test_what_is_pressed_waits_for_the_last_of_the_files(signed_in, filled, tmp_path):
    """An earlier file arrives while a later one is still on its way; the button is pressed in between."""
    first, second = tmp_path / "first.png", tmp_path / "second.png"
    first.write_bytes(edge_png())
    second.write_bytes(edge_png(seed=2))
    page = signed_in()
    held = []

    def hold(route):
        held.append(route)

    page.route("**/parts/*", hold)
    page.goto(f"/bench/2/{EDGE}")
    for path in (first, second):
        with page.expect_request("**/parts/*"):
            page.get_by_label("Picture of the edge").set_input_files(path)

    held[0].continue_()
    expect(page.get_by_text("arrived").first).to_be_visible()
    page.get_by_role("button", name="Save draft").click()
    held[1].continue_()
    expect(page.get_by_text("Saved as a draft.")).to_be_visible()

    assert [file.name for file in workflow.inspection(filled, 2).entries[EDGE].evidence] == ["first.png", "second.png"]


def test_what_a_phone_sends_shows_at_the_bench_without_a_new_page(open_page, signed_in, filled, tmp_path):
    """The page at the bench asks every four seconds; its clock is moved, so that nobody waits."""
    (tmp_path / "IMG_1.png").write_bytes(edge_png())
    bench = signed_in()
    bench.clock.install()
    people = {one.login: one for one in workflow.accounts(filled)}
    token = workflow.pair_phone(filled, people["ina"], 2, EDGE).token
    bench.goto(CAPTURES)
    phone = open_page(has_touch=True, viewport={"width": 390, "height": 844})

    phone.goto(f"/phone/enter/{token}")
    found = complaints(phone)
    width_px = phone.evaluate("document.documentElement.scrollWidth")
    camera = phone.get_by_label("Take a photograph")
    camera.set_input_files(tmp_path / "IMG_1.png")
    expect(phone.get_by_text("arrived, ", exact=False).first).to_be_visible()
    bench.clock.fast_forward(5000)
    expect(bench.get_by_text("1 capture more arrived.")).to_be_visible()
    bench.get_by_role("link", name="Show them").click()

    expect(bench.get_by_label("IMG_1.png")).to_have_value(f"{EDGE}|scene")
    assert camera.get_attribute("capture") == "environment"
    assert (found, complaints(bench), width_px) == ([], [], 390)
