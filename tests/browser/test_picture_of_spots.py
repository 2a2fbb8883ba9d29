"""A map of spots touched in a real browser: by keyboard, by finger, by button."""

import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import at, wait_for_keys
from tests.browser.looks import complaints, wear
from tests.web.blemish_bench import SPOT, STEP, mapped_inspection, with_map_form

pytestmark = pytest.mark.browser


@pytest.fixture
def place(place):
    return with_map_form(place)


@pytest.fixture
def mapped(place):
    return mapped_inspection(place)


def test_a_spot_is_removed_by_keyboard_alone(signed_in, place, mapped):
    """The cross starts in the middle, 250, 250, and moves by a hundredth of the width: 5 px."""
    page = signed_in()
    wear(page, "dark")
    page.goto(f"/bench/{mapped}/{STEP}/picture")
    page.locator("svg.touched").focus()
    wait_for_keys(page)

    for key in ("ArrowRight",) * 5 + ("ArrowDown", "Enter"):
        page.keyboard.press(key)
    expect(page.get_by_label("Spot 1 counts as")).to_be_focused()
    page.keyboard.type("no")
    page.keyboard.press("Tab")
    expect(page.get_by_role("columnheader", name="With your change")).to_be_visible()
    page.get_by_label("Why the computed result is not right").fill("dust on the outer lens")
    page.get_by_role("button", name="Let the corrected result count").press("Enter")

    expect(page.get_by_text("The corrected result counts now.")).to_be_visible()
    assert workflow.inspection(place, mapped).entries[STEP].measured.features == ()


def test_a_finger_points_at_a_spot_or_at_where_one_is_missing(signed_in, mapped):
    page = signed_in(has_touch=True, viewport={"width": 390, "height": 844})
    page.goto(f"/bench/{mapped}/{STEP}/picture")

    page.touchscreen.tap(*at(page, SPOT.x, SPOT.y))
    expect(page.get_by_label("Spot 1 counts as")).to_be_focused()
    page.touchscreen.tap(*at(page, 150, 300))

    expect(page.get_by_label("Diameter, in px")).to_be_focused()
    assert float(page.get_by_label("x, in px").input_value()) == pytest.approx(150, abs=2)
    assert float(page.get_by_label("y, in px").input_value()) == pytest.approx(300, abs=2)


def test_the_picture_grows_by_button_and_is_whole_again(signed_in, mapped):
    page = signed_in()
    wear(page, "dark")
    page.goto(f"/bench/{mapped}/{STEP}/picture")

    page.get_by_role("button", name="Larger").click()
    expect(page.locator("svg.touched")).to_have_attribute("viewBox", "125 125 250 250")
    assert complaints(page) == []
    page.get_by_role("button", name="Whole picture").click()

    expect(page.locator("svg.touched")).to_have_attribute("viewBox", "0 0 500 500")
