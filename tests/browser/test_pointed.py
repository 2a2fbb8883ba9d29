"""Regions drawn in a real browser on a film that was refused: both are kept, and the step is measured there."""

import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import at
from tests.browser.looks import complaints
from tests.web.film_bench import STEP, refused_film, with_film_form

pytestmark = pytest.mark.browser


@pytest.fixture
def place(place):
    return with_film_form(place)


def draw(page, corner, other):
    page.mouse.move(*at(page, *corner))
    page.mouse.down()
    page.mouse.move(*at(page, *other), steps=3)
    page.mouse.up()


def test_two_regions_are_drawn_in_two_frames_and_measured(signed_in, place, tmp_path):
    filmed, _ = refused_film(place, tmp_path)
    page = signed_in()
    page.goto(f"/bench/{filmed}/{STEP}")
    page.get_by_role("link", name="Point at it in the picture").first.click()
    page.wait_for_load_state()

    draw(page, (90, 40), (97, 57))
    page.get_by_label("Region of the light").focus()
    draw(page, (24, 40), (41, 57))
    page.get_by_role("button", name="Ten on").click()
    expect(page.get_by_text("Frame 10,")).to_be_visible()
    page.wait_for_load_state()
    draw(page, (80, 24), (136, 72))
    drawn = page.locator("[data-outline=stimulus_roi]"), page.locator("[data-outline=response_roi]")
    assert [int(one.get_attribute("width")) for one in drawn] == pytest.approx([17, 56], abs=2)
    assert complaints(page) == []
    page.get_by_role("button", name="Keep and go back to the step").click()
    page.get_by_role("button", name="Save and continue").click()

    expect(page.get_by_role("figure", name="Latency")).to_be_visible()
    assert workflow.inspection(place, filmed).entries[STEP].measured is not None
