"""The page of devices: all that is asked stands in the address, counts carry exact intervals."""

import pytest
from scipy import stats

from inspect_app import workflow
from inspect_app.storage import measured_over_time
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD


@pytest.fixture
def signed(place, people, inspection):
    """Sign the inspection of one device."""
    answer_all(place, people["ina"], inspection)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, "TM-0001")
    return inspection


@pytest.fixture
def quantity(place, signed):
    """Return the key of the resolution by eye."""
    with place.database.reading() as session:
        return next(
            one.id for one in measured_over_time.characteristics(session) if one.quantity_name == "angular_resolution"
        )


def test_the_list_shows_what_was_signed_with_the_exact_interval_of_each_rate(inspector, signed):
    """One of one: Clopper and Pearson give (alpha / 2) ** (1 / n) to 1."""
    inspector.get("/devices")

    low = stats.beta.ppf(0.025, 1, 1)
    assert f"100.0 % (95 %: {100 * low:.1f} % to 100.0 %)" in inspector.words()
    assert "1 verdict counted" in inspector.words()
    assert "TM-0001" in inspector.words()


def test_what_is_asked_stands_in_the_form_and_in_the_address_of_the_next_question(inspector, signed):
    inspector.get("/devices?class=test+monocular&verdict=accepted&since=2026-06-01&until=2026-06-01")

    assert inspector.value_of("since") == "2026-06-01"
    assert "TM-0001" in inspector.words()
    assert "order=back" in inspector.text()


def test_a_quantity_lists_its_results_and_draws_their_spread_with_the_limit(inspector, quantity):
    inspector.get(f"/devices?quantity={quantity}")

    assert "Result ± U" in inspector.words()
    assert "results from" in inspector.words()
    assert "limit" in inspector.words()


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("from=1", "Choose the quantity that the range is of"),
        ("quantity=1&from=x", "x is no number"),
        ("quantity=1&from=nan", "nan is no number"),
        ("quantity=1&from=2&to=1", "Swap them"),
        ("quantity=999", "nothing of that kind was measured"),
        ("since=yesterday", "yesterday is no day"),
        ("since=2026-07-01&until=2026-06-01", "Swap them"),
        ("verdict=fine", "fine is none"),
        ("inspector=-1", "none of the list"),
        ("after=nonsense", "no place in this list"),
    ],
)
def test_a_question_that_cannot_be_asked_is_refused_with_what_was_typed(inspector, asked, words):
    page = inspector.get(f"/devices?{asked}")

    assert page.status_code == 422
    assert words in inspector.words()


@pytest.mark.parametrize("asked", ["class=%3Cscript%3E", "lot=nothing", "supplier=%27%3B--", "inspector=4711"])
def test_a_question_that_nothing_fits_says_so(inspector, asked):
    assert inspector.get(f"/devices?{asked}").status_code == 200
    assert "No device fits." in inspector.words()
    assert "<script>" not in inspector.text()


def test_an_auditor_sees_the_same_list(as_role, signed):
    auditor = as_role("aud")

    auditor.get("/devices?verdict=accepted")

    assert "TM-0001" in auditor.words()


def test_what_an_instrument_touched_is_listed_with_its_results(inspector, signed, place):
    used = next(one.instruments[0] for one in signed_entries(place, signed) if one.instruments)

    inspector.get(f"/instruments/{used.id}/touched")

    assert inspector.heading() == f"Measured with {used.name}"
    assert "TM-0001" in inspector.words()
    assert "1 inspection counted: 1 accepted" in inspector.words()
    assert "Angular resolution" in inspector.words()


def signed_entries(place, inspection):
    return workflow.inspection(place, inspection.id).entries.values()


@pytest.mark.parametrize("asked", ["since=soon", "since=2999-01-01", "verdict=fine", "after=x"])
def test_a_recall_that_cannot_be_asked_is_refused_on_its_page(inspector, asked):
    assert inspector.get(f"/instruments/1/touched?{asked}").status_code == 422
    assert "Not listed" in inspector.words()


@pytest.fixture
def under_way(place, people, lot, signed):
    """Answer every step of a second device, and do not sign."""
    device = workflow.lot_devices(place, lot.id)[1].device
    opened = workflow.open_inspection(place, people["ina"], lot.id, device.id)
    answer_all(place, people["ina"], opened)
    return opened


def test_results_that_are_not_signed_are_shown_marked_and_in_no_count(inspector, quantity, under_way):
    inspector.get(f"/devices?quantity={quantity}")

    signed, unsigned = inspector.words().split("Under inspection, not signed yet", 1)
    assert "1 verdict counted" in signed
    assert "TM-0002" not in signed
    assert "TM-0002" in unsigned
    assert "cy/mrad" in unsigned
    assert f"/inspections/{under_way.id}" in inspector.text()


@pytest.mark.parametrize(
    ("asked", "is_shown"),
    [
        ("class=test+monocular", True),
        ("class=other", False),
        ("contract=TST-1", True),
        ("supplier=nobody", False),
        ("lot=nothing", False),
        ("inspector=1", True),
        ("inspector=2", False),
        ("instrument=1", True),
        ("serial=0002", True),
        ("serial=0001", False),
        ("verdict=accepted", False),
        ("since=2026-06-01", False),
        ("quantity={quantity}&from=2.8&to=2.9", True),
        ("quantity={quantity}&from=3", False),
    ],
)
def test_what_is_asked_is_asked_of_those_not_signed_too(inspector, quantity, under_way, asked, is_shown):
    """They have no verdict and no day of signing; 1,4 is 2.83 cy/mrad at 1 m."""
    inspector.get(f"/devices?{asked.format(quantity=quantity)}")

    assert ("Under inspection, not signed yet" in inspector.words()) is is_shown


def test_a_list_as_a_file_holds_those_not_signed_without_a_verdict(inspector, quantity, under_way):
    text = inspector.get(f"/export/fleet.json?quantity={quantity}").get_json()

    assert [(one["serial"], one["outcome"]) for one in text] == [("TM-0001", "accepted"), ("TM-0002", None)]


def test_the_page_of_an_instrument_recalls_those_not_signed(inspector, place, under_way):
    meter = next(one for one in workflow.instruments(place) if one.calibration_on(place.clock().date()))

    inspector.get(f"/instruments/{meter.id}/touched")

    unsigned, signed = inspector.words().split("Signed 1 inspection counted")
    assert "TM-0002" in unsigned
    assert "TM-0001" in signed
