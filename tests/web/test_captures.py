"""Captures as they come: kept, told what they are, matched to their steps; a wrong one is said and nothing is lost."""

import io
import re

from inspect_app import workflow
from inspect_app.model import EntryState
from tests.web.test_bench import BARS, EDGE, LOOK, newest
from tests.web.test_inspections import answer_all
from tests.web.workbench import edge_png


def send(visitor, inspection, *files):
    address = f"/bench/{inspection.id}/captures"
    visitor.get(address)
    return visitor.post(address, {"files": [(io.BytesIO(content), name) for name, content in files]})


def put(visitor, inspection, chosen):
    return visitor.post(f"/bench/{inspection.id}/captures/places", chosen)


def chosen_places(visitor):
    """Return the place that the page proposes for each file, by its field."""
    found = re.findall(r'<select [^>]*name="(place\.\d+)".*?</select>', visitor.text(), re.DOTALL)
    blocks = re.findall(r'<select [^>]*name="place\..*?</select>', visitor.text(), re.DOTALL)
    proposed = [re.search(r'value="([^"]*)" selected', block) for block in blocks]
    return {name: (one[1] if one else "") for name, one in zip(found, proposed, strict=True)}


def test_files_are_matched_by_what_they_are_and_by_their_names(inspector, inspection, place):
    send(inspector, inspection, ("slanted edge 1lx.png", edge_png()), ("look photo.png", edge_png()[:-1] + b"\0"))

    proposed = chosen_places(inspector)

    assert sorted(proposed.values()) == [f"{LOOK}|photo", f"{EDGE}|scene"]
    put(inspector, inspection, proposed)
    assert [one.name for one in newest(place, inspection, EDGE).evidence] == ["slanted edge 1lx.png"]
    assert newest(place, inspection, LOOK).evidence[0].role == "photo"
    assert newest(place, inspection, EDGE).state is EntryState.DRAFT
    assert "Added to: " in inspector.words()


def test_a_wrong_file_is_said_at_once_and_the_others_go_on(inspector, inspection):
    send(inspector, inspection, ("manual.pdf", b"%PDF-1.7 nothing"), ("edge.png", edge_png()))

    words = inspector.words()
    assert "Not taken: manual.pdf" in words
    assert "a PDF document" in words
    assert len(chosen_places(inspector)) == 1


def test_a_wrong_file_is_not_kept(inspector, inspection, place):
    send(inspector, inspection, ("manual.pdf", b"%PDF-1.7 nothing"))

    assert list(place.evidence.names()) == []


def test_captures_wait_for_their_step_whoever_looks_and_whenever(inspector, as_role, inspection):
    send(inspector, inspection, ("edge.png", edge_png()))

    other = as_role("app")
    other.get(f"/bench/{inspection.id}/captures")

    assert list(chosen_places(other).values()) == [f"{EDGE}|scene"]
    assert "Ina Vestergard" in other.words()


def test_a_capture_that_is_left_out_waits_no_longer_and_may_be_sent_again(inspector, inspection):
    send(inspector, inspection, ("edge.png", edge_png()))
    (name,) = chosen_places(inspector)

    put(inspector, inspection, {name: ""})
    inspector.get(f"/bench/{inspection.id}/captures")
    assert chosen_places(inspector) == {}
    send(inspector, inspection, ("edge.png", edge_png()))

    assert len(chosen_places(inspector)) == 1


def test_the_same_capture_sent_twice_waits_once(inspector, inspection):
    for _ in range(2):
        send(inspector, inspection, ("edge.png", edge_png()))

    assert len(chosen_places(inspector)) == 1


def test_a_step_says_that_captures_wait_and_takes_them_when_they_are_named(inspector, inspection, place):
    send(inspector, inspection, ("edge.png", edge_png()))
    (waiting,) = workflow.waiting_captures(place, inspection.id)
    inspector.get(f"/bench/{inspection.id}/{EDGE}")
    assert "Not yet in a step: 1 capture of this device." in inspector.words()

    chosen = {"act": "record", "expected_revision": "0", "kept": f"scene:{waiting.file.sha256}"}
    inspector.post(f"/bench/{inspection.id}/{EDGE}", chosen)

    assert newest(place, inspection, EDGE).state is EntryState.RECORDED
    assert workflow.waiting_captures(place, inspection.id) == ()


def test_what_its_name_does_not_tell_is_asked(inspector, inspection):
    send(inspector, inspection, ("IMG_0042.png", edge_png()))

    assert list(chosen_places(inspector).values()) == [""]
    assert "its name does not tell the step, choose it" in inspector.words()


def test_files_join_what_a_draft_holds_already(inspector, inspection, place):
    inspector.get(f"/bench/{inspection.id}/{EDGE}")
    draft = {"act": "draft", "expected_revision": "0", "answer_axis": "horizontal"}
    inspector.post(f"/bench/{inspection.id}/{EDGE}", draft)
    send(inspector, inspection, ("edge.png", edge_png()))

    put(inspector, inspection, chosen_places(inspector))

    entry = newest(place, inspection, EDGE)
    assert entry.answers == {"axis": ("horizontal",)}
    assert [one.name for one in entry.evidence] == ["edge.png"]


def test_a_recorded_step_is_not_offered_and_not_changed(inspector, inspection, place, people):
    answer_all(place, people["ina"], inspection)
    send(inspector, inspection, ("edge.png", edge_png()))

    assert "no step that is still open takes it" in inspector.words()
    (name,) = chosen_places(inspector)
    page = put(inspector, inspection, {name: f"{EDGE}|scene"})
    assert page.status_code == 403
    assert newest(place, inspection, EDGE).evidence == ()


def test_earlier_readings_are_out_of_sight_while_a_step_is_read(inspector, inspection, place, people):
    answer_all(place, people["ina"], inspection)

    inspector.get(f"/bench/{inspection.id}/{BARS}")
    assert "2.83" not in inspector.words()
    assert "≥ 0.9 cy/mrad" not in inspector.words()
    inspector.get(f"/bench/{inspection.id}/{BARS}/result")

    assert "2.83" in inspector.words()
    assert "≥ 0.9 cy/mrad" in inspector.words()


def test_the_order_of_devices_can_be_shuffled_and_is_the_same_for_all(place, lot):
    """The order comes from a digest of lot and device: three devices stand in one of six orders, for everybody."""
    first, again = (workflow.next_device(place, lot.id, is_shuffled=True) for _ in range(2))

    assert first == again
    assert first in workflow.lot_devices(place, lot.id)


def test_under_a_name_that_only_this_machine_has_no_code_is_shown_for_a_phone(inspector, inspection):
    inspector.get(f"/bench/{inspection.id}/captures")

    inspector.post(f"/bench/{inspection.id}/phones")

    assert "A phone cannot reach this address" in inspector.words()
    assert "<figure" not in inspector.text()
