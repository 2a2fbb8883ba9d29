"""Pages in a real browser: rules of accessibility, narrow screens, themes, and what the scripts add."""

import contextlib
import io
import re

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import TimeoutError as NotInTime
from playwright.sync_api import expect

from inspect_app import workflow
from tests.web.test_bench import EDGE
from tests.web.workbench import record_edge

pytestmark = pytest.mark.browser

MOST_SCANS = 10

INSPECTOR = [
    "/",
    "/due",
    "/receive",
    "/lots/",
    "/lots/1",
    "/bench/2/captures",
    "/bench/2/look",
    "/bench/2/bar-target.horizontal.1lx",
    "/bench/2/slanted-edge.1lx",
    "/bench/1/bar-target.horizontal.1lx/result",
    "/inspections/1",
    "/inspections/2",
    "/inspections/2/sign",
    "/devices",
    "/devices/1",
    "/compare?of=1&of=2",
    "/inspections/1/why/1",
    "/lots/1/documents/",
    "/nonconformities/",
    "/nonconformities/NC-2026-0001",
    "/nonconformities/returns",
    "/suppliers/",
    "/documents/verify",
    "/studies/",
    "/drift/",
    "/reports/",
    "/references/",
    "/ready/",
    "/documents/",
    "/documents/R-2026-0001",
    "/instruments",
    "/instruments/1",
    "/contracts",
    "/contracts/TST-1",
    "/help",
    "/password",
    "/nothing-here",
]
KEEPER = ["/instruments", "/instruments/1", "/contracts", "/accounts", "/accounts/1"]
BARS = "/bench/2/bar-target.horizontal.1lx"
DISTANCE = "Distance from target to the front lens, in m"


def wear(page, theme):
    """Choose a theme as its button does: for every page of the server."""
    page.context.add_cookies([{"name": "theme", "value": theme, "domain": "127.0.0.1", "path": "/"}])


def complaints(page, *rules):
    options = {"runOnly": {"type": "rule", "values": list(rules)}} if rules else None
    found = Axe().run(page, options=options).response["violations"]
    return [(page.url, rule["id"], node["html"][:120]) for rule in found for node in rule["nodes"]]


def test_no_page_breaks_a_rule_of_accessibility(signed_in, filled):
    """The rules are those of axe-core, colour contrast among them."""
    found = []
    for login, paths in (("ina", INSPECTOR), ("adm", KEEPER)):
        page = signed_in(login)
        for path in paths:
            page.goto(path)
            found += complaints(page)

    assert found == []


@pytest.mark.parametrize("theme", ["light", "dark", "dark-room"])
def test_no_theme_breaks_a_rule_of_colour_on_any_page(signed_in, filled, theme):
    """What a theme changes is colour alone, so the rules about colour are asked; the others are asked above."""
    found = []
    for login, paths in (("ina", INSPECTOR), ("adm", KEEPER)):
        page = signed_in(login)
        wear(page, theme)
        for path in paths:
            page.goto(path)
            expect(page.locator("html")).to_have_attribute("data-theme", theme)
            found += complaints(page, "color-contrast", "link-in-text-block")

    assert found == []


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


def test_pages_that_ask_back_break_no_rule(signed_in, filled):
    """The review of a shipment with odd serials, a step with an error, and two answers to one step."""
    page = signed_in()
    page.goto("/receive")
    page.get_by_label("Contract").select_option("TST-1")
    page.get_by_label("Delivery note").fill("DN-9")
    page.get_by_label("Serials that came").fill("TM-0001\nTM-0900")
    page.get_by_role("button", name="Show what came").click()
    found = complaints(page)
    page.get_by_role("button", name="Receive").click()
    expect(page.locator("#errors")).to_be_focused()
    found += complaints(page)

    page.goto(BARS)
    page.get_by_label(DISTANCE).fill("TM-0001")
    page.get_by_label("Last element resolved, as group,element").fill("1,4")
    page.get_by_role("main").get_by_role("button", name="Save and continue").last.click()
    expect(page.locator("#errors")).to_be_focused()
    found += complaints(page)

    other = signed_in("app")
    other.goto(BARS)
    page.goto(BARS)
    other.get_by_label(DISTANCE).fill("3")
    other.get_by_role("button", name="Save draft").click()
    page.get_by_label(DISTANCE).fill("4")
    page.get_by_role("button", name="Save draft").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Two answers to one step")
    found += complaints(page)

    assert found == []


def test_the_sign_in_page_and_its_errors_break_no_rule(open_page):
    page = open_page()
    page.goto("/sign-in")
    before = complaints(page)

    page.get_by_role("main").get_by_role("button", name="Sign in").click()

    assert before + complaints(page) == []
    expect(page.locator("#errors")).to_be_focused()


OVER_THE_EDGE = """() => {
  const isKept = (e) => e.closest(".scroll, .strip, .unseen, .skip, svg, dialog, [hidden]");
  const beyond = (e) => e.getBoundingClientRect().right > innerWidth + 0.5;
  const isCut = (e) => getComputedStyle(e).overflowX === "hidden" && e.scrollWidth > e.clientWidth + 1;
  return [...document.body.querySelectorAll("*")]
    .filter((e) => e.offsetParent && !isKept(e) && (beyond(e) || isCut(e)))
    .map((e) => e.outerHTML.slice(0, 90));
}"""
WIDTHS_PX = (640, 390, 320)


def test_no_page_is_cut_or_scrolls_sideways_on_a_narrow_screen_or_enlarged(signed_in, filled):
    """A window of 1280 pixels is 640 wide at 200 % and 320 at 400 % (WCAG 2.2, 1.4.4 and 1.4.10); a phone has 390.

    Tables scroll within themselves.
    """
    over = {}
    for login, paths in (("ina", INSPECTOR), ("adm", KEEPER)):
        page = signed_in(login)
        for path in paths:
            page.goto(path)
            for width_px in WIDTHS_PX:
                page.set_viewport_size({"width": width_px, "height": 844})
                found = page.evaluate(OVER_THE_EDGE)
                if found or page.evaluate("document.documentElement.scrollWidth") > width_px:
                    over[path, width_px] = found

    assert over == {}


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


def test_what_a_glove_presses_is_at_least_48_pixels_high(signed_in, filled):
    page = signed_in()
    small = {}
    for path in INSPECTOR:
        page.goto(path)
        heights = page.eval_on_selector_all(
            "button:not(.unseen), .button, select, input:not([type=hidden], [type=radio], [type=checkbox]), .choice",
            "all => all.filter(e => e.offsetParent).map(e => [e.outerHTML.slice(0, 90), e.offsetHeight])",
        )
        small |= {html: height for html, height in heights if height < 48}

    assert small == {}


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
    page.get_by_label("Illuminance at the target, before, in lx").press("Enter")

    expect(page.get_by_label("Air temperature at the bench, in °C")).to_be_focused()


def test_the_screen_goes_black_and_any_key_brings_it_back_and_does_nothing_else(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.get_by_label(DISTANCE).fill("1.5")
    page.get_by_label(DISTANCE).focus()

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

    page.keyboard.press("F2")
    page.keyboard.press("?")
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
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("?")
    with page.expect_navigation():  # the page comes anew, and takes the focus to its scan field
        page.get_by_role("button", name="Turn keys outside fields off").click()
    expect(page).to_have_url(re.compile("/lots/1$"))

    page.evaluate("document.activeElement.blur()")
    page.keyboard.type("TM-0002?")
    page.keyboard.press("Enter")

    expect(page.locator("dialog")).to_have_count(0)
    expect(page).to_have_url(re.compile("/lots/1$"))
