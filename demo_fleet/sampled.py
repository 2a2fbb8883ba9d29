"""The sampled lot of the demo: drawn when it comes, decided by its sample, and screened where that rejects it."""

from collections.abc import Sequence
from dataclasses import replace
from hashlib import sha256

from inspect_app import workflow
from inspect_app.model import AboutLot, FollowUp, Lot, Outcome, Person
from inspect_app.workflow import Workplace


def seed_for(reference: str) -> str:
    """Return the seed of a delivery note's draw: no random one, so that the demo is the same everywhere."""
    return sha256(f"demo {reference} 0".encode()).hexdigest()


def draw_samples(place: Workplace, inspector: Person, lots: Sequence[Lot]) -> frozenset[int]:
    """Draw what is not drawn yet, and return the devices of these lots that are inspected first."""
    first: set[int] = set()
    for lot in lots:
        if workflow.lot_sampling(place, lot.id) is None:
            first |= {held.device.id for held in workflow.lot_devices(place, lot.id)}
            continue
        seed = seed_for(lot.shipment.reference)
        workflow.draw_sample(replace(place, draw_seed=lambda seed=seed: seed), inspector, lot.id)
        drawn = workflow.lot_sampling(place, lot.id)
        first |= {one.device.device.id for one in drawn.devices} if drawn is not None else set()
    return frozenset(first)


def decide_lots(place: Workplace, inspector: Person, lots: Sequence[Lot]) -> None:
    """Give the verdicts that the samples lead to: an accepted lot is taken in, a rejected one screened."""
    for lot in lots:
        sampling = workflow.lot_sampling(place, lot.id)
        if sampling is not None and sampling.outcome is not Outcome.HELD:
            accepted = sampling.outcome is Outcome.ACCEPTED
            follow_up = FollowUp.TAKE_IN if accepted else FollowUp.SCREEN
            remark = "" if accepted else "The service needs monoculars: every device is inspected, the good ones stay."
            workflow.decide_lot(place, inspector, lot.id, follow_up, remark)


def report_lots(place: Workplace, approver: Person, lots: Sequence[Lot]) -> None:
    """Issue the report of each sampled lot; one that was issued stands."""
    for lot in lots:
        if workflow.lot_sampling(place, lot.id) is not None:
            workflow.issue_report(place, approver, AboutLot(lot_id=lot.id))
