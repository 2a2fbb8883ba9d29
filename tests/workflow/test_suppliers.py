"""The record of a supplier: counts, exact intervals, switching, ageing."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from inspect_app import workflow
from inspect_app.model import Disposition, FollowUp, Stringency
from inspect_app.workflow.outcomes.suppliers import Rate
from tests.truth.sampled_lots import reject_lot
from tests.truth.workplaces import DEVICE_CLASS, Bench, receive
from tests.truth.workplaces import bench as opened


@pytest.fixture(scope="module")
def story(furnished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reject two lots of ten by their first device, one of them to go back; leave two devices that nobody looked at."""
    folder = tmp_path_factory.mktemp("story") / "instance"
    shutil.copytree(furnished, folder)
    with opened(folder) as bench:
        for reference in ("DN-1", "DN-2"):
            reject_lot(bench, reference, FollowUp.RETURN)
        receive(bench, "BM-001", "BM-002", reference="DN-3")
        found = workflow.nonconformities(bench.place)[0]
        workflow.dispose(bench.place, bench.approver, found.number, Disposition.RETURN, "to the maker")
    return folder


@pytest.fixture
def lived(story: Path, tmp_path: Path) -> Iterator[Bench]:
    shutil.copytree(story, tmp_path / "lived")
    with opened(tmp_path / "lived") as bench:
        yield bench


def later(bench: Bench, days: int):
    disposed = workflow.nonconformities(bench.place)[0].disposed
    moment = disposed.at + timedelta(days=days)
    return replace(bench.place, clock=lambda: moment)


def test_a_supplier_has_its_lots_rates_switching_and_open_returns(lived: Bench) -> None:
    """Truth: 2 of 2: the exact interval begins at 0.025 ** (1 / 2) = 0.158; two rejected lots tighten."""
    (record,) = workflow.supplier_records(later(lived, 45))

    assert (record.supplier, record.device_class) == ("Invented Maker", DEVICE_CLASS)
    assert (record.lots, record.devices) == (3, 22)
    assert record.lots_rejected == record.devices_rejected == Rate(found=2, of=2)
    assert record.lots_rejected.interval == pytest.approx((0.158114, 1.0), abs=1e-6)
    assert record.switching[0].state.stringency is Stringency.TIGHTENED
    assert [one.days for one in record.open_returns] == [45]
    assert record.ages == (0, 1, 0, 0)


@pytest.mark.parametrize(("days", "ages"), [(30, (1, 0, 0, 0)), (31, (0, 1, 0, 0)), (91, (0, 0, 0, 1))])
def test_open_returns_are_counted_by_age(lived: Bench, days: int, ages: tuple[int, ...]) -> None:
    assert workflow.supplier_records(later(lived, days))[0].ages == ages


def test_what_nobody_decided_has_no_rate() -> None:
    assert (Rate(found=0, of=0).share, Rate(found=0, of=0).interval) == (None, None)


def test_a_device_accepted_after_repair_still_counts_as_rejected_at_first(lived: Bench) -> None:
    found = workflow.nonconformities(lived.place)[0]
    workflow.dispose(lived.place, lived.approver, found.number, Disposition.REPAIR, "at our bench")

    workflow.inspect_again(lived.place, lived.inspector, found.inspection_id)

    assert workflow.supplier_records(lived.place)[0].devices_rejected == Rate(found=2, of=2)


def test_nonconformities_are_counted_by_kind_supplier_and_class(lived: Bench) -> None:
    counted = {by: workflow.nonconformity_pareto(lived.place, by) for by in ("kind", "supplier", "class")}

    assert [(rows[0].name, rows[0].count) for rows in counted.values()] == [
        ("bar-target: angular resolution", 2),
        ("Invented Maker", 2),
        ("major", 2),
    ]
