"""Drift of classes and devices, on a synthetic fleet whose makers drift as it says (`demo_fleet.synthetic.makers`)."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from demo_fleet.synthetic import deliveries, load
from demo_fleet.synthetic.makers import MAKERS
from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Role
from inspect_app.storage import measured_over_time
from inspect_app.web import create_app
from inspect_app.workflow import Trend, Workplace
from inspect_app.workflow.memory.drifting import MOST_OF_A_SPAN, SPANS, as_moment, as_years
from tests.truth.workplaces import DEVICE_CLASS, Bench, answer_all, receive, sign
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD

DRIFTING = next(maker for maker in MAKERS if maker.drift < 0)
STEADY = [maker for maker in MAKERS if maker.drift == 0]


@pytest.fixture(scope="module")
def instance(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 240 devices in 48 small lots over six years."""
    folder = tmp_path_factory.mktemp("drifting")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deliveries, "_DEVICES_OF_LOT", 5)
        load(folder, 240, lambda _done, _total: None)
    return folder


@pytest.fixture
def place(instance: Path) -> Iterator[Workplace]:
    opened = workflow.open_workplace(instance)
    yield opened
    workflow.close_workplace(opened)


def trends(place: Workplace, device_class: str) -> list[Trend]:
    return [
        workflow.class_trend(place, trend.characteristic.id) for trend in workflow.class_trends(place, device_class)
    ]


def test_a_maker_that_drifts_is_told_how_fast(place: Workplace) -> None:
    """MTF50 falls by 1.2 % of the usual value a year; four intervals of 95 %, of which three at least must hold."""
    held = 0
    for trend in trends(place, DRIFTING.device_class):
        if trend.characteristic.quantity_name == "mtf50_cy_mrad":
            share = 1.0 if trend.characteristic.condition["illuminance_lx"] == 1 else 0.7
            side = 1.0 if trend.characteristic.condition["axis"] == "horizontal" else 0.97
            truth = DRIFTING.sharpness * share * side * DRIFTING.drift
            assert trend.line is not None
            held += abs(trend.line.slope - truth) <= trend.line.coverage_factor * trend.line.slope_uncertainty

    assert held >= 3


def test_steady_makers_are_not_accused(place: Workplace) -> None:
    """Twenty characteristics without process drift: at most four slopes beyond 95 %, and none that stands out."""
    found = [trend for maker in STEADY for trend in trends(place, maker.device_class)]

    assert len(found) == 20
    assert sum(trend.line is not None and trend.line.drifts for trend in found) <= 4
    for maker in STEADY:
        assert not any(trend.stands_out or trend.change for trend in workflow.class_trends(place, maker.device_class))


def test_a_limit_that_a_drift_runs_to_is_foretold_behind_now(place: Workplace) -> None:
    begun = place.clock()
    found = trends(place, DRIFTING.device_class)
    foretold = [met for trend in found if trend.line and trend.line.drifts for met in trend.limits]

    assert foretold
    for met in foretold:
        assert met.expected is not None
        assert met.earliest is not None
        assert begun <= met.earliest <= met.expected


def test_no_more_results_are_read_than_the_page_needs(place: Workplace) -> None:
    with place.database.reading() as session:
        one = measured_over_time.characteristics(session)[0]
        ends = measured_over_time.span_of_characteristic(session, one.id)
        assert ends is not None
        found = measured_over_time.values_spread(session, one.id, [ends[0], ends[1]], most=3)

    assert len([span for span, _, _ in found if span == 0]) == 3
    assert SPANS * MOST_OF_A_SPAN == 1200


def test_a_device_that_came_three_times_has_a_course_of_its_own(place: Workplace) -> None:
    with place.database.reading() as session:
        ids = range(1, 241)
        several = [key for key in ids if len(measured_over_time.results_of_device(session, key)) >= 30]
    assert several, "the fleet has no device that came three times"

    found = workflow.device_trends(place, several[0])

    assert len(found) == 10
    assert all(trend.line is not None and set(trend.counts) == {1} for trend in found)


def test_a_device_that_came_once_has_none(place: Workplace) -> None:
    with place.database.reading() as session:
        once = next(key for key in range(1, 241) if len(measured_over_time.results_of_device(session, key)) == 10)

    assert workflow.device_trends(place, once) == ()


def test_results_of_one_visit_to_the_bench_show_no_course(bench: Bench) -> None:
    """Minutes apart, scatter would be told as millions a year."""
    lot_id = receive(bench, "BM-001", "BM-002", "BM-003", "BM-004")
    for one, snr in zip(workflow.lot_devices(bench.place, lot_id), ("40", "41", "39", "42"), strict=True):
        opened = workflow.open_inspection(bench.place, bench.inspector, lot_id, one.device.id)
        answer_all(bench, opened.id, snr=snr)
        sign(bench, opened.id)

    found = [
        trend
        for trend in workflow.class_trends(bench.place, DEVICE_CLASS)
        if trend.characteristic.quantity_name == "snr"
    ]

    assert [(trend.line, trend.change, sum(trend.counts)) for trend in found] == [(None, None, 4)]


def test_years_and_moments_are_the_same_either_way(place: Workplace) -> None:
    now = place.clock()

    assert abs((as_moment(as_years(now)) - now).total_seconds()) < 1e-3


def test_what_was_never_measured_is_not_found(place: Workplace) -> None:
    with pytest.raises(NotFound):
        workflow.class_trends(place, "periscope")
    with pytest.raises(NotFound):
        workflow.class_trend(place, 9999)


def test_the_pages_show_the_class_asked_for_and_one_characteristic(place: Workplace) -> None:
    app = create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False})
    workflow.add_account(place, None, "drift-reader", "Reader", Role.AUDITOR, PASSWORD)
    visitor = Visitor(app.test_client())
    visitor.sign_in("drift-reader", PASSWORD)

    assert visitor.get("/drift/", query_string={"class": DRIFTING.device_class}).status_code == 200
    assert "10 characteristics were looked at together" in visitor.words()
    found = workflow.class_trends(place, DRIFTING.device_class)[0]
    assert visitor.get(f"/drift/{found.characteristic.id}").status_code == 200
    assert "per year" in visitor.words()
    assert "<svg" in visitor.text()
    assert visitor.get("/drift/", query_string={"class": "periscope"}).status_code == 404

    with place.database.reading() as session:
        counts = {key: len(measured_over_time.results_of_device(session, key)) for key in range(1, 241)}
    several, once = (next(key for key, count in counts.items() if count == wanted) for wanted in (30, 10))
    assert visitor.get(f"/drift/device/{several}").status_code == 200
    assert "10 were looked at together" in visitor.words()
    assert visitor.get(f"/drift/device/{once}").status_code == 200
    assert "from the third inspection on" in visitor.words()
    assert visitor.get("/drift/device/9999").status_code == 404
