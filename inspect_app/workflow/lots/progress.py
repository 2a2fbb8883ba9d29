"""Lots: how far each has come, and its devices."""

import enum
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from inspect_app.errors import NotFound
from inspect_app.model import Device, Document, Lot, Outcome, Person
from inspect_app.storage import Session, arrivals, inspections
from inspect_app.storage.arrivals import Arrived, LotCounts
from inspect_app.workflow.typed_text import normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

DEVICES_ON_A_PAGE: Final = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSummary:
    """A lot, and how many of its devices stand where; an untouched device has no inspection yet.

    `wanted` are the devices that are looked at: those of the sample where the lot is sampled and not screened, else
    all. The untouched ones are counted among them, none where the verdict on the sampled lot is given.
    """

    lot: Lot
    total: int
    wanted: int
    accepted: int
    rejected: int
    held: int
    open: int
    untouched: int


class DeviceState(enum.StrEnum):
    """How far a device of a lot has come."""

    UNTOUCHED = "untouched"
    OPEN = "open"
    CONCLUDED = "concluded"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotDevice:
    """One device of a lot."""

    device: Device
    arrival_note: str
    is_on_list: bool
    inspection_id: int | None
    state: DeviceState
    outcome: Outcome | None
    document: Document | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotDevicePage:
    """One page of the devices of a lot."""

    devices: tuple[LotDevice, ...]
    total: int
    page: int
    pages: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenInspection:
    """An inspection that somebody can go on with."""

    inspection_id: int
    device: Device
    lot: Lot
    opened_at: datetime
    opened_by: Person


def lots(workplace: Workplace) -> tuple[LotSummary, ...]:
    """Return all lots, the newest shipment first."""
    with reading(workplace) as session:
        return tuple(summary_of(counts) for counts in arrivals.lot_counts(session))


def lot(workplace: Workplace, lot_id: int) -> LotSummary:
    """Return one lot.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        found = arrivals.lot_counts(session, (lot_id,))
    if not found:
        raise NotFound(f"lot {lot_id}", "there is no such lot", "Choose one from the list.")
    return summary_of(found[0])


def summary_of(counts: LotCounts) -> LotSummary:
    """Return how far a lot has come."""
    signed = counts.accepted + counts.rejected + counts.held
    sample = counts.sample
    wanted = counts.total if sample is None else sample.devices
    if sample is not None and sample.is_decided:
        wanted = counts.inspected
    return LotSummary(
        lot=counts.lot,
        total=counts.total,
        wanted=wanted,
        accepted=counts.accepted,
        rejected=counts.rejected,
        held=counts.held,
        open=counts.inspected - signed,
        untouched=max(0, wanted - counts.inspected),
    )


def lot_devices(workplace: Workplace, lot_id: int) -> tuple[LotDevice, ...]:
    """Return the devices of a lot in the order in which they were received."""
    with reading(workplace) as session:
        return devices_in(session, lot_id)


def lot_device_page(workplace: Workplace, lot_id: int, page: int = 1) -> LotDevicePage:
    """Return one page of the devices of a lot in the order in which they were received; one beyond the last is that."""
    with reading(workplace) as session:
        total = arrivals.count_arrived(session, lot_id)
        pages = max(1, -(-total // DEVICES_ON_A_PAGE))
        page = min(max(1, page), pages)
        start = (page - 1) * DEVICES_ON_A_PAGE
        found = arrivals.arrived_in_lot(session, lot_id, start=start, count=DEVICES_ON_A_PAGE)
    return LotDevicePage(devices=tuple(map(_lot_device, found)), total=total, page=page, pages=pages)


def devices_in(session: Session, lot_id: int) -> tuple[LotDevice, ...]:
    """Return the devices of a lot as `lot_devices` does, within a transaction."""
    return tuple(_lot_device(arrived) for arrived in arrivals.arrived_in_lot(session, lot_id))


def _lot_device(arrived: Arrived) -> LotDevice:
    return LotDevice(
        device=arrived.device,
        arrival_note=arrived.note,
        is_on_list=arrived.is_on_list,
        inspection_id=arrived.inspection_id,
        state=_state(arrived),
        outcome=arrived.outcome,
        document=arrived.document,
    )


def _state(arrived: Arrived) -> DeviceState:
    if arrived.inspection_id is None:
        return DeviceState.UNTOUCHED
    return DeviceState.OPEN if arrived.outcome is None else DeviceState.CONCLUDED


def open_inspections(workplace: Workplace, serial: str | None = None) -> tuple[OpenInspection, ...]:
    """Return the inspections that are not signed, of one serial or of all, the one opened last first."""
    wanted = None if serial is None else normalise_serial(serial)
    with reading(workplace) as session:
        found = arrivals.open_arrivals(session, wanted)
        openings = inspections.openings(session, [one.inspection_id for one in found if one.inspection_id is not None])
    return tuple(
        OpenInspection(
            inspection_id=one.inspection_id,
            device=one.device,
            lot=one.lot,
            opened_at=openings[one.inspection_id].at,
            opened_by=openings[one.inspection_id].by,
        )
        for one in found
        if one.inspection_id is not None
    )
