"""What the record remembers: people, devices, instruments, entries, inspections, events."""

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from inspect_app.model.judged import Outcome
from inspect_app.model.measured import Measured


class Role(enum.StrEnum):
    """What an account may do: record, also approve, only read, or keep the accounts and instruments."""

    INSPECTOR = "inspector"
    APPROVER = "approver"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody with an account."""

    id: int
    login: str
    name: str
    role: Role
    is_active: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """The thing inspected: one serial number of one maker."""

    id: int
    maker: str
    serial: str
    device_class: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One calibration of an instrument; it counts from its date until it falls due."""

    certificate: str
    laboratory: str
    calibrated_on: date
    due_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """What was measured with; `kind` is what a form asks for, such as ``illuminance meter``."""

    id: int
    kind: str
    name: str
    serial: str
    calibrations: tuple[Calibration, ...] = ()

    def calibration_on(self, day: date) -> Calibration | None:
        """Return the calibration that counts on a day, or None when there is none or it is past due."""
        current = [c for c in self.calibrations if c.calibrated_on <= day <= c.due_on]
        return max(current, key=lambda c: c.calibrated_on, default=None)

    def latest_calibration(self) -> Calibration | None:
        """Return the newest calibration, past due or not."""
        return max(self.calibrations, key=lambda c: c.calibrated_on, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A file kept unchanged under the SHA-256 of its bytes.

    `role` says what it was to the step: ``scene``, ``dark`` or ``photo``.
    """

    sha256: str
    name: str
    media_type: str
    size_bytes: int
    role: str = "scene"
    kept_at: datetime | None = None


class EntryState(enum.StrEnum):
    """How far a step's answers have come."""

    DRAFT = "draft"
    RECORDED = "recorded"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A person's word on a computed result: the same captures measured again, with options that the person set.

    `options` are those that differ from what was answered, as texts: a region, changes to a map of spots. Without any
    the computed result counts again. `measured` is what counts from then on; what was computed is kept beside it.
    """

    options: Mapping[str, tuple[str, ...]]
    measured: Measured
    reason: str
    made_at: datetime
    made_by: Person

    @property
    def is_withdrawal(self) -> bool:
        """Whether it only lets the computed result count again."""
        return not self.options


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """The answers to one step, in one revision; a newer one never erases an older.

    Parameters
    ----------
    answers : mapping of str to tuple of str
        Option name to the texts typed; a question that takes one answer has a tuple of one.
    conditions : mapping of str to str
        Texts typed for the conditions of the bench, such as ``illuminance_lx_before``.
    instruments : tuple of Instrument
        What was measured with.
    evidence : tuple of Evidence
        Files kept for this entry.
    measured : Measured or None
        What counts: what the check found, or what the newest correction made of it; None for a draft, or when there is
        a problem.
    computed : Measured or None
        What the check found by itself, where a correction counts in its place.
    corrections : tuple of Correction
        Oldest first; the newest counts.
    problem : str or None
        Why there is no result, in words for the person at the bench.
    """

    id: int
    step_id: str
    revision: int
    state: EntryState
    answers: Mapping[str, tuple[str, ...]]
    conditions: Mapping[str, str]
    recorded_at: datetime
    recorded_by: Person
    instruments: tuple[Instrument, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    measured: Measured | None = None
    computed: Measured | None = None
    corrections: tuple[Correction, ...] = ()
    problem: str | None = None
    reason: str | None = None

    @property
    def counting_correction(self) -> Correction | None:
        """The correction whose result counts; None where the computed one does."""
        newest = self.corrections[-1] if self.corrections else None
        return None if newest is None or newest.is_withdrawal else newest


@dataclass(frozen=True, slots=True, kw_only=True)
class Shipment:
    """What a supplier delivered against a contract at one time."""

    id: int
    reference: str
    contract_number: str
    supplier: str
    received_at: datetime
    received_by: Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Devices of one class in a shipment, judged together."""

    id: int
    number: str
    device_class: str
    shipment: Shipment


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """The end of an inspection: who put their name to which verdict, when."""

    signed_at: datetime
    signed_by: Person
    outcome: Outcome
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One pass of one device through one form, against one revision of a contract.

    `entries` holds the newest entry of each step, keyed by step. `form_digest` and `contract_digest` are the SHA-256 of
    the definitions as they stood when it was opened.
    """

    id: int
    device: Device
    lot: Lot
    form_revision: str
    form_digest: str
    contract_revision: str
    contract_digest: str
    opened_at: datetime
    opened_by: Person
    entries: Mapping[str, Entry]
    signature: Signature | None = None
    arrival_note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One link of the audit chain: who did what when, sealed with the hash of the one before."""

    id: int
    at: datetime
    actor: str
    action: str
    subject: str
    detail: Mapping[str, str]
    digest: str
    previous_digest: str
