"""Nonconformities: one for each demand that a rejected device did not meet, and what was done about it."""

import enum
from dataclasses import dataclass
from datetime import date, datetime

from inspect_app.model.judged import Severity
from inspect_app.model.record import Device, Lot, Person


class Disposition(enum.StrEnum):
    """What happens with a device because of a nonconformity."""

    RETURN = "return"
    REPAIR = "repair"
    REPLACE = "replace"
    CONCESSION = "concession"
    SCRAP = "scrap"


class NonconformityStep(enum.StrEnum):
    """A step in the life of a nonconformity."""

    CLASSIFIED = "classified"
    DISPOSED = "disposed"
    CLOSED = "closed"


def kind_of(check: str, quantity_name: str) -> str:
    """Return what kind of nonconformity a check and its quantity make, for counting."""
    return f"{check}: {quantity_name.replace('_', ' ')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class NonconformityAct:
    """One decision about a nonconformity: who took it, when and why.

    Parameters
    ----------
    severity : Severity or None
        The class given, where it was classified.
    disposition : Disposition or None
        Where it was disposed.
    valid_until : date or None
        Until when a concession counts.
    repeats : tuple of str
        Checks that a repair could have upset, besides the one that failed.
    """

    step: NonconformityStep
    reason: str
    at: datetime
    by: Person
    severity: Severity | None = None
    disposition: Disposition | None = None
    valid_until: date | None = None
    repeats: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Nonconformity:
    """A demand that a device did not meet when its inspection was signed, with all that was decided since.

    `contract_severity` is the class of the limit; `check` and `quantity_name` say what kind it is.
    """

    id: int
    number: str
    inspection_id: int
    device: Device
    lot: Lot
    clause: str
    title: str
    check: str
    quantity_name: str
    contract_severity: Severity
    step_id: str | None
    finding: str
    found_at: datetime
    found_by: Person
    acts: tuple[NonconformityAct, ...] = ()

    @property
    def kind(self) -> str:
        """What kind of nonconformity it is, for counting."""
        return kind_of(self.check, self.quantity_name)

    @property
    def severity(self) -> Severity:
        """The class that counts now."""
        given = [act.severity for act in self.acts if act.severity is not None]
        return given[-1] if given else self.contract_severity

    @property
    def disposed(self) -> NonconformityAct | None:
        """The disposition that counts now."""
        given = [act for act in self.acts if act.step is NonconformityStep.DISPOSED]
        return given[-1] if given else None

    @property
    def is_closed(self) -> bool:
        """Whether nothing is left to do."""
        return any(act.step is NonconformityStep.CLOSED for act in self.acts)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnShipment:
    """Devices sent back to their supplier together, each by key and serial."""

    id: int
    reference: str
    supplier: str
    remark: str
    sent_at: datetime
    sent_by: Person
    devices: tuple[tuple[int, str], ...]
