"""Pages in a real browser: what asks back, the menu, themes, keys, and what the scripts add."""

import contextlib
import io
import re

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import TimeoutError as NotInTime
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import wait_for_keys
from tests.browser.looks import complaints, complaints_in_every_theme, wear
from tests.web.test_bench import EDGE
from tests.web.workbench import PASSWORD, record_edge

pytestmark = pytest.mark.browser

MOST_SCANS = 10

BARS = "/bench/2/bar-target.horizontal.1lx"
DISTANCE = "Distance from target to the front lens, in m"


def test_the_dark_room_theme_sends_no_green_no_blue_and_little_red(signed_in, filled):
    """Relative luminance as in WCAG 2.2: red light alone is 0.2126 at most; the mean over the page stays under 0.03."""
    inspector = next(one for one in workflow.accounts(filled) if one.login == "ina")
    record_edge(filled, inspector)
    page = signed_in()
    wear(page, "dark-room")

    for path in ("/", BARS, f"/bench/2/{EDGE}/picture", f"/bench/2/{EDGE}/result", "/inspections/1"):
        page.goto(path)
        page.wait_for_load_state("networkidle")
        codes = np.asarray(Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB"))
        red = codes[..., 0] / 255
        linear = np.where(red <= 0.04045, red / 12.92, ((red + 0.055) / 1.055) ** 2.4)
        assert (path, codes[..., 1:].max()) == (path, 0)
        assert 0.2126 * linear.mean() < 0.03, path


def test_pages_wear_the_typeface_of_the_documents(signed_in):
    page = signed_in()
    page.goto("/")
    page.evaluate("document.fonts.ready")

    worn = page.evaluate("[...document.fonts].map(font => `${font.family} ${font.weight} ${font.status}`)")
    assert [one.replace('"', "") for one in worn] == ["Source Sans Pro 400 loaded", "Source Sans Pro 600 700 loaded"]


def test_a_shipment_with_odd_serials_and_a_step_with_an_error_break_no_rule(signed_in, filled):
    page = signed_in()
    page.goto("/receive")
    page.get_by_label("Contract").select_option("TST-1")
    page.get_by_label("Delivery note").fill("DN-9")
    page.get_by_label("Serials that came").fill("TM-0001\nTM-0900")
    page.get_by_role("button", name="Show what came").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What came with DN-9")
    found = complaints_in_every_theme(page)
    page.get_by_role("button", name="Receive").click()
    expect(page.locator("#errors")).to_be_focused()
    found += complaints_in_every_theme(page)

    page.goto(BARS)
    page.get_by_label(DISTANCE).fill("TM-0001")
    page.get_by_label("Last element resolved, as group,element").fill("1,4")
    page.get_by_role("main").get_by_role("button", name="Save and continue").last.click()
    expect(page.locator("#errors")).to_be_focused()
    found += complaints_in_every_theme(page)

    assert found == []


def test_two_answers_to_one_step_break_no_rule(signed_in, filled):
    page, other = signed_in(), signed_in("app")
    other.goto(BARS)
    page.goto(BARS)
    other.get_by_label(DISTANCE).fill("3")
    other.get_by_role("button", name="Save draft").click()
    expect(other.get_by_text("Saved as a draft.")).to_be_visible()
    page.get_by_label(DISTANCE).fill("4")
    page.get_by_role("button", name="Save draft").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Two answers to one step")

    assert complaints_in_every_theme(page) == []


def test_the_sign_in_page_its_errors_and_somebody_elses_answers_break_no_rule(open_page, signed_in, filled):
    """A session ends under the answers of one person; the next one signs in, then the first one again."""
    page = open_page()
    page.goto("/sign-in")
    found = complaints_in_every_theme(page)
    page.get_by_role("main").get_by_role("button", name="Sign in").click()
    expect(page.locator("#errors")).to_be_focused()
    found += complaints_in_every_theme(page)

    page = signed_in("ina")
    page.goto(BARS)
    page.context.clear_cookies()
    page.get_by_label(DISTANCE).fill("12")
    page.get_by_role("button", name="Save draft").click()
    for login, heading in (("app", "Ina Vestergard had typed this"), ("ina", "Go on where you were")):
        expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
        found += complaints_in_every_theme(page)
        page.get_by_label("Login").fill(login)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("main").get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", level=1)).to_have_text(heading)
        found += complaints_in_every_theme(page)
        if login == "app":
            page.get_by_role("button", name="Sign in as Ina Vestergard").click()
    expect(page.get_by_role("main")).to_contain_text(DISTANCE)

    assert found == []


def test_the_menu_takes_at_most_two_rows_on_a_narrow_screen(signed_in, filled):
    """390 pixels: one row of places, one of the pages of the place at hand; each target is 48 pixels wide and high."""
    page = signed_in("adm", viewport={"width": 390, "height": 844})
    for path in ("/", "/lots/", "/devices", "/documents/", "/instruments", "/contracts"):
        page.goto(path)
        boxes = page.eval_on_selector_all(
            ".masthead nav a",
            "all => all.map(e => e.getBoundingClientRect()).map(({top, width, height}) => [top, width, height])",
        )

        assert len({top for top, _, _ in boxes}) == 2, path
        assert min(min(width, height) for _, width, height in boxes) >= 48, path


def test_the_theme_changes_at_once_and_stays(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.get_by_label(DISTANCE).fill("12")

    page.get_by_role("button", name="Dark-room").click()

    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(0, 0, 0)"
    expect(page.get_by_label(DISTANCE)).to_have_value("12")
    page.goto("/lots/")
    assert page.evaluate("getComputedStyle(document.querySelector('h1')).color") == "rgb(255, 0, 0)"


def test_a_changed_answer_is_on_the_server_before_anything_is_pressed(signed_in, filled):
    page = signed_in()
    page.goto(BARS)

    page.get_by_label(DISTANCE).fill("12")
    page.get_by_label(DISTANCE).press("Tab")
    expect(page.locator("[data-status]")).to_have_text(re.compile("^Saved"))

    entry = workflow.inspection(filled, 2).entries["bar-target.horizontal.1lx"]
    assert entry.answers == {"distance_m": ("12",)}


def test_drafts_and_the_button_go_one_after_another(signed_in, filled):
    """The first draft is slow; the second waits for it, and the button for both."""
    page = signed_in()
    page.clock.install()
    page.goto(BARS)
    slow, seen = [], []  # of what is sent: whether it leads to a new page

    def slow_down(route):
        slow.append(route)

    page.route("**/bench/**", slow_down, times=1)
    page.on("request", lambda one: one.method == "POST" and seen.append(one.is_navigation_request()))
    page.on("requestfinished", lambda one: one.method == "POST" and seen.append("answered"))

    for label, text in ((DISTANCE, "12"), ("Air temperature at the bench, in °C", "22")):
        page.get_by_label(label).fill(text)
        page.get_by_label(label).press("Tab")
        page.clock.run_for(400)
    page.get_by_role("button", name="Save draft").click()
    slow[0].continue_()
    expect(page.get_by_text("Saved as a draft.")).to_be_visible()

    assert seen == [False, "answered", False, "answered", True, "answered"]
    entry = workflow.inspection(filled, 2).entries["bar-target.horizontal.1lx"]
    assert entry.answers == {"distance_m": ("12",)}
    assert entry.conditions == {"illuminance_lx_before": "1", "temperature_c": "22"}


def test_an_answer_typed_without_a_connection_waits_in_the_browser_and_is_offered_back(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.route("**/bench/**", lambda route: route.abort())

    page.get_by_label(DISTANCE).fill("12")
    page.get_by_label(DISTANCE).press("Tab")
    expect(page.locator("[data-status]")).to_have_text(re.compile("^Not saved: no connection"))
    page.unroute("**/bench/**")
    page.goto(BARS)
    page.get_by_role("button", name="Put back").click()

    expect(page.get_by_label(DISTANCE)).to_have_value("12")


def test_enter_goes_to_the_next_empty_field_and_sends_nothing_early(signed_in, filled):
    page = signed_in()
    page.goto(BARS)

    page.get_by_label("Air temperature at the bench, in °C").fill("")
    page.get_by_label("Illuminance at the target, before, in lx").fill("1")
    wait_for_keys(page)
    page.get_by_label("Illuminance at the target, before, in lx").press("Enter")

    expect(page.get_by_label("Air temperature at the bench, in °C")).to_be_focused()


def test_the_screen_goes_black_and_any_key_brings_it_back_and_does_nothing_else(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.get_by_label(DISTANCE).fill("1.5")
    page.get_by_label(DISTANCE).focus()
    wait_for_keys(page)

    page.keyboard.press("F9")
    black = page.locator("[data-blank-page]")
    expect(black).to_be_visible()
    assert black.evaluate("e => getComputedStyle(e).backgroundColor") == "rgb(0, 0, 0)"
    page.keyboard.press("7")

    expect(black).to_be_hidden()
    expect(page.get_by_label(DISTANCE)).to_have_value("1.5")


def test_serials_that_were_typed_are_offered_back_after_the_page_was_left(signed_in, filled):
    page = signed_in()
    page.goto("/receive")
    page.get_by_label("Serials that came").fill("TM-0100\nTM-0101")
    page.goto("/help")

    page.goto("/receive")
    page.get_by_role("button", name="Put back what was typed").click()

    expect(page.get_by_label("Serials that came")).to_have_value("TM-0100\nTM-0101")


def test_on_paper_there_is_nothing_to_press(signed_in, filled):
    page = signed_in()
    page.goto("/inspections/1")

    page.emulate_media(media="print")

    expect(page.get_by_role("navigation", name="Places of work")).to_be_hidden()
    expect(page.get_by_role("contentinfo")).to_be_hidden()
    expect(page.get_by_role("table").first).to_be_visible()


def test_a_scan_where_no_field_has_the_focus_opens_that_device(signed_in, filled):
    page = signed_in()
    page.goto("/help")

    for _ in range(MOST_SCANS):  # on a busy machine keys may come slower than any scanner's; one scans again
        page.evaluate("document.activeElement.blur()")
        page.keyboard.type("TM-0002")
        page.keyboard.press("Enter")
        with contextlib.suppress(NotInTime):
            page.wait_for_url(re.compile("/bench/2/look"), timeout=2000)
            break

    expect(page).to_have_url(re.compile("/bench/2/look"))


def test_a_question_mark_shows_the_keys_and_is_typed_in_a_field(signed_in, filled):
    page = signed_in()
    page.goto("/help")
    wait_for_keys(page)

    page.keyboard.press("F2")
    page.keyboard.press("?")
    expect(page.get_by_label("Serial, whole or in part")).to_have_value("?")
    expect(page.locator("[data-keys]")).to_be_hidden()
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("?")

    expect(page.get_by_role("heading", name="Keys", exact=True)).to_be_visible()
    assert complaints(page) == []
    page.keyboard.press("Escape")
    expect(page.locator("[data-keys]")).to_be_hidden()


def test_a_question_mark_does_nothing_once_keys_outside_fields_are_off(signed_in, filled):
    page = signed_in()
    page.goto("/lots/1")
    scan = page.get_by_label("Serial of the device in your hand")
    expect(scan).to_be_focused()
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("?")
    with page.expect_navigation():
        page.get_by_role("button", name="Turn keys outside fields off").click()
    expect(page).to_have_url(re.compile("/lots/1$"))
    expect(scan).to_be_focused()  # as on every page that comes anew; only then can it be taken away

    page.evaluate("document.activeElement.blur()")
    page.keyboard.type("TM-0002?")
    page.keyboard.press("Enter")

    expect(page.locator("dialog")).to_have_count(0)
    expect(page).to_have_url(re.compile("/lots/1$"))
