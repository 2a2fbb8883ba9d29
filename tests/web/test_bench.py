"""The bench: a step is asked, kept as a draft, recorded, corrected, or told apart from another person's answer."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from inspect_app import workflow
from inspect_app.model import EntryState
from inspect_app.workflow import StepAnswers
from tests.web.workbench import edge_png

BARS = "bar-target.horizontal.1lx"
EDGE = "slanted-edge.1lx"
LOOK = "look"


@pytest.fixture
def bench(inspector, inspection):
    """Stand before the bar target."""
    inspector.get(f"/bench/{inspection.id}/{BARS}")
    return inspector


@pytest.fixture
def meters(place):
    """Name the instruments by whether they are in calibration."""
    kinds = {}
    for instrument in workflow.instruments(place):
        is_current = instrument.calibration_on(place.clock().date()) is not None
        kinds[instrument.kind, is_current] = str(instrument.id)
    return kinds


@pytest.fixture
def good(meters):
    """Return answers to the bar target that can be recorded.

    Element 1,4 of the 1951 target is 2 × 2**(3/6) = 2.828 lp/mm; at 1 m that is 2.828 cy/mrad.
    """
    return {
        "act": "record",
        "expected_revision": "0",
        "condition_illuminance_lx_before": "1.02",
        "condition_illuminance_lx_after": "0,99",
        "condition_temperature_c": "21",
        "instrument_0": meters["illuminance meter", True],
        "instrument_1": meters["bar target", True],
        "answer_reading": "1,4\r\n1,4\r\n1,4",
        "answer_distance_m": "1.0",
    }


def address(inspection, step=BARS):
    return f"/bench/{inspection.id}/{step}"


def newest(place, inspection, step=BARS):
    return workflow.inspection(place, inspection.id).entries.get(step)


def test_going_on_leads_to_the_first_step_that_waits(inspector, inspection):
    page = inspector.get(f"/bench/{inspection.id}")

    assert page.request.path == address(inspection, LOOK)


def test_the_page_shows_instruction_caution_window_and_calibration(bench):
    words = bench.words()

    assert bench.heading() == "Bar target by eye, horizontal, 1 lux"
    assert "Read the vertical bars." in words
    assert "Caution Dark room: clear the floor" in words
    assert "The result counts from 0.9 to 1.1 lx" in words
    assert "PAST CALIBRATION, was due 2026-05-02: Lumo 1" in words
    assert "calibrated, due 2026-08-30: Lumo 3" in words


def test_the_steps_are_listed_with_how_far_each_has_come(bench):
    assert 'aria-current="step"' in bench.text()
    assert "Look and function To do" in bench.words()
    assert "horizontal, 1 lux Now" in bench.words()


def test_a_recorded_step_shows_result_judgement_limit_and_margin(bench, inspection, good):
    """Truth: 2.83 cy/mrad against at least 0.9 conforms, with 1.93 to spare."""
    page = bench.post(address(inspection), good)

    assert page.request.path == address(inspection) + "/result"
    words = bench.words()
    assert "✓ Conforms 2.83 ±" in words
    assert "(limit ≥ 0.9 cy/mrad, simple acceptance)" in words
    assert "Margin: 1.93 cy/mrad" in words
    assert "Next: Slanted edge, 1 lux" in words


def test_an_answer_that_is_missing_is_no_failure_but_a_draft(bench, inspection, good, place):
    del good["answer_reading"]

    page = bench.post(address(inspection), good)

    assert page.status_code == 200
    assert page.request.path == address(inspection)
    assert "Saved as a draft. Still to answer: Last element resolved, as group,element." in bench.words()
    assert newest(place, inspection).state is EntryState.DRAFT
    assert "autofocus" in bench.tag_of("answer_reading")


def test_save_draft_keeps_what_is_typed_and_measures_nothing(bench, inspection, place):
    bench.post(address(inspection), {"act": "draft", "expected_revision": "0", "answer_distance_m": "7,5"})

    entry = newest(place, inspection)
    assert entry.state is EntryState.DRAFT
    assert entry.measured is None
    assert bench.value_of("answer_distance_m") == "7,5"


def test_a_number_that_is_none_is_refused_at_its_field_with_every_value_kept(bench, inspection, good, place):
    good["answer_distance_m"] = "TM-0001"

    page = bench.post(address(inspection), good)

    assert page.status_code == 422
    assert '<a href="#answer_distance_m">' in bench.text()
    assert "That looks like the serial TM-0001" in bench.words()
    assert bench.value_of("answer_distance_m") == "TM-0001"
    assert bench.value_of("condition_illuminance_lx_after") == "0,99"
    assert newest(place, inspection).answers["reading"] == ("1,4", "1,4", "1,4")


def test_what_the_check_refuses_stands_at_the_question(bench, inspection, good):
    good["answer_reading"] = "1,4\n9,9"

    page = bench.post(address(inspection), good)

    assert page.status_code == 422
    assert 'id="answer_reading-error"' in bench.text()
    assert "<title>Error:" in bench.text()
    assert "1,4\n9,9</textarea>" in bench.text().replace("\r", "")


def test_after_a_refusal_the_corrected_page_can_be_sent(bench, inspection, good, place):
    """The draft that the refusal saved moved the revision on; the page knows it."""
    bench.post(address(inspection), {**good, "answer_distance_m": "far"})
    revision = bench.value_of("expected_revision")

    bench.post(address(inspection), {**good, "expected_revision": revision})

    assert newest(place, inspection).state is EntryState.RECORDED


def test_a_condition_outside_its_window_asks_for_a_reason_and_then_does_not_count(bench, inspection, good, place):
    good["condition_illuminance_lx_after"] = "0.5"
    page = bench.post(address(inspection), good)
    assert page.status_code == 422
    assert 'id="reason-error"' in bench.text()

    good |= {"reason": "lamp failed, no other here", "expected_revision": bench.value_of("expected_revision")}
    bench.post(address(inspection), good)

    assert "– Not measured" in bench.words()
    assert newest(place, inspection).measured is None or newest(place, inspection).problem


def test_an_instrument_past_its_calibration_never_gives_a_silent_pass(bench, inspection, good, meters):
    good["instrument_0"] = meters["illuminance meter", False]

    page = bench.post(address(inspection), good)

    assert page.status_code == 422
    assert "out of calibration" in bench.words()


def test_cannot_tell_is_recorded_with_its_reason(bench, inspection, place):
    bench.post(address(inspection), {"act": "cannot tell", "expected_revision": "0", "reason": "reader has a cold"})

    entry = newest(place, inspection)
    assert entry.state is EntryState.CANNOT_TELL
    assert "Cannot tell" in bench.words()
    assert "reader has a cold" in bench.words()


def test_a_correction_needs_a_reason_and_keeps_the_earlier_revision(bench, inspection, good, place):
    bench.post(address(inspection), good)
    bench.get(address(inspection))
    assert "Save the correction" in bench.words()
    again = {**good, "answer_reading": "1,3\n1,3\n1,3", "expected_revision": bench.value_of("expected_revision")}
    refused = bench.post(address(inspection), again)
    assert refused.status_code == 422
    assert 'id="reason-error"' in bench.text()

    again |= {"reason": "wrong line of the notebook", "expected_revision": bench.value_of("expected_revision")}
    bench.post(address(inspection), again)

    assert newest(place, inspection).answers["reading"] == ("1,3", "1,3", "1,3")
    assert "1,4, 1,4, 1,4" in bench.words()
    assert "Reason: wrong line of the notebook" in bench.words()


def test_sending_the_same_page_twice_records_it_once(bench, inspection, good, place):
    bench.post(address(inspection), good)

    page = bench.post(address(inspection), good)

    assert page.status_code == 200
    assert page.request.path.endswith("/result")
    assert len(workflow.entry_history(place, inspection.id, BARS)) == 1


def test_two_people_at_one_step_see_both_answers_and_choose(bench, inspection, good, place, people):
    other = StepAnswers(state=EntryState.DRAFT, answers={"distance_m": ("3.3",)})
    workflow.record_step(place, people["app"], inspection.id, BARS, other, 0)

    page = bench.post(address(inspection), good)
    assert page.status_code == 409
    assert bench.heading() == "Two answers to one step"
    assert "Distance from target to the front lens, in m 1.0 3.3" in bench.words()
    assert "Apelle Moor" in bench.words()
    assert newest(place, inspection).answers == {"distance_m": ("3.3",)}

    mine = {**good, "expected_revision": bench.value_of("expected_revision"), "reason": "measured with the tape"}
    bench.post(address(inspection), mine)

    assert newest(place, inspection).answers["distance_m"] == ("1.0",)
    assert newest(place, inspection).revision == 2


def test_a_capture_is_kept_measured_and_drawn(bench, inspection, place):
    fields = {"act": "record", "expected_revision": "0", "file_scene": (io.BytesIO(edge_png()), "edge.png")}

    bench.post(address(inspection, EDGE), fields)

    words = bench.words()
    assert "Mtf50" in words or "MTF50" in words
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in bench.text()
    assert newest(place, inspection, EDGE).measured.files[0].name == "edge.png"


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\nbroken", b"time_s,voltage_v\n0,4.1\n"])
def test_a_capture_that_cannot_be_used_is_refused_at_its_field(bench, inspection, content):
    fields = {"act": "record", "expected_revision": "0", "file_scene": (io.BytesIO(content), "edge.png")}

    page = bench.post(address(inspection, EDGE), fields)

    assert page.status_code == 422
    assert 'id="file_scene-error"' in bench.text()
    assert '<a href="#file_scene">' in bench.text()


def test_a_capture_without_an_edge_is_kept_and_need_not_be_sent_again(bench, inspection, place):
    flat = io.BytesIO()
    Image.fromarray(np.full((90, 90), 30000, np.uint16)).save(flat, format="PNG")
    flat.seek(0)

    page = bench.post(
        address(inspection, EDGE), {"act": "record", "expected_revision": "0", "file_scene": (flat, "flat.png")}
    )

    assert page.status_code == 422
    assert "Kept for Picture of the edge" in bench.words()
    assert [file.name for file in newest(place, inspection, EDGE).evidence] == ["flat.png"]


def test_a_kept_file_can_be_left_out_and_replaced(bench, inspection, place):
    first = {"act": "draft", "expected_revision": "0", "file_scene": (io.BytesIO(b"not a picture"), "wrong.png")}
    bench.post(address(inspection, EDGE), first)
    assert "wrong.png" in bench.words()

    second = {"act": "record", "expected_revision": "1", "file_scene": (io.BytesIO(edge_png()), "edge.png")}
    bench.post(address(inspection, EDGE), second)

    assert [file.name for file in newest(place, inspection, EDGE).evidence] == ["edge.png"]


def test_files_may_be_added_to_those_that_are_kept(bench, inspection, place):
    photo = {"act": "draft", "expected_revision": "0", "file_photo": (io.BytesIO(b"photo one"), "one.jpg")}
    bench.post(address(inspection, LOOK), photo)
    kept = newest(place, inspection, LOOK).evidence[0]

    bench.post(
        address(inspection, LOOK),
        {
            "act": "draft",
            "expected_revision": "1",
            "kept": f"photo:{kept.sha256}",
            "file_photo": (io.BytesIO(b"photo two"), "two.jpg"),
        },
    )

    assert [(f.name, f.role) for f in newest(place, inspection, LOOK).evidence] == [
        ("one.jpg", "photo"),
        ("two.jpg", "photo"),
    ]


def test_a_file_that_was_never_kept_cannot_be_claimed(bench, inspection, place):
    fields = {"act": "draft", "expected_revision": "0", "kept": "scene:" + "0" * 64, "answer_mtf50_reading": "0.2"}

    bench.post(address(inspection, EDGE), fields)

    assert newest(place, inspection, EDGE).evidence == ()


def test_both_ways_at_once_are_refused_in_words(bench, inspection):
    fields = {
        "act": "record",
        "expected_revision": "0",
        "file_scene": (io.BytesIO(edge_png()), "edge.png"),
        "answer_mtf50_reading": "0.2",
        "answer_axis": "horizontal",
    }

    page = bench.post(address(inspection, EDGE), fields)

    assert page.status_code == 422
    assert 'id="errors"' in bench.text()


def test_a_checklist_is_answered_item_by_item(bench, inspection, place):
    bench.get(address(inspection, LOOK))
    assert bench.text().count("<legend>Housing undamaged") == 1
    fields = {"act": "record", "expected_revision": "0", "answer_item_0": "yes", "answer_item_1": "no"}

    bench.post(address(inspection, LOOK), fields)

    assert newest(place, inspection, LOOK).answers["item"] == ("Housing undamaged=yes", "Markings readable=no")


def test_an_empty_page_saves_nothing_and_says_so(bench, inspection, place):
    bench.post(address(inspection), {"act": "record", "expected_revision": "0"})

    assert "Nothing is answered yet" in bench.words()
    assert newest(place, inspection) is None


def test_instruments_and_set_up_carry_over_within_an_inspection(bench, inspection, good, place, people):
    """Ask once (WCAG 2.2, 3.3.7): the second axis starts with the meter of the first."""
    bench.post(address(inspection), good)
    entry = newest(place, inspection)
    draft = StepAnswers(state=EntryState.DRAFT, answers={"distance_m": ("2",)})
    assert entry.instruments
    workflow.record_step(
        place, people["ina"], inspection.id, BARS, replace(draft, reason="begun again"), entry.revision
    )

    bench.get(address(inspection))

    assert bench.value_of("answer_distance_m") == "2"


def test_the_script_saves_a_field_as_a_draft_and_hears_the_revision(bench, inspection, place):
    token = bench.token()
    response = bench.client.post(
        address(inspection),
        data={"csrf_token": token, "act": "draft", "expected_revision": "0", "answer_distance_m": "4"},
        headers={"Accept": "application/json"},
    )

    assert response.get_json() == {"revision": 1, "message": "Saved 12:00:00 UTC", "values": {}}
    assert newest(place, inspection).answers == {"distance_m": ("4",)}


def test_the_script_hears_of_a_conflict_instead_of_overwriting(bench, inspection, place, people):
    token = bench.token()
    other = StepAnswers(state=EntryState.DRAFT, answers={"distance_m": ("3.3",)})
    workflow.record_step(place, people["app"], inspection.id, BARS, other, 0)

    response = bench.client.post(
        address(inspection),
        data={"csrf_token": token, "act": "draft", "expected_revision": "0", "answer_distance_m": "4"},
        headers={"Accept": "application/json"},
    )

    assert response.status_code == 409
    assert "Apelle Moor kept another answer" in response.get_json()["message"]


def test_a_step_that_the_form_does_not_have_is_not_found(bench, inspection):
    page = bench.get(address(inspection, "no-such-step"))

    assert page.status_code == 404
    assert bench.heading() == "Not in the record"


def test_a_revision_that_is_no_number_is_taken_as_none_seen(bench, inspection, good, place):
    bench.post(address(inspection), {**good, "expected_revision": "'; drop table"})

    assert newest(place, inspection).state is EntryState.RECORDED
