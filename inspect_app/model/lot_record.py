"""What the record remembers of a lot: the sample that was drawn, changes to it, the verdict, and what followed."""

import enum
from dataclasses import dataclass
from datetime import datetime

from inspect_app.model.judged import Outcome, Severity
from inspect_app.model.record import Lot, Person
from inspect_app.model.sampled import LotPlan, SamplingPlan, Stringency


class FollowUp(enum.StrEnum):
    """What happens with a lot after its verdict."""

    TAKE_IN = "take in"
    RETURN = "return"
    SCREEN = "screen"
    RESUBMIT = "resubmit"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityPlan:
    """The plan of one class of nonconformity for one lot, as it stood when the sample was drawn."""

    severity: Severity
    demand: LotPlan
    stringency: Stringency
    plan: SamplingPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleChange:
    """A device added to a sample, or taken in place of another, with the reason."""

    device_id: int
    replaced_device_id: int | None
    reason: str
    changed_at: datetime
    changed_by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleDraw:
    """The random draw of a lot: from `seed` and the lot's serials the order of the devices follows."""

    id: int
    lot_id: int
    seed: str
    lot_size: int
    plans: tuple[SeverityPlan, ...]
    drawn_at: datetime
    drawn_by: Person
    changes: tuple[SampleChange, ...] = ()

    @property
    def size(self) -> int:
        """Devices that are fetched: as many as the largest plan wants."""
        return max(one.plan.devices_of(self.lot_size) for one in self.plans)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityCount:
    """What a lot's sample gave in one class of nonconformity."""

    severity: Severity
    devices: int
    count: int
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class LotVerdict:
    """The verdict on a lot, with the counts that it follows from and what is done next."""

    outcome: Outcome
    follow_up: FollowUp
    counts: tuple[SeverityCount, ...]
    reason: str
    decided_at: datetime
    decided_by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Resubmission:
    """A lot that comes again after it was rejected: looked at on tightened inspection, outside the switching."""

    lot: Lot
    earlier: Lot
    reason: str
    declared_at: datetime
    declared_by: Person
