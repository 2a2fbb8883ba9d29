"""Several readers read one step, each under their own account, none seeing the others' readings or the limit."""

from dataclasses import replace

import pytest

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.errors import UnusableInput
from inspect_app.model import EntryState, Role
from inspect_app.workflow import StepAnswers
from tests.web.test_bench import BARS, address, newest
from tests.web.texts import FORM
from tests.web.workbench import PASSWORD

THREE_READERS = FORM.replace('hint = "One line per reader, like 1,4"', "readers = 3")


@pytest.fixture
def place(place):
    """Ask three readers for the bar target, and add the third."""
    form = read_form_text(THREE_READERS, "test.toml")
    made = replace(place, forms={form.device_class: form})
    workflow.add_account(made, None, "bo", "Bo Linnet", Role.INSPECTOR, PASSWORD)
    return made


@pytest.fixture
def good(place):
    """Return what is asked beside the readings."""
    meters = {}
    for instrument in workflow.instruments(place):
        if instrument.calibration_on(place.clock().date()):
            meters[instrument.kind] = str(instrument.id)
    return {
        "act": "record",
        "condition_illuminance_lx_before": "1",
        "condition_illuminance_lx_after": "1",
        "condition_temperature_c": "21",
        "instrument_0": meters["illuminance meter"],
        "instrument_1": meters["bar target"],
        "answer_distance_m": "1",
    }


def read(visitor, inspection, text, password=PASSWORD):
    visitor.get(f"{address(inspection)}/reading")
    return visitor.post(f"{address(inspection)}/reading", {"reading": text, "password": password})


def record(visitor, inspection, fields):
    visitor.get(address(inspection))
    return visitor.post(address(inspection), {**fields, "expected_revision": visitor.value_of("expected_revision")})


def everybody_reads(as_role, inspection):
    for login, text in (("ina", "1,4"), ("app", "1,3"), ("bo", "1,4")):
        read(as_role(login), inspection, text)


def test_three_readings_are_pooled_when_all_have_read(as_role, inspection, good, place):
    """Truth: element G,E is 2 ** (G + (E - 1) / 6) lp/mm (MIL-STD-150A); readers are pooled by the geometric mean."""
    everybody_reads(as_role, inspection)

    page = record(as_role("ina"), inspection, good)

    entry = newest(place, inspection)
    assert page.request.path.endswith("/result")
    assert entry.state is EntryState.RECORDED
    assert entry.answers["reading"] == ("1,4", "1,3", "1,4")
    angular = next(one for one in entry.measured.results if one.quantity_name == "angular_resolution")
    assert angular.quantity.value == pytest.approx(2 ** (1 + (3 / 6 + 2 / 6 + 3 / 6) / 3), rel=1e-9)


def test_before_all_have_read_the_step_stays_a_draft_and_says_how_many_are_missing(as_role, inspection, good, place):
    ina = as_role("ina")
    read(ina, inspection, "1,4")

    record(ina, inspection, good)

    assert "Last element resolved, as group,element (2 more to read it)" in ina.words()
    assert newest(place, inspection).state is EntryState.DRAFT
    assert "reading" not in newest(place, inspection).answers


def test_no_page_shows_a_reading_before_all_have_read(as_role, inspection, good):
    ina, other = as_role("ina"), as_role("app")
    read(ina, inspection, "-1,6")
    record(ina, inspection, good)

    for path in (
        address(inspection),
        f"{address(inspection)}/reading",
        f"{address(inspection)}/result",
        f"/inspections/{inspection.id}",
        f"/devices/{inspection.device.id}",
    ):
        other.get(path)
        assert other.page.status_code == 200
        assert "-1,6" not in other.text(), path


def test_a_reader_sees_neither_the_limit_nor_a_result(as_role, inspection):
    reader = as_role("bo")

    reader.get(f"{address(inspection)}/reading")

    assert "0 of 3 readers have read" in reader.words()
    assert "0.9" not in reader.words()
    assert "cy/mrad" not in reader.words()


def test_nobody_reads_in_another_s_name(as_role, inspection, place):
    """A session that stands open is not the reader: whoever reads proves it with their own password."""
    ina = as_role("ina")

    page = read(ina, inspection, "1,4", password="the password of somebody else")

    assert page.status_code == 422
    assert 'id="password-error"' in ina.text()
    assert workflow.readers_of(place, inspection.id, step(place)).read == ()


def step(place):
    return next(iter(place.forms.values())).step(BARS)


