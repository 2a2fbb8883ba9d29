"""A picture of an edge touched in a real browser: the server measures the region, the page shows it."""

import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import at
from tests.browser.looks import complaints
from tests.web.test_bench import EDGE
from tests.web.workbench import record_edge

pytestmark = pytest.mark.browser


@pytest.fixture
def page(signed_in, filled):
    """Open the picture of a recorded edge."""
    record_edge(filled, next(one for one in workflow.accounts(filled) if one.login == "ina"))
    opened = signed_in()
    opened.goto(f"/bench/2/{EDGE}/picture")
    return opened


def test_a_region_dragged_over_the_edge_is_measured_at_once_and_not_recorded(page, filled):
    page.mouse.move(*at(page, 40, 30))
    page.mouse.down()
    page.mouse.move(*at(page, 120, 130), steps=3)
    page.mouse.up()

    expect(page.get_by_role("columnheader", name="With your change")).to_be_visible()
    x, y, width, height = map(int, page.get_by_label("Region that is measured").input_value().split(","))
    assert (x, y, width, height) == pytest.approx((40, 30, 80, 100), abs=2)
    expect(page.locator("#outlines rect")).to_have_attribute("width", str(width))
    assert workflow.inspection(filled, 2).entries[EDGE].corrections == ()
    assert complaints(page) == []


def test_the_newest_region_is_shown_whichever_answer_comes_last(page):
    slow = []

    def hold(route):
        slow.append((route, route.fetch()))

    region = page.get_by_label("Region that is measured")
    page.route("**/picture", hold, times=1)
    for text in ("40,30,60,100", "40,30,80,100"):
        region.fill(text)
        region.press("Tab")
        expect(page.locator("#outlines rect")).to_have_count(1)
    expect(page.locator("#outlines rect")).to_have_attribute("width", "80")
    route, answer = slow[0]
    with page.expect_event("requestfinished"):
        route.fulfill(response=answer)

    expect(page.locator("#outlines rect")).to_have_attribute("width", "80")


def test_a_region_tried_without_a_connection_says_so(page):
    page.route("**/picture", lambda route: route.abort())

    page.get_by_label("Region that is measured").fill("40,30,60,100")
    page.get_by_label("Region that is measured").press("Tab")

    expect(page.get_by_text("Not measured anew: no connection.")).to_be_visible()
