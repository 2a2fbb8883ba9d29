"""Pointing at regions before a step is measured, without script: what is kept, what is refused, where it leads."""

import pytest

from inspect_app import workflow
from inspect_app.model import EntryState
from tests.web.film_bench import LIGHT, PICTURE, STEP, refused_film, with_film_form


@pytest.fixture
def place(place):
    return with_film_form(place)


@pytest.fixture
def refused(place, tmp_path):
    return refused_film(place, tmp_path)


@pytest.fixture
def filmed(refused):
    return refused[0]


@pytest.fixture
def pointing(inspector, filmed):
    inspector.get(f"/bench/{filmed}/{STEP}/where")
    return inspector


def entry(place, filmed):
    return workflow.inspection(place, filmed).entries[STEP]


def point(visitor, filmed, **fields):
    sent = {"seen": visitor.value_of("seen"), "stimulus_roi": LIGHT, "response_roi": PICTURE, **fields}
    return visitor.post(f"/bench/{filmed}/{STEP}/where", sent)


def test_a_refusal_names_the_questions_of_the_form_and_no_option_of_the_command(refused):
    _, refusal = refused

    assert refusal.remedy.endswith("give “Region of the light” and “Region of its picture”.")


def test_a_refused_film_is_measured_where_a_person_points(inspector, filmed, place):
    """Truth by construction: both switch at the same moment, so the latency is 0."""
    inspector.get(f"/bench/{filmed}/{STEP}")
    assert inspector.text().count(f'href="/bench/{filmed}/{STEP}/where"') == 2
    inspector.get(f"/bench/{filmed}/{STEP}/where")

    page = point(inspector, filmed)

    assert page.request.path == f"/bench/{filmed}/{STEP}"
    assert inspector.value_of("answer_stimulus_roi") == LIGHT
    assert entry(place, filmed).answers == {"stimulus_roi": (LIGHT,), "response_roi": (PICTURE,)}
    kept = f"scene:{entry(place, filmed).evidence[0].sha256}"
    seen = inspector.value_of("expected_revision")
    regions = {"answer_stimulus_roi": LIGHT, "answer_response_roi": PICTURE}
    inspector.post(f"/bench/{filmed}/{STEP}", {"act": "record", "expected_revision": seen, "kept": kept, **regions})
    half = next(one for one in entry(place, filmed).measured.results if one.quantity_name == "latency_half").quantity
    assert half.value == pytest.approx(0, abs=2 * half.standard_uncertainty)


def test_another_frame_is_shown_with_what_was_pointed_at_before(pointing, filmed, place):
    assert "Frame 0, 0.0 ms after the first" in pointing.words()

    page = point(pointing, filmed, frame="10", response_roi="")

    assert page.request.path == f"/bench/{filmed}/{STEP}/where"
    assert "/frame/10.png" in pointing.text()
    assert pointing.value_of("stimulus_roi") == LIGHT
    assert 'x="24" y="40" width="17" height="17"' in pointing.text()
    assert entry(place, filmed).answers == {"stimulus_roi": (LIGHT,)}
    assert [file.name for file in entry(place, filmed).evidence] == ["twins.mp4"]


def test_a_region_that_is_none_is_refused_at_its_field_and_stands(pointing, filmed, place):
    page = point(pointing, filmed, stimulus_roi="24,40,seventeen")

    assert page.status_code == 422
    assert pointing.value_of("stimulus_roi") == "24,40,seventeen"
    assert pointing.value_of("response_roi") == PICTURE
    assert "a region is written X,Y,W,H in whole pixels" in pointing.words()
    assert 'aria-invalid="true"' in pointing.tag_of("stimulus_roi")
    assert entry(place, filmed).answers == {}


def test_two_people_who_point_at_different_regions_keep_both(pointing, filmed, place, people):
    first = workflow.keep_regions(place, people["app"], filmed, STEP, {"response_roi": "80,24,50,40"}, 1)
    assert first.joined is None

    point(pointing, filmed, response_roi="")

    assert entry(place, filmed).answers == {"stimulus_roi": (LIGHT,), "response_roi": ("80,24,50,40",)}


def test_one_that_was_pointed_at_otherwise_meanwhile_is_told_and_stays(pointing, filmed, place, people):
    workflow.keep_regions(place, people["app"], filmed, STEP, {"response_roi": "80,24,50,40"}, 1)

    page = point(pointing, filmed)

    assert page.status_code == 409
    assert "Apelle Moor kept a newer answer" in pointing.words()
    assert entry(place, filmed).answers == {"response_roi": ("80,24,50,40",)}


def test_a_recorded_step_is_not_pointed_at_but_corrected(inspector, filmed, place, people):
    inspector.get(f"/bench/{filmed}/{STEP}/where")
    seen = inspector.value_of("seen")
    draft = entry(place, filmed)
    told = workflow.StepAnswers(state=EntryState.CANNOT_TELL, evidence=draft.evidence, reason="the film shakes")
    workflow.record_step(place, people["ina"], filmed, STEP, told, draft.revision)

    assert point(inspector, filmed, seen=seen).status_code == 409
    assert inspector.get(f"/bench/{filmed}/{STEP}/where").request.path == f"/bench/{filmed}/{STEP}"


def test_an_auditor_points_at_nothing(as_role, filmed):
    assert as_role("aud").get(f"/bench/{filmed}/{STEP}/where").status_code == 403


def test_without_a_capture_there_is_nothing_to_point_at(inspector, filmed, place, people):
    draft = entry(place, filmed)
    empty = workflow.StepAnswers(state=EntryState.DRAFT, answers={"frame_interval_ms": ("5",)})
    workflow.record_step(place, people["ina"], filmed, STEP, empty, draft.revision)

    page = inspector.get(f"/bench/{filmed}/{STEP}/where")

    assert page.status_code == 404
    assert "no picture or film waits in it" in inspector.words()


@pytest.mark.parametrize("text", ["9" * 5000 + ",1,1,1", "-1,2,3,4", "1,2,0,4", "1;2;3;4", "1,2,3", "x" * 9000])
def test_absurd_regions_are_refused_in_words(pointing, filmed, text):
    assert point(pointing, filmed, stimulus_roi=text).status_code == 422


@pytest.mark.parametrize("query", ["frame=-5", "frame=999999", "frame=abc", "file=zzz", "file=", "frame=1&file=zzz"])
def test_a_frame_or_file_that_is_none_shows_one_that_is(pointing, filmed, query):
    page = pointing.get(f"/bench/{filmed}/{STEP}/where?{query}")

    assert page.status_code == 200
    assert "<svg" in pointing.text()


def test_a_page_that_names_no_draft_is_refused(pointing, filmed):
    assert point(pointing, filmed, seen="").status_code == 422
    assert point(pointing, filmed, seen="999").status_code == 422
