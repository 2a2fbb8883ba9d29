"""A picture of an edge touched in a real browser: the server measures the region, the page shows it."""

import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import at
from tests.browser.looks import complaints
from tests.web.test_bench import EDGE
from tests.web.workbench import record_edge

pytestmark = pytest.mark.browser


def test_a_region_dragged_over_the_edge_is_measured_at_once_and_not_recorded(signed_in, filled):
    inspector = next(one for one in workflow.accounts(filled) if one.login == "ina")
    record_edge(filled, inspector)
    page = signed_in()
    page.goto(f"/bench/2/{EDGE}/picture")

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
