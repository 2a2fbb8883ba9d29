"""Saved views: a list with all that was asked of it, named, found again, renamed, deleted; everybody has their own."""

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed
from inspect_app.workflow.memory.views import MOST_VIEWS


def keep(visitor, name, page):
    """Open a list and keep it under a name, as its page offers it."""
    visitor.get(page)
    return visitor.post("/views/", {"name": name, "address": visitor.value_of("address")})


def kept(place, person):
    return [(one.name, one.address) for one in workflow.saved_views(place, person)]


def test_a_view_is_kept_and_found_again_with_all_that_was_asked(inspector, place, people, lot):
    keep(inspector, "of this lot", f"/devices?lot={lot.number}&order=back&verdict=")
    assert "The view of this lot is kept" in inspector.words()

    inspector.get("/views/")
    assert f'href="/devices?lot={lot.number}&amp;order=back"' in inspector.text()
    inspector.get("/devices")
    assert "of this lot" in inspector.words()
    assert "of this lot" not in inspector.get("/lots/").get_data(as_text=True)


def test_a_view_begins_at_the_first_page(inspector, place, people, lot):
    keep(inspector, "late", "/lots/?sort=number&page=3")
    keep(inspector, "far", "/devices?serial=TM&after=TM-0001~1")

    assert kept(place, people["ina"]) == [("far", "/devices?serial=TM"), ("late", "/lots/?sort=number")]


def test_a_view_is_renamed_and_deleted(inspector, place, people):
    keep(inspector, "first", "/lots/?state=open")
    inspector.get("/views/")

    inspector.post("/views/rename", {"name": "first", "new_name": " waiting  lots "})
    assert kept(place, people["ina"]) == [("waiting lots", "/lots/?state=open")]

    inspector.post("/views/delete", {"name": "waiting lots"})
    assert kept(place, people["ina"]) == []
    assert "You keep none yet" in inspector.words()


def test_the_same_name_leads_to_the_newer_view(inspector, place, people):
    keep(inspector, "mine", "/lots/?state=open")
    keep(inspector, "mine", "/lots/?find=TST")

    assert kept(place, people["ina"]) == [("mine", "/lots/?find=TST")]


def test_everybody_has_their_own_and_whoever_is_sent_the_address_sees_the_list(as_role, place, people, lot):
    keep(as_role("ina"), "mine", "/lots/?state=open")
    auditor = as_role("aud")

    assert "mine" not in auditor.get("/views/").get_data(as_text=True)
    assert auditor.get(kept(place, people["ina"])[0][1]).status_code == 200
    keep(auditor, "mine", "/lots/")
    assert kept(place, people["ina"]) != kept(place, people["aud"])


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("", "/lots/"),
        ("x" * 201, "/lots/"),
        ("a", "https://elsewhere.example/"),
        ("a", "//elsewhere.example/"),
        ("a", ""),
    ],
)
def test_what_cannot_be_kept_is_refused_beside_the_field(inspector, place, people, name, address):
    inspector.get("/lots/")

    answer = inspector.post("/views/", {"name": name, "address": address})

    assert answer.status_code == 422
    assert kept(place, people["ina"]) == []


def test_a_name_that_another_view_has_is_not_taken(inspector, place, people):
    keep(inspector, "one", "/lots/")
    keep(inspector, "two", "/devices")
    inspector.get("/views/")

    assert inspector.post("/views/rename", {"name": "one", "new_name": "two"}).status_code == 422
    inspector.get("/views/")
    assert inspector.post("/views/delete", {"name": "three"}).status_code == 404
    assert len(kept(place, people["ina"])) == 2


def test_nobody_keeps_more_than_can_be_looked_through(place, people):
    for number in range(MOST_VIEWS):
        workflow.save_view(place, people["ina"], f"view {number}", "/lots/")

    with pytest.raises(NotAllowed, match=f"you keep {MOST_VIEWS} already"):
        workflow.save_view(place, people["ina"], "one more", "/lots/")
