"""What a contract demands, and what was decided about it."""

import enum
import math
from dataclasses import dataclass, field

from inspect_app.model.measured import Condition
from inspect_app.quantity import Quantity


class DecisionRule(enum.StrEnum):
    """How doubt is handled when a result meets a limit; sources and zones stand in `inspect_app.judge.rules`."""

    SIMPLE = "simple"
    GUARDED = "guarded"
    GUARD_U = "guard-U"
    ISO14253_BUYER = "iso14253-buyer"
    ISO14253_SUPPLIER = "iso14253-supplier"
    NONBINARY = "nonbinary"
    PROBABILITY = "probability"


class Severity(enum.StrEnum):
    """The class of a nonconformity, worst first."""

    CRITICAL = "critical"
    MAJOR = "major"
    MINOR = "minor"


class Outcome(enum.StrEnum):
    """The verdict on a device or a lot."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"
    HELD = "held"


class Over(enum.StrEnum):
    """How a limit reads several results: the worst of them, each by itself, or their mean."""

    WORST = "worst"
    EACH = "each"
    MEAN = "mean"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A demand of the contract on one quantity.

    `condition` names what a result must carry to be meant; a result may carry more. At least one of `at_least` and
    `at_most` is given, both in `unit`. `element` names the element of the 1951 target that the bound stands for, such
    as ``6,2``; empty where the contract gave a number. `p_min` is the least probability of conformity that the rule of
    probability accepts, between 0 and 1; None with any other rule. `conditional_pass` and
    `conditional_fail` say what these two findings of the non-binary rule mean for the device.
    """

    clause: str
    title: str
    check: str
    quantity_name: str
    unit: str
    at_least: float | None = None
    at_most: float | None = None
    condition: Condition = field(default_factory=dict)
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    severity: Severity = Severity.MAJOR
    over: Over = Over.WORST
    element: str = ""
    p_min: float | None = None
    conditional_pass: Outcome = Outcome.ACCEPTED
    conditional_fail: Outcome = Outcome.REJECTED

    def __post_init__(self) -> None:
        bounds = [bound for bound in (self.at_least, self.at_most) if bound is not None]
        if not bounds or not all(math.isfinite(bound) for bound in bounds):
            raise ValueError(f"limit {self.clause} needs a finite bound")
        if bounds != sorted(bounds):
            raise ValueError(f"limit {self.clause} asks for at least {self.at_least} and at most {self.at_most}")
        if (self.p_min is not None) != (self.decision_rule is DecisionRule.PROBABILITY):
            raise ValueError(
                f"limit {self.clause}: a least probability belongs to the rule of probability, and only there"
            )
        if self.p_min is not None and not 0 < self.p_min < 1:
            raise ValueError(f"limit {self.clause}: a probability of {self.p_min} cannot be asked for")


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotClass:
    """One row of a spot allowance table: spots larger than and up to a diameter, and how many each zone may hold.

    `at_most_mm` is None for the open last row. `allowed` has one count per zone, zone 1 first.
    """

    larger_than_mm: float
    at_most_mm: float | None
    allowed: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotAllowance:
    """A table of the contract: how many spots of each size class each zone may hold.

    Spots fainter than `contrast_at_least` and not larger than the first row's lower bound do not count; spots larger
    than a closed last row are not allowed at all. With the guarded rule a spot counts in every class that its diameter
    may belong to.
    """

    clause: str
    title: str
    check: str
    classes: tuple[SpotClass, ...]
    polarity: str = "dark"
    contrast_at_least: float = 0.0
    condition: Condition = field(default_factory=dict)
    decision_rule: DecisionRule = DecisionRule.GUARDED
    severity: Severity = Severity.MAJOR


class Finding(enum.StrEnum):
    """What a judgement says of one result against one limit; the conditional ones are of ILAC-G8:09/2019, 4.2.3."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    INCONCLUSIVE = "inconclusive"
    NOT_MEASURED = "not measured"
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - a finding, no password
    CONDITIONAL_FAIL = "conditional fail"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """One demand of the contract, decided.

    Parameters
    ----------
    limit : Limit or SpotAllowance
        The demand.
    finding : Finding
        The decision.
    reason : str
        One sentence that says why, with the figures.
    quantity : Quantity or None
        The result in the limit's unit; None when not measured, or for a spot table.
    condition : mapping
        Of the deciding result.
    acceptance_at_least, acceptance_at_most : float or None
        Limits for the result after the guard band, in the limit's unit.
    guard_band : float
        In the limit's unit; 0 for the simple rule.
    coverage_factor : float or None
        Standard uncertainties that the guard band is wide, or for the simple rule that U is; Student's t where degrees
        of freedom are few. None when not measured, or for an exact count.
    margin : float or None
        Distance from the result to the nearer acceptance limit, in the limit's unit; negative beyond it.
    probability_of_conformity : float or None
        JCGM 106:2012, clause 7; None when not measured.
    specific_risk : float or None
        Probability that the decision is wrong for this device (JCGM 106:2012, 9.3): that of conformity where it is
        rejected, of nonconformity where it is accepted, or would be. None when not measured.
    step_id : str or None
        The step that the deciding result came from.
    """

    limit: Limit | SpotAllowance
    finding: Finding
    reason: str
    quantity: Quantity | None = None
    condition: Condition = field(default_factory=dict)
    acceptance_at_least: float | None = None
    acceptance_at_most: float | None = None
    guard_band: float = 0.0
    coverage_factor: float | None = None
    margin: float | None = None
    probability_of_conformity: float | None = None
    specific_risk: float | None = None
    step_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The verdict on a device, with the judgements that decided it (none when accepted)."""

    outcome: Outcome
    deciding: tuple[Judgement, ...]
    reason: str
