"""A device's past: one timeline, what changed beyond doubt, and who it was before."""

import math

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Disposition
from inspect_app.model.device_past import LinkKind
from tests.truth.workplaces import (
    GOOD_READINGS,
    POOR_READINGS,
    Bench,
    answer_all,
    receive,
    sign,
)


def told(bench: Bench, device_id: int = 1) -> workflow.DeviceHistory:
    return workflow.device_history(bench.place, device_id)


def happened(bench: Bench, device_id: int = 1) -> list[str]:
    return [one.title for one in workflow.timeline(bench.place, told(bench, device_id))]


def inspect(bench: Bench, lot_id: int, readings: tuple[str, ...], snr: str = "40") -> int:
    """Open, answer and sign the inspection of a lot's first device."""
    device = workflow.lot_devices(bench.place, lot_id)[0].device
    inspection_id = workflow.open_inspection(bench.place, bench.inspector, lot_id, device.id).id
    answer_all(bench, inspection_id, readings, snr)
    sign(bench, inspection_id)
    return inspection_id


def test_the_timeline_tells_everything_from_delivery_to_return_the_newest_first(bench: Bench) -> None:
    inspect(bench, receive(bench, "BM-001"), POOR_READINGS)
    workflow.dispose(bench.place, bench.approver, "NC-2026-0001", Disposition.RETURN, "by letter")
    workflow.send_back(bench.place, bench.inspector, "Invented Maker", "R-1", [1])

    assert happened(bench) == [
        "Sent back to Invented Maker under R-1",
        "NC-2026-0001 disposed: return",
        "NC-2026-0001: 4.1 Resolution by eye not met",
        "Signed: rejected",
        "Inspection opened, form revision A",
        "Received from Invented Maker under DN-1, lot TST-001-L01",
    ]
    assert workflow.custody_of(workflow.timeline(bench.place, told(bench))).startswith("with its supplier since")


def test_a_change_stands_out_where_it_exceeds_twice_the_root_of_both_variances(bench: Bench) -> None:
    """SNR read as 40 ± 1 and then as 37 ± 1: 3 > 2 √2 = 2.83; a further reading of 39 ± 1 is within it."""
    first = inspect(bench, receive(bench, "BM-001", reference="DN-1"), GOOD_READINGS, snr="40")
    second = inspect(bench, receive(bench, "BM-001", reference="DN-2"), GOOD_READINGS, snr="37")
    third = inspect(bench, receive(bench, "BM-001", reference="DN-3"), GOOD_READINGS, snr="39")

    def ratio(before: int, after: int) -> workflow.Change:
        found = workflow.changes_between(bench.place, told(bench), before, after)
        return next(one for one in found.changes if one.quantity_name == "snr")

    fallen, level = ratio(second, first), ratio(third, second)

    assert (fallen.difference, fallen.doubt) == (pytest.approx(-3), pytest.approx(2 * math.sqrt(2)))
    assert fallen.stands_out
    assert not level.stands_out


def test_changes_are_asked_of_two_inspections_of_the_device(bench: Bench) -> None:
    first = inspect(bench, receive(bench, "BM-001"), GOOD_READINGS)

    for pair in ((first, first), (first, 99)):
        with pytest.raises(UnusableInput, match="not two of this device"):
            workflow.changes_between(bench.place, told(bench), *pair)


def test_a_link_shows_in_both_pasts_until_it_is_taken_back(either_bench: Bench) -> None:
    bench = either_bench
    receive(bench, "BM-001", "BM-002")

    workflow.link_devices(bench.place, bench.approver, 2, 1, LinkKind.REMARKED, "new label after repair")
    workflow.link_devices(bench.place, bench.approver, 2, 1, LinkKind.REMARKED, "said twice")

    assert happened(bench, 2)[0] == "Was BM-001 of Invented Maker before: re-marked"
    assert happened(bench, 1)[0] == "Is BM-002 of Invented Maker since: re-marked"
    assert len(workflow.links_of(bench.place, 1)) == 1

    workflow.link_devices(bench.place, bench.approver, 2, 1, LinkKind.NOT_THE_SAME, "the housing differs")

    assert workflow.standing_links(workflow.links_of(bench.place, 1)) == ()
    assert happened(bench, 2)[0] == "Not BM-001 of Invented Maker after all"
    assert workflow.verify(bench.place).problems == ()


def test_a_link_is_an_approvers_word_with_a_reason_on_two_devices(bench: Bench) -> None:
    receive(bench, "BM-001", "BM-002")

    with pytest.raises(NotAllowed):
        workflow.link_devices(bench.place, bench.inspector, 2, 1, LinkKind.REMARKED, "seen")
    with pytest.raises(NotAllowed):
        workflow.link_devices(bench.place, bench.auditor, 2, 1, LinkKind.REMARKED, "seen")
    with pytest.raises(UnusableInput, match="reason"):
        workflow.link_devices(bench.place, bench.approver, 2, 1, LinkKind.REMARKED, " ")
    with pytest.raises(UnusableInput, match="itself"):
        workflow.link_devices(bench.place, bench.approver, 1, 1, LinkKind.REMARKED, "seen")
    with pytest.raises(NotFound):
        workflow.link_devices(bench.place, bench.approver, 1, 99, LinkKind.REMARKED, "seen")
    workflow.link_devices(bench.place, bench.approver, 2, 1, LinkKind.CHANGED_HANDS, "bought by another unit")
    with pytest.raises(UnusableInput, match="other way round"):
        workflow.link_devices(bench.place, bench.approver, 1, 2, LinkKind.REMARKED, "seen")
