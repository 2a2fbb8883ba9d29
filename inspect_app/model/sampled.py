"""Sampling by attributes: how strictly a lot is looked at, the plan that says how many devices, and what it allows."""

import enum
from dataclasses import dataclass


class Edition(enum.StrEnum):
    """The published tables that a plan is taken from; the first two differ in reduced inspection and in switching."""

    MIL_STD_105E = "105E"
    ISO_2859_1 = "2859-1"
    MIL_STD_1916 = "1916"


class Stringency(enum.StrEnum):
    """How strictly the lots of a supplier are looked at."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """How many devices of a lot are looked at, and how many nonconforming ones decide.

    Parameters
    ----------
    code_letter : str
        Of the lot's size and the inspection level; empty where no table was used.
    final_letter : str
        Of the row that the arrows of the table lead to; it is this row's sample size that counts.
    size : int
        Devices of the sample as the table says, which may be more than the lot has.
    acceptance_number : int
        Largest count that accepts the lot.
    rejection_number : int
        Smallest count that rejects it; between the two, MIL-STD-105E's reduced inspection accepts the lot and goes back
        to normal.
    counts_nonconformities : bool
        Every nonconformity counts, not every device that has any: an AQL above 10 per 100 devices.
    """

    code_letter: str
    final_letter: str
    size: int
    acceptance_number: int
    rejection_number: int
    counts_nonconformities: bool = False

    def __post_init__(self) -> None:
        if self.size < 1 or not 0 <= self.acceptance_number < self.rejection_number:
            raise ValueError(f"no plan: {self}")

    @property
    def accepts_up_to(self) -> int:
        """The largest count with which the lot itself is still accepted."""
        return self.rejection_number - 1

    def devices_of(self, lot_size: int) -> int:
        """Return how many devices of a lot are looked at: every one where the sample is as large as the lot."""
        return min(self.size, lot_size)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSeen:
    """What the sample of a lot gave in one class of nonconformity, on first submission.

    Parameters
    ----------
    lot : str
        Its number, for people.
    aql : float or None
        None where the plan has none.
    stringency : Stringency
        With which it was looked at.
    devices : int
        Looked at.
    count : int
        Nonconforming devices among them, or nonconformities where the plan counts these.
    """

    lot: str
    plan: SamplingPlan
    aql: float | None
    stringency: Stringency
    devices: int
    count: int

    @property
    def is_accepted(self) -> bool:
        """Whether the lot is accepted in this class."""
        return self.count <= self.plan.accepts_up_to


class RulingKind(enum.StrEnum):
    """What the responsible authority may decide about a supplier's switching."""

    ALLOW_REDUCED = "reduced inspection allowed"
    BACK_TO_NORMAL = "back to normal inspection"
    RESUME = "inspection resumed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """A decision of the responsible authority, with who took it and why."""

    kind: RulingKind
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingState:
    """How the next lot of a supplier is looked at in one class of nonconformity, and why.

    Parameters
    ----------
    stringency : Stringency
        Of the next lot.
    is_discontinued : bool
        No lot is taken until the supplier's remedy was found to work.
    may_be_reduced : bool
        All figures allow reduced inspection; it needs the authority's consent.
    has_consent : bool
        The authority consented to reduced inspection.
    score : int
        Switching score of ISO 2859-1; 0 under the other standards.
    accepted_in_a_row : int
        Lots accepted one after the other under this stringency.
    rejected_on_tightened : int
        Lots not accepted since tightened inspection began.
    since : tuple of LotSeen
        Lots that counted under this stringency, oldest first.
    reason : str
        Of the last change of stringency, in words.
    """

    stringency: Stringency = Stringency.NORMAL
    is_discontinued: bool = False
    may_be_reduced: bool = False
    has_consent: bool = False
    score: int = 0
    accepted_in_a_row: int = 0
    rejected_on_tightened: int = 0
    since: tuple[LotSeen, ...] = ()
    reason: str = "Lots begin on normal inspection."


class PlanKind(enum.StrEnum):
    """How a contract wants the lots of a class of nonconformity looked at."""

    EVERY_DEVICE = "every-device"
    SINGLE = "single"
    ON_ZERO = "accept-on-zero"
    LIMITING_QUALITY = "limiting-quality"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPlan:
    """What a contract says of one class of nonconformity; which fields count depends on `kind`.

    Parameters
    ----------
    kind : PlanKind
        Every device with an acceptance number; single sampling by edition, level and AQL; MIL-STD-1916 by level; or the
        smallest sample that proves a limiting quality at a consumer's risk.
    """

    kind: PlanKind
    edition: Edition | None = None
    level: str = ""
    aql: float | None = None
    acceptance_number: int = 0
    limiting_percent: float = 0.0
    consumer_risk: float = 0.0

    @property
    def switches_by(self) -> Edition | None:
        """The standard whose switching rules hold; None where the plan is the same for every lot."""
        return Edition.MIL_STD_1916 if self.kind is PlanKind.ON_ZERO else self.edition