def test_one_reader_counts_once_and_may_put_a_slip_right_before_it_is_recorded(as_role, inspection, good, place):
    ina = as_role("ina")
    for text in ("1,1", "1,4"):
        read(ina, inspection, text)
    assert workflow.readers_of(place, inspection.id, step(place)).left == 2
    for login in ("app", "bo"):
        read(as_role(login), inspection, "1,3")

    record(ina, inspection, good)

    assert newest(place, inspection).answers["reading"] == ("1,4", "1,3", "1,3")


def test_a_fourth_reader_is_not_asked_and_not_taken(as_role, inspection, place):
    everybody_reads(as_role, inspection)
    workflow.add_account(place, None, "cy", "Cy Marsh", Role.INSPECTOR, PASSWORD)

    page = read(as_role("cy"), inspection, "1,6")

    assert page.status_code == 422
    assert "3 readers have read it" in page.get_data(as_text=True)
    assert len(workflow.readers_of(place, inspection.id, step(place)).read) == 3


def test_readings_cannot_be_typed_by_one_person_into_the_step(inspection, place, people):
    answers = StepAnswers(state=EntryState.DRAFT, answers={"reading": ("1,4", "1,4", "1,4")})

    with pytest.raises(UnusableInput, match="each reader enters it under their own account"):
        workflow.record_step(place, people["ina"], inspection.id, BARS, answers, 0)


def test_what_is_no_element_is_refused_at_its_field(as_role, inspection, place):
    ina = as_role("ina")

    page = read(ina, inspection, "one four")

    assert page.status_code == 422
    assert 'id="reading-error"' in ina.text()
    assert workflow.readers_of(place, inspection.id, step(place)).read == ()


def test_the_result_says_who_read_what(as_role, inspection, good):
    everybody_reads(as_role, inspection)
    ina = as_role("ina")

    record(ina, inspection, good)

    words = ina.words()
    assert "Read by Ina Vestergard 1,4" in words
    assert "Read by Apelle Moor 1,3" in words
    assert "Read by Bo Linnet 1,4" in words


def test_a_correction_of_something_else_needs_no_new_readings(as_role, inspection, good, place):
    everybody_reads(as_role, inspection)
    ina = as_role("ina")
    record(ina, inspection, good)

    record(ina, inspection, {**good, "answer_distance_m": "2", "reason": "the tape was read wrongly"})

    assert newest(place, inspection).answers["distance_m"] == ("2",)
    assert newest(place, inspection).answers["reading"] == ("1,4", "1,3", "1,4")


def test_after_it_was_recorded_a_reading_begins_a_new_round_for_all(as_role, inspection, good, place):
    everybody_reads(as_role, inspection)
    ina = as_role("ina")
    record(ina, inspection, good)

    read(ina, inspection, "1,1")
    assert workflow.readers_of(place, inspection.id, step(place)).left == 2
    record(ina, inspection, {**good, "reason": "the target stood askew"})
    assert newest(place, inspection).state is EntryState.DRAFT
    for login in ("app", "bo"):
        read(as_role(login), inspection, "1,1")
    record(ina, inspection, {**good, "reason": "the target stood askew"})

    assert newest(place, inspection).answers["reading"] == ("1,1", "1,1", "1,1")


def test_the_next_reader_at_the_same_device_signs_in_and_comes_to_the_reading(as_role, inspection):
    ina = as_role("ina")
    ina.get(f"{address(inspection)}/reading")

    ina.post(f"{address(inspection)}/reading/next")
    assert ina.heading() == "Sign in"
    ina.post(f"/sign-in?next={address(inspection)}/reading", {"login": "bo", "password": PASSWORD})

    assert ina.page.request.path == f"{address(inspection)}/reading"
    ina.read_cautions()
    ina.get(f"{address(inspection)}/reading")
    assert "It is kept as the reading of Bo Linnet." in ina.words()


def test_events_say_who_read_and_not_what(as_role, inspection, place):
    read(as_role("bo"), inspection, "-1,6")

    told = next(event for event in workflow.events(place) if event.action == "reading taken")

    assert told.actor == "bo"
    assert "-1,6" not in str(told)


def test_a_step_that_one_person_answers_has_no_page_for_readers(inspector, inspection):
    assert inspector.get(f"{address(inspection, 'look')}/reading").status_code == 404


@pytest.mark.parametrize("readers", ["1", "11", "2.5", '"three"'])
def test_a_form_asks_two_to_ten_readers(readers):
    with pytest.raises(UnusableInput, match="readers"):
        read_form_text(THREE_READERS.replace("readers = 3", f"readers = {readers}"), "test.toml")


def test_a_form_asks_several_readers_for_what_can_be_repeated_alone():
    wrong = FORM.replace('label = "Distance from target', 'readers = 3\n  label = "Distance from target')

    with pytest.raises(UnusableInput, match="not read by several people"):
        read_form_text(wrong, "test.toml")
