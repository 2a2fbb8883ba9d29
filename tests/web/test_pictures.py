"""Pictures that can be touched, without script: what the tables say, what a correction changes, what is refused."""

import io
import re

import pytest
from PIL import Image

from inspect_app import workflow
from inspect_app.model import Finding
from tests.web import blemish_bench
from tests.web.blemish_bench import SMALL, SPOT, STEP, mapped_inspection, with_map_form

AT_SPOT = f"{SPOT.x:.0f},{SPOT.y:.0f}"
WHY = "dust on the outer lens, gone after it was blown off"


@pytest.fixture
def place(place):
    return with_map_form(place)


@pytest.fixture
def mapped(place):
    return mapped_inspection(place)


@pytest.fixture
def at_picture(inspector, mapped):
    inspector.get(f"/bench/{mapped}/{STEP}/picture")
    return inspector


def send(visitor, mapped, **fields):
    return visitor.post(f"/bench/{mapped}/{STEP}/picture", {"seen": "1.0", "act": "record", "reason": WHY, **fields})


def judged(place, mapped):
    (judgement,) = workflow.judge_inspection(place, workflow.inspection(place, mapped)).judgements
    return judgement.finding


def offered(visitor, number, act):
    """Return the value of a choice that the page offers for a spot."""
    select = re.search(rf'<select name="spot.{number}".*?</select>', visitor.text(), re.DOTALL)[0]
    return re.search(rf'value="({act},[^"]*)"', select)[1]


def test_the_table_says_what_the_picture_shows(at_picture):
    """Truth by construction: one dark spot of 6 px, 0.27 mm, in zone 1, 60 % deep."""
    words = at_picture.words()

    assert re.search(r"1 276\.\d, 25[45]\.\d 0\.2[67]\d mm (5\d|6\d) % dark 1", words)
    assert 'data-spot="1"' in at_picture.text()
    assert at_picture.text().count("<ellipse") >= 4  # the field and its three zones


def test_a_mark_too_small_to_be_counted_is_listed_as_peppering(place, inspector):
    """Truth by construction: one dark spot of 1.5 px, 0.068 mm, below the first size class of 0.075 mm."""
    inspector.get(f"/bench/{mapped_inspection(place, SMALL)}/{STEP}/picture")

    assert re.search(r"1 276\.\d, 25[45]\.\d 0\.0\d+ mm \d+ % dark, peppering 1", inspector.words())


def test_removing_a_spot_lets_the_device_conform_and_keeps_both_results(at_picture, mapped, place):
    before = judged(place, mapped)

    page = send(at_picture, mapped, **{"spot.1": offered(at_picture, 1, "remove")})

    assert page.request.path.endswith("/result")
    assert (before, judged(place, mapped)) == (Finding.NONCONFORMING, Finding.CONFORMING)
    words = at_picture.words()
    assert f"counts as corrected by Ina Vestergard on 2026-06-01 12:00 UTC ({WHY}): 1 spot removed" in words
    assert "computed before: Dark spots 1" in words


def test_trying_shows_both_figures_and_records_nothing(at_picture, mapped, place):
    send(at_picture, mapped, act="try", **{"spot.1": offered(at_picture, 1, "remove")})

    assert "Dark spots 1 1 0" in at_picture.words()
    assert workflow.inspection(place, mapped).entries[STEP].corrections == ()


def test_a_spot_can_be_added_reclassified_and_taken_back(at_picture, mapped, place):
    choices = {"spot.1": offered(at_picture, 1, "bright")}
    send(at_picture, mapped, add_x="200", add_y="200", add_diameter="10", add_polarity="dark", **choices)
    features = workflow.inspection(place, mapped).entries[STEP].measured.features

    assert sorted(one.polarity for one in features) == ["bright", "dark"]

    at_picture.get(f"/bench/{mapped}/{STEP}/picture")
    assert "dark, 10 px across, at 200, 200" in at_picture.words()
    send(at_picture, mapped, act="withdraw", seen="1.1", reason="seen again with a loupe: one dark spot")
    entry = workflow.inspection(place, mapped).entries[STEP]
    assert [one.polarity for one in entry.measured.features] == ["dark"]
    assert "The computed result counts now" in at_picture.words()
    assert len(entry.corrections) == 2


def test_a_correction_without_reason_is_refused_and_the_choice_stands(at_picture, mapped, place):
    chosen = offered(at_picture, 1, "remove")

    page = send(at_picture, mapped, reason="", **{"spot.1": chosen})

    assert page.status_code == 422
    assert f'value="{chosen}" selected' in at_picture.text()
    assert "Say why the computed result is not right" in at_picture.words()
    assert workflow.inspection(place, mapped).entries[STEP].corrections == ()


def test_somebody_elses_correction_meanwhile_is_told(at_picture, mapped, as_role):
    choice = {"spot.1": offered(at_picture, 1, "remove")}
    other = as_role("app")
    other.get(f"/bench/{mapped}/{STEP}/picture")
    send(other, mapped, **choice)

    page = send(at_picture, mapped, **choice)

    assert page.status_code == 409
    assert "Apelle Moor changed its result" in at_picture.words()


def test_an_auditor_sees_the_picture_and_can_change_nothing(as_role, mapped):
    auditor = as_role("aud")
    auditor.get(f"/bench/{mapped}/{STEP}/picture")

    assert "Add a spot" not in auditor.words()
    assert send(auditor, mapped, **{"spot.1": f"remove,{AT_SPOT}"}).status_code == 403


def test_the_picture_is_sent_whole_and_may_be_kept_by_the_browser(at_picture, mapped):
    address = re.search(r'<image href="([^"]+)"', at_picture.text())[1]

    sent = at_picture.client.get(address)

    assert Image.open(io.BytesIO(sent.data)).size == (500, 500)
    assert at_picture.client.get(address, headers={"If-None-Match": sent.headers["ETag"]}).status_code == 304


def test_a_step_without_captures_has_no_picture(inspector, mapped, place):
    assert blemish_bench.STEP in workflow.inspection(place, mapped).entries

    assert inspector.get(f"/bench/{mapped}/nothing/picture").status_code == 404
