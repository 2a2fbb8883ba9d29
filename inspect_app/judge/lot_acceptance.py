"""From the devices of a sample to the outcome of the lot: counts against acceptance and rejection numbers."""

from collections.abc import Iterable, Sequence

from inspect_app.judge.verdict import outcome_of
from inspect_app.model import Judgement, Outcome, SamplingPlan, Severity


def nonconformities_of(judgements: Iterable[Judgement], severity: Severity) -> int:
    """Return how many demands of one class of nonconformity a device does not meet, by what each means for it."""
    return sum(outcome_of(one) is Outcome.REJECTED and one.limit.severity is severity for one in judgements)


def sample_count(plan: SamplingPlan, devices: Iterable[Sequence[Judgement]], severity: Severity) -> int:
    """Return what counts against a plan: nonconforming devices, or nonconformities where the plan counts these.

    Parameters
    ----------
    plan : SamplingPlan
        Of the class of nonconformity.
    devices : iterable of sequence of Judgement
        The judgements on each decided device of the sample.
    severity : Severity
        The class.
    """
    found = [nonconformities_of(judgements, severity) for judgements in devices]
    return sum(found) if plan.counts_nonconformities else sum(count > 0 for count in found)


def class_outcome(plan: SamplingPlan, *, lot_size: int, decided: int, count: int) -> Outcome:
    """Return what a plan says of a lot, as far as its sample is decided.

    Parameters
    ----------
    plan : SamplingPlan
        Of one class of nonconformity.
    lot_size : int
        Devices in the lot.
    decided : int
        Devices of the sample that are accepted or rejected.
    count : int
        What counts among them.

    Returns
    -------
    Outcome
        Rejected as soon as the rejection number is reached, accepted when the whole sample is decided and it is not,
        held meanwhile.

    Examples
    --------
    >>> plan = SamplingPlan(code_letter="J", final_letter="J", size=32, acceptance_number=0, rejection_number=2)
    >>> [class_outcome(plan, lot_size=900, decided=n, count=d).value for n, d in ((32, 1), (31, 0), (5, 2))]
    ['accepted', 'held', 'rejected']
    """
    if count >= plan.rejection_number:
        return Outcome.REJECTED
    return Outcome.ACCEPTED if decided >= plan.devices_of(lot_size) else Outcome.HELD


def lot_outcome(by_class: Iterable[Outcome]) -> Outcome:
    """Return the outcome of a lot: rejected when any class rejects it, accepted when all accept it, held meanwhile."""
    outcomes = set(by_class)
    if Outcome.REJECTED in outcomes:
        return Outcome.REJECTED
    return Outcome.ACCEPTED if outcomes == {Outcome.ACCEPTED} else Outcome.HELD
