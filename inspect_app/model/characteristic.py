"""What can be measured of a device class, the same from device to device, and results listed under it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from inspect_app.model.judged import Finding, Limit
from inspect_app.model.measured import Condition, ConditionValue
from inspect_app.quantity import Quantity

# Where on the picture, how often, at which moments: these differ from device to device and ask nothing else.
_TELLS_NOTHING: Final = frozenset({"roi", "readers", "runs", "repeats", "events", "frames", "onset_ms", "half_ms"})
CARRIED_OVER: Final = "carried over from inspection"
"""How the reason of an entry begins that repeats one of an earlier inspection of the same device."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Characteristic:
    """One quantity of one check under one lasting condition, in one unit, of one device class."""

    id: int
    device_class: str
    check: str
    quantity_name: str
    condition: Condition
    unit: str

    def is_meant_by(self, limit: Limit) -> bool:
        """Say whether a limit on this class speaks of it."""
        return (
            limit.check == self.check
            and limit.quantity_name == self.quantity_name
            and all(self.condition.get(name) == value for name, value in limit.condition.items())
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedResult:
    """A result of an inspection; `finding` is that of the judgement which was signed on it, None where none was.

    `ordinal` is its place in the measurement of the entry, where budget and curves stand.
    """

    characteristic_id: int
    device_id: int
    inspection_id: int
    entry_id: int
    ordinal: int
    measured_at: datetime
    quantity: Quantity
    finding: Finding | None = None


def lasting_condition(of_step: Condition, of_result: Mapping[str, ConditionValue]) -> dict[str, ConditionValue]:
    """Return what tells a result from its siblings on every device: nominal and own condition without what varies."""
    return {name: value for name, value in {**of_step, **of_result}.items() if name not in _TELLS_NOTHING}
