"""One timeline of a device: shipments, inspections, nonconformities and what was decided, custody, papers, identity."""

from collections.abc import Iterator, Sequence

from inspect_app.model import Nonconformity, NonconformityStep, ReturnShipment
from inspect_app.model.device_past import DeviceLink, Happening, HappeningKind, LinkKind
from inspect_app.storage import links, nonconformities
from inspect_app.workflow.memory.history import DeviceHistory, InspectionHistory
from inspect_app.workflow.workplace import Workplace, reading


def timeline(workplace: Workplace, told: DeviceHistory) -> tuple[Happening, ...]:
    """Return all that happened to a device, the newest first."""
    signed = {one.inspection.id for one in told.inspections if one.inspection.signature is not None}
    with reading(workplace) as session:
        every = nonconformities.nonconformities(session, device_ids=(told.device.id,))
        found = [one for one in every if one.inspection_id in signed]
        sent = nonconformities.returns_of_device(session, told.device.id)
        said = links.links_of_device(session, told.device.id)
    happenings = [
        *_shipments(told),
        *(happening for one in told.inspections for happening in _inspection(one)),
        *(happening for one in found for happening in _nonconformity(one)),
        *_returns(sent),
        *(_link(one, told.device.id) for one in said),
    ]
    # What happened in one act stands here in the order in which it follows: a nonconformity behind its verdict.
    return tuple(sorted(happenings, key=lambda one: one.at))[::-1]


def links_of(workplace: Workplace, device_id: int) -> tuple[DeviceLink, ...]:
    """Return all that was ever said of a device and others, oldest first."""
    with reading(workplace) as session:
        return links.links_of_device(session, device_id)


def custody_of(happenings: Sequence[Happening]) -> str:
    """Return who holds a device, in words, by the newest shipment or return of a timeline."""
    moved = (one for one in happenings if one.kind in (HappeningKind.SHIPMENT, HappeningKind.CUSTODY))
    newest = next(moved, None)
    if newest is None:
        return "unknown"
    since = f"since {newest.at:%Y-%m-%d}"
    return f"in the house {since}" if newest.kind is HappeningKind.SHIPMENT else f"with its supplier {since}"


def _shipments(told: DeviceHistory) -> Iterator[Happening]:
    for arrival in told.arrivals:
        shipment = arrival.lot.shipment
        notes = (arrival.note, "" if arrival.is_on_list else "it was not on the packing list")
        yield Happening(
            kind=HappeningKind.SHIPMENT,
            at=shipment.received_at,
            by=shipment.received_by.name,
            title=f"Received from {shipment.supplier} under {shipment.reference}, lot {arrival.lot.number}",
            detail="; ".join(note for note in notes if note),
            about=str(arrival.lot.id),
        )


def _inspection(past: InspectionHistory) -> Iterator[Happening]:
    inspection, signature = past.inspection, past.inspection.signature
    yield Happening(
        kind=HappeningKind.INSPECTION,
        at=inspection.opened_at,
        by=inspection.opened_by.name,
        title=f"Inspection opened, form revision {inspection.form_revision}",
        detail=f"contract {inspection.lot.shipment.contract_number} revision {inspection.contract_revision}",
        about=str(inspection.id),
    )
    if signature is not None:
        yield Happening(
            kind=HappeningKind.VERDICT,
            at=signature.signed_at,
            by=signature.signed_by.name,
            title=f"Signed: {signature.outcome.value}",
            detail=past.assessment.verdict.reason,
            about=str(inspection.id),
        )
    for document in past.documents:
        yield Happening(
            kind=HappeningKind.DOCUMENT,
            at=document.issued_at,
            by=document.issued_by.name,
            title=f"{document.kind.value.capitalize()} {document.number} issued",
            about=document.number,
        )
        if document.end is not None:
            yield Happening(
                kind=HappeningKind.DOCUMENT,
                at=document.end.ended_at,
                by=document.end.ended_by.name,
                title=f"{document.kind.value.capitalize()} {document.number} {document.end.manner.value}",
                detail=document.end.reason,
                about=document.number,
            )


def _nonconformity(found: Nonconformity) -> Iterator[Happening]:
    yield Happening(
        kind=HappeningKind.NONCONFORMITY,
        at=found.found_at,
        by=found.found_by.name,
        title=f"{found.number}: {found.clause} {found.title} not met",
        detail=found.finding,
        about=found.number,
    )
    for act in found.acts:
        if act.step is NonconformityStep.DISPOSED and act.disposition is not None:
            until = f" until {act.valid_until.isoformat()}" if act.valid_until else ""
            words = f"disposed: {act.disposition.value}{until}"
        elif act.step is NonconformityStep.CLASSIFIED and act.severity is not None:
            words = f"classified as {act.severity.value}"
        else:
            words = "closed"
        yield Happening(
            kind=HappeningKind.DISPOSITION,
            at=act.at,
            by=act.by.name,
            title=f"{found.number} {words}",
            detail=act.reason,
            about=found.number,
        )


def _returns(sent: Sequence[ReturnShipment]) -> Iterator[Happening]:
    for one in sent:
        yield Happening(
            kind=HappeningKind.CUSTODY,
            at=one.sent_at,
            by=one.sent_by.name,
            title=f"Sent back to {one.supplier} under {one.reference}",
            detail=one.remark,
        )


def _link(link: DeviceLink, device_id: int) -> Happening:
    is_later = link.device.id == device_id
    other = link.predecessor if is_later else link.device
    name = f"{other.serial} of {other.maker}"
    if link.kind is LinkKind.NOT_THE_SAME:
        title = f"Not {name} after all"
    elif is_later:
        title = f"Was {name} before: {link.kind.value}"
    else:
        title = f"Is {name} since: {link.kind.value}"
    return Happening(
        kind=HappeningKind.IDENTITY,
        at=link.linked_at,
        by=link.linked_by.name,
        title=title,
        detail=link.reason,
        about=str(other.id),
    )
