"""References: what is measured again and again to see whether the bench is still what it was."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from inspect_app.model.measured import Condition
from inspect_app.model.record import Person
from inspect_app.quantity import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One quantity of an artefact that does not change, such as a chart or a device kept back.

    `condition` tells the result that is watched from its siblings; `options` are given to the check with each capture.
    """

    id: int
    name: str
    check: str
    quantity_name: str
    unit: str
    condition: Condition = field(default_factory=dict)
    options: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceReading:
    """One reading of a reference; numbers count from one. `files` are the captures, each by digest and name."""

    number: int
    quantity: Quantity
    read_at: datetime
    read_by: Person
    remark: str = ""
    files: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceLimits:
    """Control limits set from the readings `first` to `last`; they count for readings after `after`."""

    first: int
    last: int
    after: int
    centre: float
    sigma: float
    reason: str
    set_at: datetime
    set_by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """An approver's word that signals up to a reading are explained; later readings are judged afresh."""

    through: int
    reason: str
    cleared_at: datetime
    cleared_by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedReference:
    """A reference with all that was read and decided, oldest first."""

    reference: Reference
    readings: tuple[ReferenceReading, ...] = ()
    limits: tuple[ReferenceLimits, ...] = ()
    clearances: tuple[Clearance, ...] = ()
