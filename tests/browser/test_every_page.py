"""Every page in a real browser: accessibility in each theme, narrow screens, room for gloves, the focus.

Each page is opened once, and all that is asked of every page is asked there; the tests read the answers.
"""

import shutil
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import pytest

from inspect_app import workflow
from inspect_app.web import create_app
from tests.browser.conftest import served, sign_in
from tests.browser.every_page import ELSEWHERE, NO_PAGES, PAGES, furnish
from tests.browser.looks import complaints_in_every_theme
from tests.web.workbench import prepare

pytestmark = pytest.mark.browser

# A window of 1280 pixels is 640 wide at 200 % and 320 at 400 % (WCAG 2.2, 1.4.4 and 1.4.10); a phone has 390.
WIDTHS_PX = (640, 390, 320)
OVER_THE_EDGE = """() => {
  const isKept = (e) => e.closest(".scroll, .strip, .unseen, .skip, svg, dialog, [hidden]");
  const beyond = (e) => e.getBoundingClientRect().right > innerWidth + 0.5;
  const isCut = (e) => getComputedStyle(e).overflowX === "hidden" && e.scrollWidth > e.clientWidth + 1;
  return [...document.body.querySelectorAll("*")]
    .filter((e) => e.offsetParent && !isKept(e) && (beyond(e) || isCut(e)))
    .map((e) => e.outerHTML.slice(0, 90));
}"""
LOW = """() => {
  const pressed = "button:not(.unseen), .button, .choice, select, "
    + "input:not([type=hidden], [type=radio], [type=checkbox])";
  return [...document.querySelectorAll(pressed)]
    .filter((e) => e.offsetParent && e.offsetHeight < 48)
    .map((e) => e.outerHTML.slice(0, 90));
}"""
# What can have the focus shows it: an outline of its own, or of the row that it stands in.
UNMARKED = """() => {
  const outlined = (e) => {
    const { outlineStyle, outlineWidth } = e ? getComputedStyle(e) : { outlineStyle: "none" };
    return outlineStyle !== "none" && parseFloat(outlineWidth) >= 3;
  };
  const stops = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']";
  const left = document.activeElement;
  const found = [...document.querySelectorAll(stops)].filter((e) => {
    if (e.tabIndex < 0 || e.disabled || !e.checkVisibility()) return false;
    e.focus({ focusVisible: true, preventScroll: true });
    return document.activeElement === e && !outlined(e) && !outlined(e.closest(".choice"));
  });
  left?.focus?.();
  return found.map((e) => e.outerHTML.slice(0, 90));
}"""


@dataclass
class Survey:
    """What was seen on the pages, each finding with the address that it was made at."""

    complaints: list = field(default_factory=list)
    over_the_edge: dict = field(default_factory=dict)
    low: dict = field(default_factory=dict)
    unmarked: dict = field(default_factory=dict)

    def look(self, page, path):
        """Ask everything of the page at an address."""
        page.set_viewport_size({"width": 1280, "height": 844})
        page.goto(path)
        self.complaints += complaints_in_every_theme(page)
        self.low[path] = page.evaluate(LOW)
        self.unmarked[path] = page.evaluate(UNMARKED)
        for width_px in WIDTHS_PX:
            page.set_viewport_size({"width": width_px, "height": 844})
            found = page.evaluate(OVER_THE_EDGE)
            if found or page.evaluate("document.documentElement.scrollWidth") > width_px:
                self.over_the_edge[path, width_px] = found


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages") / "instance"
    made = furnish(prepare(folder))
    yield made
    workflow.close_workplace(made)
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def survey(chromium, place):
    """Open every page as who may."""
    seen = Survey()
    with served(place) as address:
        for login, paths in PAGES.items():
            context = chromium.new_context(base_url=address)
            page = context.new_page()
            sign_in(page, login)
            for path in paths:
                seen.look(page, path)
            context.close()
    return seen


def test_no_page_breaks_a_rule_of_accessibility_in_any_theme(survey):
    """The rules are those of axe-core, colour contrast among them."""
    assert survey.complaints == []


def test_no_page_is_cut_or_scrolls_sideways_on_a_narrow_screen_or_enlarged(survey):
    """Tables scroll within themselves."""
    assert survey.over_the_edge == {}


def test_what_a_glove_presses_is_at_least_48_pixels_high(survey):
    assert {path: found for path, found in survey.low.items() if found} == {}


def test_whatever_has_the_focus_shows_it(survey):
    """WCAG 2.2, 2.4.7 and 2.4.13: an outline of three pixels at least."""
    assert {path: found for path, found in survey.unmarked.items() if found} == {}


def test_no_page_is_left_out(place):
    """A new page gets its address in `every_page`; a file, or an address that only leads on, its name in NO_PAGES."""
    routes = create_app({"WORKPLACE": place}).url_map
    all_pages = {
        rule.endpoint
        for rule in routes.iter_rules()
        if "GET" in rule.methods and rule.endpoint not in NO_PAGES and not rule.endpoint.startswith("api.")
    }

    found = routes.bind("127.0.0.1")
    paths = {urlsplit(path).path for paths in PAGES.values() for path in paths} - {"/nothing-here"}
    assert {found.match(path)[0] for path in paths} == all_pages - ELSEWHERE
