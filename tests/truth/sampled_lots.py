"""Lots that are sampled: a contract with plans, and benches that inspect what was drawn.

A lot of ten bench monoculars takes letter B at level II: AQL 4.0 is n = 3, Ac 0 (MIL-STD-105E, Tables I and II-A); at
level S-1 it takes letter A: AQL 6.5 is n = 2, Ac 0. Tightened, AQL 4.0 leads to letter C: n = 5, Ac 0 (Table II-B).
"""

from inspect_app import workflow
from inspect_app.model import AboutFleet, AboutLot, AboutReturn, Disposition, FollowUp, RulingKind, Severity
from inspect_app.workflow import AcceptedArrival
from tests.truth.workplaces import CONTRACT, DEVICE_CLASS, GOOD_READINGS, POOR_READINGS, Bench, answer_all, sign

PLANS = """
[[sampling]]
device_class = "bench monocular"
severity = "major"
plan = "single"
edition = "2859-1"
level = "II"
aql = 4.0

[[sampling]]
device_class = "bench monocular"
severity = "minor"
plan = "single"
edition = "2859-1"
level = "S-1"
aql = 6.5
"""
SAMPLED = CONTRACT.replace("TST-001", "TST-002") + PLANS


def receive_sampled(bench: Bench, reference: str, devices: int = 10, contract: str = SAMPLED) -> int:
    """Receive a lot under the contract with plans and return its key."""
    number = workflow.adopt_contract(bench.place, None, contract, "tst-002.toml").number
    arrivals = [
        AcceptedArrival(serial=f"{reference}-{count:02d}", device_class=DEVICE_CLASS) for count in range(1, devices + 1)
    ]
    shipment = workflow.receive_shipment(bench.place, bench.inspector, number, reference, arrivals)
    return workflow.lots_of_shipment(bench.place, shipment.id)[0].id


def draw(bench: Bench, reference: str, devices: int = 10) -> int:
    """Receive a lot, draw its sample and return the lot's key."""
    lot_id = receive_sampled(bench, reference, devices)
    workflow.draw_sample(bench.place, bench.inspector, lot_id)
    return lot_id


def inspect_next(bench: Bench, lot_id: int, readings: tuple[str, ...] = GOOD_READINGS, snr: str = "40") -> str:
    """Inspect the next device of a lot, sign, and return its serial."""
    device = workflow.next_device(bench.place, lot_id)
    assert device is not None
    inspection = workflow.open_inspection(bench.place, bench.inspector, lot_id, device.device.id)
    answer_all(bench, inspection.id, readings, snr)
    sign(bench, inspection.id)
    return device.device.serial


def reject_lot(bench: Bench, reference: str, follow_up: FollowUp = FollowUp.RETURN, devices: int = 10) -> int:
    """Live a lot through whose first device decides it; return the lot's key."""
    lot_id = draw(bench, reference, devices)
    inspect_next(bench, lot_id, POOR_READINGS)
    workflow.decide_lot(bench.place, bench.inspector, lot_id, follow_up)
    return lot_id


def live_through_sampling(bench: Bench) -> None:
    """Fill the tables of sampled lots: a swap, a rejected lot, a return, the lot that comes again, a ruling."""
    lot_id = draw(bench, "DN-S1", devices=4)
    sample = [one.device.device.serial for one in workflow.lot_sampling(bench.place, lot_id).devices]
    outside = next(serial for serial in (f"DN-S1-{count:02d}" for count in range(1, 5)) if serial not in sample)
    workflow.change_sample(bench.place, bench.inspector, lot_id, outside, sample[-1], "its crate is locked")
    inspect_next(bench, lot_id, POOR_READINGS)
    workflow.decide_lot(bench.place, bench.inspector, lot_id, FollowUp.RESUBMIT, "sort it")
    found = workflow.nonconformities(bench.place)[0]
    workflow.dispose(bench.place, bench.approver, found.number, Disposition.RETURN, "back to the maker")
    workflow.send_back(bench.place, bench.inspector, found.device.maker, "RT-1", [found.device.id])
    number = workflow.lot(bench.place, lot_id).lot.number
    again = receive_sampled(bench, "DN-S2", devices=2)
    workflow.declare_resubmission(bench.place, bench.inspector, again, number, "sorted by the maker")
    workflow.rule_switching(
        bench.place,
        bench.approver,
        "Invented Maker",
        DEVICE_CLASS,
        Severity.MAJOR,
        RulingKind.ALLOW_REDUCED,
        "steady production",
    )


def issue_reports(bench: Bench) -> None:
    """Issue a report of each kind on what `live_through_sampling` did."""
    lot_id = min(one.lot.id for one in workflow.lots(bench.place))
    return_id = workflow.returns(bench.place)[0].id
    for about in (AboutLot(lot_id=lot_id), AboutReturn(return_shipment_id=return_id), AboutFleet()):
        workflow.issue_report(bench.place, bench.approver, about)
