"""A device's past beyond its inspections: what happened to it in order, and as what else it was known."""

import enum
from dataclasses import dataclass
from datetime import datetime

from inspect_app.model.record import Device, Person


class LinkKind(enum.StrEnum):
    """How a device came by another identity, or that it is none after all."""

    REMARKED = "re-marked"
    CHANGED_HANDS = "changed hands"
    NOT_THE_SAME = "not the same after all"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceLink:
    """An approver's word that two devices on record are one: `device` is the later identity of `predecessor`."""

    device: Device
    predecessor: Device
    kind: LinkKind
    reason: str
    linked_at: datetime
    linked_by: Person


class HappeningKind(enum.StrEnum):
    """What kind of thing happened to a device."""

    SHIPMENT = "shipment"
    INSPECTION = "inspection"
    VERDICT = "verdict"
    NONCONFORMITY = "nonconformity"
    DISPOSITION = "disposition"
    CUSTODY = "custody"
    DOCUMENT = "document"
    IDENTITY = "identity"


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened to a device; `about` is the key or number of what it speaks of."""

    kind: HappeningKind
    at: datetime
    by: str
    title: str
    detail: str = ""
    about: str = ""
