"""Comparison: devices, dates and classes side by side, chosen by scan, kept in the address."""

import re
from html import unescape

import pytest

from inspect_app import workflow
from tests.web.test_inspections import answer_all
from tests.web.workbench import PASSWORD, record_edge


@pytest.fixture
def two(place, people, lot, inspection):
    """Answer two devices: 2.83 cy/mrad and 0.25 cy/px at the first, 1.41 cy/mrad and 0.35 cy/px at the second."""
    answer_all(place, people["ina"], inspection)
    second = workflow.open_inspection(place, people["ina"], lot.id, workflow.lot_devices(place, lot.id)[1].device.id)
    answer_all(place, people["ina"], second, reading="0,4", mtf50="0.35")
    return inspection.id, second.id


def test_devices_are_added_by_scan_and_stand_side_by_side_with_the_limit(inspector, two):
    """Truth: element 1,4 is 2.83 lp/mm and 0,4 is 1.41 lp/mm (MIL-STD-150A), at 1 m as many cy/mrad."""
    inspector.get("/compare?serial=tm-0001")
    page = inspector.get(f"{page_address(inspector)}&serial=TM-0002")

    assert page.request.query_string.decode() == f"of={two[0]}&of={two[1]}"
    words = inspector.words()
    assert re.search(r"Angular resolution, cy/mrad 1 lx, horizontal.*≥ 0.9 cy/mrad 2\.83 ± \S+ 1\.41 ± ", words)
    assert re.search(r"MTF50, cy/px 1 lx, horizontal ≥ 0.1 cy/px 0\.25\S* ± \S+ 0\.35", words)


def svg_of(visitor, address):
    return visitor.client.get(address).get_data(as_text=True)


def test_every_drawing_of_the_page_stands_in_one_file_that_the_browser_may_keep(inspector, two):
    """The address names the digest of what is drawn; under another one it is not kept, for it could be outdated."""
    inspector.get(f"/compare?of={two[0]}&of={two[1]}")
    shown = [unescape(one).split("#") for one in re.findall(r'<use href="([^"]+)"', inspector.text())]
    (address,) = {one for one, _ in shown}

    sent = inspector.client.get(address)

    assert sent.content_type == "image/svg+xml"
    assert re.findall(r'<svg id="(f\d+)"', sent.get_data(as_text=True)) == [place_of for _, place_of in shown]
    assert "immutable" in sent.headers["Cache-Control"]
    assert inspector.client.get(f"{address}0").headers["Cache-Control"] == "no-store"


def test_each_check_is_a_section_that_the_contents_lead_to(inspector, two):
    inspector.get(f"/compare?of={two[0]}&of={two[1]}")

    contents = re.findall(r'<li><a href="#([^"]+)">', inspector.text())

    assert contents == re.findall(r'<section aria-labelledby="([^"]+)">', inspector.text())
    assert {"bar-target", "slanted-edge"} <= set(contents)


def test_an_unknown_serial_leaves_those_chosen_in_place(inspector, two):
    inspector.get(f"/compare?of={two[0]}&class=test+monocular&serial=XX-9999")

    assert inspector.words().count("Take away") == 2
    assert inspector.value_of("of") == str(two[0])


def page_address(visitor):
    request = visitor.page.request
    return f"{request.path}?{request.query_string.decode()}"


def test_one_can_be_taken_away_again(inspector, two):
    inspector.get(f"/compare?of={two[0]}&of={two[1]}")

    assert f'href="/compare?of={two[1]}"' in inspector.text()


def test_a_class_shows_mean_and_spread_of_its_signed_devices(inspector, place, people, two):
    """Truth: 2.8284 and 1.4142 have the mean 2.1213 and the standard deviation 1.0000."""
    for inspection_id, serial in zip(two, ("TM-0001", "TM-0002"), strict=True):
        workflow.conclude(place, people["ina"], inspection_id, PASSWORD, serial)

    comparison = workflow.compare(place, (), ("test monocular",))

    (found,) = [one for one in comparison.results if one.quantity_name == "angular_resolution"]
    assert found.quantities[0].value == pytest.approx(2.1213, abs=1e-3)
    assert found.quantities[0].standard_uncertainty == pytest.approx(1.0, abs=1e-3)
    inspector.get("/compare?class=test+monocular")
    assert "mean and spread of 2 devices" in inspector.words()


def test_more_than_eight_and_an_unknown_serial_are_refused_in_words(inspector, two):
    assert inspector.get(f"/compare?{'&'.join(f'of={n}' for n in range(1, 10))}").status_code == 404
    many = "&".join([f"of={two[0]}", *(f"class=c{n}" for n in range(8))])
    assert inspector.get(f"/compare?{many}").status_code == 422
    assert "more than 8 are chosen" in inspector.words()
    assert inspector.get("/compare?serial=XX-9999").status_code == 422
    assert "no inspection of this serial" in inspector.words()


def test_the_modulation_of_two_devices_is_overlaid(inspector, place, people, lot, inspection):
    second = workflow.open_inspection(place, people["ina"], lot.id, workflow.lot_devices(place, lot.id)[1].device.id)
    for key in (inspection.id, second.id):
        record_edge(place, people["ina"], key)

    inspector.get(f"/compare?of={inspection.id}&of={second.id}")

    assert "Modulation transfer, 1 lx, horizontal" in inspector.words()
    address, place_of = unescape(re.search(r'href="([^"]+#f\d+)"', inspector.text())[1]).split("#")
    assert re.search(rf'id="{place_of}".*>TM-0001</text>.*>TM-0002</text>', svg_of(inspector, address), re.DOTALL)


def test_an_empty_comparison_says_what_to_do(inspector):
    inspector.get("/compare")

    assert "Scan devices one after the other" in inspector.words()
