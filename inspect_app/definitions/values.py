"""What a form asks and what a contract demands, as frozen values proved against the checks."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from inspect_app.model import Condition, Limit, LotPlan, Severity, SpotAllowance

OptionValue = str | int | float | tuple[str, ...] | tuple[float, ...]
"""What a form may fix an option to; true and false are whole numbers too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A condition that is read at the bench, and between what it must lie for the result to count.

    Parameters
    ----------
    name : str
        With its unit: ``illuminance_lx``, ``temperature_c``.
    unit : str
        As printed.
    label : str
        As asked.
    low, high : float
        In `unit`.
    before_and_after : bool
        Read twice, before and after the captures.
    """

    name: str
    unit: str
    label: str
    low: float
    high: float
    before_and_after: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One option of the check, or one role of its captures, that is asked at the bench.

    `way` groups questions of which one group is answered, such as ``from captures`` and ``read by eye``; empty where
    there is but one way. `kind` is ``number``, ``choice``, ``text``, ``region`` (of a picture), ``list`` (one answer a
    line) or ``captures``. A list with `items` is a checklist: its answers are ``ITEM=yes``, ``ITEM=no`` or
    ``ITEM=cannot tell``, one for each. One with `readers` is answered by so many people, each under their own account
    and blind to the others.
    """

    name: str
    label: str
    kind: str
    hint: str = ""
    unit: str | None = None
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    is_optional: bool = False
    way: str = ""
    items: tuple[str, ...] = ()
    readers: int = 0

    def items_left(self, answers: Sequence[str]) -> tuple[str, ...]:
        """Return the items of a checklist that none of the answers speaks of."""
        answered = {answer.rpartition("=")[0].strip().casefold() for answer in answers}
        return tuple(item for item in self.items if item.casefold() not in answered)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDoubt:
    """The standard uncertainty that a step is expected to reach in one quantity.

    `absolute` is in the check's unit for the quantity, `percent` of the value; they combine in quadrature. `basis` says
    how it is known.
    """

    absolute: float = 0.0
    percent: float = 0.0
    basis: str = ""

    def at(self, value: float) -> float:
        """Return the standard uncertainty of a value, in the check's unit."""
        return math.hypot(self.absolute, self.percent / 100 * value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One check under stated conditions.

    Parameters
    ----------
    id : str
        Unique in the form; lower case letters, digits, dots and hyphens.
    check : str
        Name of the check.
    condition : mapping
        Nominal; every result of the step carries it.
    fixed : mapping
        Options that are not asked.
    windows : tuple of Window
        Conditions that are read at the bench.
    cautions : tuple of str
        The warnings in full words.
    instruments : tuple of str
        Kinds of instrument that must be named, each in calibration.
    wants_photos : bool
        Photographs may be added as evidence.
    expected : mapping of str to ExpectedDoubt
        By quantity.
    """

    id: str
    check: str
    title: str
    instruction: str
    condition: Condition = field(default_factory=dict)
    fixed: Mapping[str, OptionValue] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()
    questions: tuple[Question, ...] = ()
    cautions: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()
    wants_photos: bool = False
    expected: Mapping[str, ExpectedDoubt] = field(default_factory=dict)

    @property
    def read_apart(self) -> Question | None:
        """The question that several readers answer, each blind to the others."""
        return next((question for question in self.questions if question.readers), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """The ordered steps of a device class; `digest` is the SHA-256 of `source`, the TOML text as read."""

    device_class: str
    title: str
    revision: str
    steps: tuple[Step, ...]
    source: str
    digest: str

    def step(self, step_id: str) -> Step:
        """Return the step with this id; KeyError where there is none."""
        for step in self.steps:
            if step.id == step_id:
                return step
        raise KeyError(step_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """What was ordered: for each device class its limits, spot tables and lot plans.

    `digest` is the SHA-256 of `source`. A class of nonconformity without a lot plan is looked at in every device, and
    decides nothing about the lot. Accepted devices of a class are inspected again after `repeat_after_months`.
    """

    number: str
    revision: str
    title: str
    buyer: str
    supplier: str
    note: str
    limits: Mapping[str, tuple[Limit, ...]]
    spot_allowances: Mapping[str, tuple[SpotAllowance, ...]]
    source: str
    digest: str
    lot_plans: Mapping[str, Mapping[Severity, LotPlan]] = field(default_factory=dict)
    repeat_after_months: Mapping[str, int] = field(default_factory=dict)

    @property
    def device_classes(self) -> tuple[str, ...]:
        """The classes that the contract speaks of."""
        return tuple(self.limits)
