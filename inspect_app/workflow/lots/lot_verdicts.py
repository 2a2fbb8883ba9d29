"""The verdict on a sampled lot, what follows from it, and lots that come again."""

from collections.abc import Mapping
from typing import Final

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import FollowUp, Lot, Outcome, Person, SeverityCount
from inspect_app.storage import Session, arrivals
from inspect_app.storage import sampling as kept
from inspect_app.workflow.lots.sampling import LotSampling, sampling_of
from inspect_app.workflow.typed_text import clean_line, clean_reason, clean_remark
from inspect_app.workflow.workplace import Workplace, acting

FOLLOW_UPS: Final[Mapping[Outcome, tuple[FollowUp, ...]]] = {
    Outcome.ACCEPTED: (FollowUp.TAKE_IN,),
    Outcome.REJECTED: (FollowUp.RETURN, FollowUp.SCREEN, FollowUp.RESUBMIT),
    Outcome.HELD: (),
}
"""What may follow each outcome: a rejected lot goes back, is screened device by device, or is to come again."""


def decide_lot(workplace: Workplace, person: Person, lot_id: int, follow_up: FollowUp, remark: str = "") -> None:
    """Give the verdict that the sample leads to, and say what follows; the same again changes nothing.

    Raises
    ------
    NotAllowed
        The sample does not decide the lot yet, the follow-up does not fit its outcome, the lot is decided otherwise, or
        the person may not inspect.
    """
    remark = clean_remark("remark", remark)
    with acting(workplace, person, "inspect", "lot decided") as act:
        sampling = sampling_of(act.session, lot_id)
        if sampling is None or sampling.draw is None:
            raise NotAllowed(f"lot {lot_id}", "no sample of it was drawn", "Draw its sample and inspect it.")
        if sampling.verdict is not None:
            if sampling.verdict.follow_up is follow_up:
                return
            raise NotAllowed(
                sampling.lot.number,
                f"{sampling.verdict.decided_by.name} decided: {sampling.verdict.outcome}, {sampling.verdict.follow_up}",
                "A verdict on a lot is given once.",
            )
        _prove_fits(sampling, follow_up)
        kept.add_verdict(
            act,
            lot_id,
            outcome=sampling.outcome,
            follow_up=follow_up,
            counts=_counts(sampling),
            reason=remark,
            by=person,
        )
        act.tell(f"lot {sampling.lot.number}", outcome=sampling.outcome.value, follow_up=follow_up.value, remark=remark)


def _prove_fits(sampling: LotSampling, follow_up: FollowUp) -> None:
    possible = FOLLOW_UPS[sampling.outcome]
    if not possible:
        raise NotAllowed(sampling.lot.number, "its sample does not decide it yet", "Inspect the rest of the sample.")
    if follow_up not in possible:
        words = " or ".join(one.value for one in possible)
        raise NotAllowed(sampling.lot.number, f"its sample says {sampling.outcome.value}", f"Choose {words}.")


def _counts(sampling: LotSampling) -> tuple[SeverityCount, ...]:
    return tuple(
        SeverityCount(severity=one.plan.severity, devices=one.decided, count=one.count, outcome=one.outcome)
        for one in sampling.classes
    )


def declare_resubmission(workplace: Workplace, person: Person, lot_id: int, earlier_number: str, reason: str) -> None:
    """Say that a lot is a rejected one come again: tightened inspection, and it does not count in switching.

    Raises
    ------
    UnusableInput
        No reason is given, or no number.
    NotFound
        There is no such earlier lot.
    NotAllowed
        The sample was drawn already, the earlier lot was not rejected or is of another supplier or class, or the person
        may not inspect.
    """
    reason = clean_reason(reason, "Say what the supplier did to the lot.")
    number = clean_line("earlier lot", earlier_number)
    with acting(workplace, person, "inspect", "lot resubmitted") as act:
        sampling = sampling_of(act.session, lot_id)
        if sampling is None:
            raise NotAllowed(f"lot {lot_id}", "it is not sampled", "Inspect every device of it.")
        if sampling.resubmission is not None and sampling.resubmission.earlier.number == number:
            return
        if sampling.draw is not None or sampling.resubmission is not None:
            raise NotAllowed(sampling.lot.number, "its sample or its earlier lot is recorded", "That stays as it is.")
        earlier = _earlier(act.session, sampling.lot, number)
        kept.add_resubmission(act, lot_id, earlier_lot_id=earlier.id, reason=reason, by=person)
        act.tell(f"lot {sampling.lot.number}", earlier=number, reason=reason)


def _earlier(session: Session, lot: Lot, number: str) -> Lot:
    earlier = arrivals.lot_by_number(session, number)
    if earlier is None:
        raise NotFound(f"lot {number}", "there is no such lot", "Type the number that stands on its page.")
    if (earlier.shipment.supplier, earlier.device_class) != (lot.shipment.supplier, lot.device_class):
        raise UnusableInput("earlier lot", f"{number} is of another supplier or device class", "Name the rejected lot.")
    verdict = kept.verdict_on(session, earlier.id)
    if verdict is None or verdict.outcome is not Outcome.REJECTED or earlier.id >= lot.id:
        raise NotAllowed(number, "it was not rejected before this lot came", "Name the rejected lot.")
    again = kept.resubmitted_as(session, earlier.id)
    if again is not None:
        raise NotAllowed(number, f"it came again as lot {again.lot.number}", "Name that lot.")
    return earlier
