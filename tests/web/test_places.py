"""The menu leads to every page: each lies behind one entry, and who may not open a page is not led to it."""

import re

import pytest

from inspect_app.web import places

# Led to by head and foot of every page.
ALONE = {"signin.sign_in", "signin.help_page", "signin.change_password", "tokens.index", "views.index"}
FILES = {"static", "typeface.file", "exports.send"}  # sent as files, which have no menu
PHONE = {"phone.enter", "phone.page"}  # opened by a paired phone, which may do nothing else


def current(visitor, menu):
    """Return which words of a menu are marked as the page at hand, or as leading to it."""
    found = re.search(rf'<nav[^>]* aria-label="{menu}"><ul>(.*?)</ul>', visitor.text(), re.DOTALL)
    return re.findall(r'aria-current="(\w+)">([^<]+)<', found[1])


def test_every_page_lies_behind_an_entry_of_the_menu(app):
    """Truth: the addresses that the application answers when a page is asked for; programs ask for none."""
    asked = {rule.endpoint for rule in app.url_map.iter_rules() if "GET" in rule.methods}
    asked = {one for one in asked if not one.startswith("api.")}

    assert {one for one in asked if places.entry_of(one) is None} - ALONE == FILES | PHONE


def test_every_entry_leads_to_a_page_and_covers_pages_that_there_are(app):
    """Truth: the views and blueprints of the application."""
    known = set(app.view_functions) | set(app.blueprints)
    entries = [entry for place in places.PLACES for entry in place.entries]

    assert {entry.endpoint for entry in entries} <= set(app.view_functions)
    assert {name for entry in entries for name in entry.covers} <= known


@pytest.mark.parametrize(
    ("path", "work", "page"),
    [
        ("/", ("page", "Dock"), ("page", "Today")),
        ("/nonconformities/returns", ("true", "Dock"), ("page", "Returns")),
        ("/nonconformities/", ("true", "Lots"), ("page", "Nonconformities")),
        ("/lots/1", ("true", "Lots"), ("true", "Lots")),
        ("/instruments/1", ("true", "Bench"), ("true", "Instruments")),
    ],
)
def test_the_menu_marks_the_place_and_the_page_at_hand(inspector, lot, path, work, page):
    inspector.get(path)

    assert current(inspector, "Places of work") == [work]
    assert current(inspector, f"Pages of {work[1]}") == [page]


@pytest.mark.parametrize(
    ("login", "unseen"), [("ina", {"Accounts"}), ("aud", {"Receive"}), ("adm", {"Receive"}), ("app", {"Accounts"})]
)
def test_nobody_is_led_to_a_page_that_they_may_not_open(as_role, login, unseen):
    visitor = as_role(login)
    seen = set()
    for place in ("/", "/lots/", "/devices", "/documents/", "/instruments", "/contracts"):
        visitor.get(place)
        for path, words in re.findall(r'<li><a href="([^"]+)"[^>]*>([^<]+)<', visitor.text().split("<main")[0]):
            assert visitor.client.get(path).status_code == 200, path
            seen.add(words)

    every = {entry.words for one in places.PLACES for entry in one.entries if len(one.entries) > 1}
    assert every - seen - {"Contracts"} == unseen


def test_a_place_with_a_single_page_for_somebody_has_no_second_row(inspector):
    inspector.get("/contracts")

    assert 'class="pages"' not in inspector.text()
