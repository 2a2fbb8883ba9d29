"""Nothing that was typed is lost: without a connection, after a session, in two tabs, with two people at one device."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import wait_for_keys
from tests.web.workbench import PASSWORD

pytestmark = pytest.mark.browser

STEP = "bar-target.horizontal.1lx"
BARS = f"/bench/2/{STEP}"
DISTANCE = "Distance from target to the front lens, in m"
AIR = "Air temperature at the bench, in °C"


def status(page):
    return page.locator("[data-status]")


def answers(place):
    return workflow.inspection(place, 2).entries[STEP].answers


def test_what_is_typed_is_on_the_server_though_the_field_was_never_left(signed_in, filled):
    """The page waits until typing rests; its clock is moved, so that nobody else waits."""
    page = signed_in()
    page.clock.install()
    page.goto(BARS)
    wait_for_keys(page)

    page.get_by_label(DISTANCE).press("Control+a")
    page.get_by_label(DISTANCE).press_sequentially("12")
    page.clock.fast_forward(3000)
    expect(status(page)).to_have_text(re.compile("^Saved"))

    assert answers(filled) == {"distance_m": ("12",)}


def test_what_is_typed_without_a_connection_is_sent_when_it_is_back(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.context.set_offline(True)

    page.get_by_label(DISTANCE).fill("12")
    page.get_by_label(DISTANCE).press("Tab")
    expect(status(page)).to_have_text(re.compile("^Not saved: no connection"))
    page.context.set_offline(False)
    expect(status(page)).to_have_text(re.compile("^Saved"))

    assert answers(filled) == {"distance_m": ("12",)}


def test_what_was_typed_when_a_page_is_left_at_once_has_arrived_or_is_offered_back(signed_in, filled):
    """Which of the two depends on whether the draft or the next page is quicker; either way it is not lost."""
    page = signed_in()
    page.goto(BARS)
    wait_for_keys(page)

    page.get_by_label(DISTANCE).press("Control+a")
    page.get_by_label(DISTANCE).press_sequentially("7")
    page.goto("/lots/")
    page.goto(BARS)

    has_arrived = page.locator("#answer_distance_m[value='7']")
    expect(has_arrived.or_(page.get_by_role("button", name="Put back 1 answer"))).to_be_visible()


def test_after_the_session_ended_the_page_leads_to_signing_in_and_gives_back_what_was_typed(signed_in, filled):
    page = signed_in()
    page.goto(BARS)
    page.context.clear_cookies()

    page.get_by_label(DISTANCE).fill("12")
    page.get_by_label(DISTANCE).press("Tab")
    expect(status(page)).to_have_text(re.compile("^You are signed out"))
    status(page).get_by_role("link", name="Sign in").click()
    sign_in(page, "ina")
    page.get_by_role("button", name="Put back 1 answer").click()
    expect(page.get_by_label(DISTANCE)).to_have_value("12")
    page.get_by_role("button", name="Save draft").click()

    expect(page.get_by_text("Saved as a draft.")).to_be_visible()
    assert answers(filled) == {"distance_m": ("12",)}


def sign_in(page, login):
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("main").get_by_role("button", name="Sign in").click()
    caution = page.get_by_role("button", name="I have read these cautions")
    expect(caution.or_(page.get_by_label(DISTANCE))).to_be_visible()
    if caution.is_visible():
        caution.click()


def test_the_next_person_at_the_device_is_not_offered_what_the_last_one_typed(signed_in, filled):
    page = signed_in("ina")
    page.goto(BARS)
    page.context.clear_cookies()
    page.get_by_label(DISTANCE).fill("12")
    page.get_by_label(DISTANCE).press("Tab")
    expect(status(page)).to_have_text(re.compile("^You are signed out"))

    page.goto(f"/sign-in?next={BARS}")
    sign_in(page, "app")
    expect(page.get_by_label(DISTANCE)).to_have_value("1")  # as for the last device of the lot
    expect(page.get_by_role("button", name="Put back")).to_have_count(0)
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_text("You are signed out.")).to_be_visible()
    page.goto(f"/sign-in?next={BARS}")
    sign_in(page, "ina")

    expect(page.get_by_role("button", name="Put back 1 answer")).to_be_visible()


def test_two_tabs_are_joined_where_each_changed_something_else(signed_in, filled):
    one = signed_in()
    one.goto(BARS)
    two = one.context.new_page()
    two.goto(BARS)

    one.get_by_label(AIR).fill("21")
    one.get_by_label(AIR).press("Tab")
    expect(status(one)).to_have_text(re.compile("^Saved"))
    two.get_by_label(DISTANCE).fill("12")
    two.get_by_label(DISTANCE).press("Tab")
    expect(status(two)).to_have_text(re.compile("Joined with what you, in another tab or at another bench, kept"))

    expect(two.get_by_label(AIR)).to_have_value("21")
    entry = workflow.inspection(filled, 2).entries[STEP]
    assert (entry.answers["distance_m"], entry.conditions["temperature_c"]) == (("12",), "21")


def test_two_tabs_that_changed_the_same_answer_are_shown_side_by_side(signed_in, filled):
    one = signed_in()
    one.goto(BARS)
    two = one.context.new_page()
    two.goto(BARS)

    one.get_by_label(DISTANCE).fill("11")
    one.get_by_label(DISTANCE).press("Tab")
    expect(status(one)).to_have_text(re.compile("^Saved"))
    two.get_by_label(DISTANCE).fill("12")
    two.get_by_label(DISTANCE).press("Tab")
    expect(status(two)).to_have_text(re.compile("^Not saved: you, in another tab"))
    two.get_by_role("button", name="Save draft").click()
    expect(two.get_by_role("row", name=f"{DISTANCE} 12 11 yes")).to_be_visible()
    two.get_by_role("button", name="Keep mine as a newer draft").click()

    expect(two.get_by_text("Saved as a draft.")).to_be_visible()
    assert answers(filled) == {"distance_m": ("12",)}
