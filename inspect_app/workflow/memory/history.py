"""History: every device by its serial, and all that ever happened to it."""

from dataclasses import dataclass

from inspect_app.errors import NotFound
from inspect_app.model import Device, Document, Event, Inspection, Lot
from inspect_app.storage import arrivals, documents, inspections, signatures
from inspect_app.workflow.bench.inspecting import Assessment, judge_inspection
from inspect_app.workflow.typed_text import LONGEST_SERIAL, normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

_MOST_FOUND = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceArrival:
    """One time that a device arrived."""

    lot: Lot
    note: str
    is_on_list: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionHistory:
    """One inspection of a device with what was decided and issued."""

    inspection: Inspection
    assessment: Assessment
    documents: tuple[Document, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceHistory:
    """A device's whole past, newest first."""

    device: Device
    arrivals: tuple[DeviceArrival, ...]
    inspections: tuple[InspectionHistory, ...]
    events: tuple[Event, ...]


def find_devices(workplace: Workplace, text: str) -> tuple[Device, ...]:
    """Return the devices whose serial holds a text, an exact match first; at most 200, none for an empty text."""
    if not text.strip() or len(text) > LONGEST_SERIAL:
        return ()
    with reading(workplace) as session:
        return arrivals.find_devices(session, normalise_serial(text), _MOST_FOUND)


def device(workplace: Workplace, device_id: int) -> Device:
    """Return a device.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        found = arrivals.arrivals_of_device(session, device_id)
    if not found:
        raise NotFound(f"device {device_id}", "there is no such device", "Look its serial up.")
    return found[0].device


def device_history(workplace: Workplace, device_id: int) -> DeviceHistory:
    """Return all that is known of a device.

    Raises
    ------
    NotFound
        There is no such device.
    """
    with reading(workplace) as session:
        arrived = arrivals.arrivals_of_device(session, device_id)
        if not arrived:
            raise NotFound(f"device {device_id}", "there is no such device", "Look its serial up.")
        past = inspections.inspections_of_device(session, device_id)
        keys = [one.id for one in past]
        frozen = signatures.frozen_assessments(session, keys)
        issued = documents.documents_of_inspections(session, keys)
        events = documents.events_of_device(session, device_id)
    assessments = {
        key: Assessment(judgements=judgements, verdict=verdict) for key, (judgements, verdict) in frozen.items()
    }
    return DeviceHistory(
        device=arrived[0].device,
        arrivals=tuple(DeviceArrival(lot=one.lot, note=one.note, is_on_list=one.is_on_list) for one in arrived),
        inspections=tuple(
            InspectionHistory(
                inspection=one,
                assessment=assessments.get(one.id) or judge_inspection(workplace, one),
                documents=tuple(issued.get(one.id, ())),
            )
            for one in past
        ),
        events=events,
    )


def events(workplace: Workplace, before: int | None = None, count: int = 100) -> tuple[Event, ...]:
    """Return past events, newest first; `before` goes on from the oldest one seen."""
    with reading(workplace) as session:
        return documents.events(session, before, count)
