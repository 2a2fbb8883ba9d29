"""Two inspections of one device side by side: what changed beyond the uncertainty of both."""

import math
from dataclasses import dataclass
from typing import Final

from inspect_app.errors import UnusableInput
from inspect_app.model import Condition, Inspection
from inspect_app.model.characteristic import lasting_condition
from inspect_app.quantity import Quantity
from inspect_app.workflow.bench.inspecting import form_of
from inspect_app.workflow.memory.history import DeviceHistory
from inspect_app.workflow.workplace import Workplace

COVERAGE: Final = 2.0
"""Standard uncertainties of the difference that a change must exceed; about 95 % (GUM, JCGM 100:2008, G.6.6)."""
BY_CHANCE: Final = 0.05
"""Share of unchanged quantities that stand out all the same, the other side of about 95 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One quantity at two inspections, in the unit of the first.

    Both uncertainties are taken as independent; what both share, such as the scale of one meter, makes the true doubt
    of a difference smaller.
    """

    check: str
    quantity_name: str
    condition: Condition
    before: Quantity
    after: Quantity

    @property
    def difference(self) -> float:
        """After minus before."""
        return self.after.value - self.before.value

    @property
    def doubt(self) -> float:
        """COVERAGE times the standard uncertainty of the difference: sqrt(u1² + u2²)."""
        return COVERAGE * math.hypot(self.before.standard_uncertainty, self.after.standard_uncertainty)

    @property
    def stands_out(self) -> bool:
        """Whether the change exceeds the doubt of both."""
        return abs(self.difference) > self.doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """Two inspections of one device with every quantity that both measured, those that stand out first."""

    before: Inspection
    after: Inspection
    changes: tuple[Change, ...]

    @property
    def standing_out(self) -> int:
        """How many changed beyond the doubt of both."""
        return sum(one.stands_out for one in self.changes)

    @property
    def expected_by_chance(self) -> float:
        """How many would stand out though nothing changed."""
        return BY_CHANCE * len(self.changes)


def changes_between(workplace: Workplace, told: DeviceHistory, first_id: int, second_id: int) -> Changes:
    """Set two inspections of a device against one another, the earlier one first.

    Raises
    ------
    UnusableInput
        They are not two inspections of this device.
    """
    known = {one.inspection.id: one.inspection for one in told.inspections}
    if first_id == second_id or first_id not in known or second_id not in known:
        raise UnusableInput("inspections", "these are not two of this device", "Choose two of its inspections.")
    before, after = sorted((known[first_id], known[second_id]), key=lambda one: (one.opened_at, one.id))
    earlier, later = _results(workplace, before), _results(workplace, after)
    found = [
        Change(
            check=check,
            quantity_name=name,
            condition=condition,
            before=quantity,
            after=later[key][1].to(quantity.unit),
        )
        for key, (condition, quantity) in earlier.items()
        if key in later
        for check, name, _ in (key,)
    ]
    return Changes(before=before, after=after, changes=tuple(sorted(found, key=lambda one: not one.stands_out)))


_Key = tuple[str, str, tuple[tuple[str, str], ...]]


def _results(workplace: Workplace, inspection: Inspection) -> dict[_Key, tuple[Condition, Quantity]]:
    """Return what was measured; of several results under one condition, such as edges, the first."""
    found: dict[_Key, tuple[Condition, Quantity]] = {}
    for step in form_of(workplace, inspection).steps:
        entry = inspection.entries.get(step.id)
        if entry is None or entry.measured is None or entry.problem is not None:
            continue
        for result in entry.measured.results:
            condition = lasting_condition(step.condition, result.condition)
            told = tuple(sorted((name, str(value)) for name, value in condition.items()))
            found.setdefault((step.check, result.quantity_name, told), (condition, result.quantity))
    return found
