"""Nonconformities: classified, disposed of, sent back, inspected again, closed; each act with who, when and why."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import (
    Device,
    Disposition,
    Evidence,
    Nonconformity,
    NonconformityStep,
    Outcome,
    Person,
    ReturnShipment,
    Severity,
)
from inspect_app.storage import Act, Session, inspections
from inspect_app.storage import nonconformities as kept
from inspect_app.storage.waiting_returns import waiting_nonconformities, waiting_returns
from inspect_app.workflow.bench.inspecting import existing
from inspect_app.workflow.typed_text import clean_line, clean_reason, clean_remark
from inspect_app.workflow.workplace import Workplace, acting, reading

GOES_BACK: Final = (Disposition.RETURN, Disposition.REPAIR, Disposition.REPLACE)
"""Dispositions for which a device may travel back to its supplier."""
ON_A_PAGE: Final = 100
RETURNS_SHOWN: Final = 40
"""Devices of one supplier: what goes into one shipment."""
SENT_SHOWN: Final = 20
_MUST_GO_BACK: Final = (Disposition.RETURN, Disposition.REPLACE)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundNonconformity:
    """A nonconformity with the evidence of the step that showed it, and the checks that its form has."""

    nonconformity: Nonconformity
    evidence: tuple[Evidence, ...]
    siblings: tuple[Nonconformity, ...]
    checks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceToReturn:
    """A device that waits to be sent back, with the nonconformities that send it."""

    device: Device
    nonconformities: tuple[Nonconformity, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnsPage:
    """By supplier, the first devices that wait to be sent back and how many there are; and what was sent last."""

    waiting: Mapping[str, tuple[DeviceToReturn, ...]]
    counts: Mapping[str, int]
    sent: tuple[ReturnShipment, ...]
    sent_total: int


def state_of(found: Nonconformity) -> str:
    """Return how far a nonconformity has come, in words."""
    if found.is_closed:
        return "closed"
    if found.disposed is None or found.disposed.disposition is None:
        return "waits for a disposition"
    return found.disposed.disposition.value


def nonconformities(workplace: Workplace) -> tuple[Nonconformity, ...]:
    """Return all nonconformities, newest first."""
    with reading(workplace) as session:
        return kept.nonconformities(session)


@dataclass(frozen=True, slots=True, kw_only=True)
class NonconformityPage:
    """One page of the list of nonconformities, the open ones first."""

    rows: tuple[Nonconformity, ...]
    total: int
    page: int
    pages: int


def nonconformity_page(workplace: Workplace, page: int = 1) -> NonconformityPage:
    """Return one page of the nonconformities; a page beyond the last is the last."""
    with reading(workplace) as session:
        total = kept.count_all(session)
        pages = max(1, -(-total // ON_A_PAGE))
        page = min(max(1, page), pages)
        keys = kept.keys_in_order(session, start=(page - 1) * ON_A_PAGE, count=ON_A_PAGE)
        rows = {one.id: one for one in kept.nonconformities(session, keys=keys)}
    return NonconformityPage(rows=tuple(rows[key] for key in keys), total=total, page=page, pages=pages)


def nonconformities_of(workplace: Workplace, inspection_id: int) -> tuple[Nonconformity, ...]:
    """Return the nonconformities that an inspection found, in the order of their numbers."""
    with reading(workplace) as session:
        return kept.nonconformities(session, inspection_id=inspection_id)[::-1]


def nonconformity(workplace: Workplace, number: str) -> FoundNonconformity:
    """Return one nonconformity with its evidence and those found with it.

    Raises
    ------
    NotFound
        There is none of this number.
    """
    with reading(workplace) as session:
        found = _existing(session, number)
        inspection = existing(session, found.inspection_id)
        siblings = kept.nonconformities(session, inspection_id=found.inspection_id)
    entry = inspection.entries.get(found.step_id or "")
    checks = {one.measured.check for one in inspection.entries.values() if one.measured is not None}
    return FoundNonconformity(
        nonconformity=found,
        evidence=entry.evidence if entry is not None else (),
        siblings=tuple(one for one in siblings if one.id != found.id),
        checks=tuple(sorted(checks - {found.check})),
    )


def _existing(session: Session, number: str) -> Nonconformity:
    found = kept.nonconformities(session, numbers=(number,))
    if not found:
        raise NotFound(f"nonconformity {number[:40]}", "there is none of this number", "Choose one from the list.")
    return found[0]


def _open(session: Session, number: str) -> Nonconformity:
    found = _existing(session, number)
    if found.is_closed:
        raise NotAllowed(number, "it is closed", "What was closed stays closed.")
    return found


def classify(workplace: Workplace, person: Person, number: str, severity: Severity, reason: str) -> None:
    """Give a nonconformity another class than the contract did; the verdict on the lot stays as it was counted.

    Raises
    ------
    NotAllowed
        It is closed, or the person is no approver.
    """
    reason = clean_reason(reason, "Say why it is of this class.")
    with acting(workplace, person, "approve", "nonconformity classified") as act:
        found = _open(act.session, number)
        if found.severity is severity:
            return
        kept.add_act(act, found.id, NonconformityStep.CLASSIFIED, reason=reason, by=person, severity=severity)
        act.tell(number, serial=found.device.serial, severity=severity.value, reason=reason)


def dispose(
    workplace: Workplace,
    person: Person,
    number: str,
    disposition: Disposition,
    reason: str,
    *,
    valid_until: date | None = None,
    repeats: Collection[str] = (),
) -> None:
    """Decide what happens with the device; a later disposition takes the place of an earlier one.

    Parameters
    ----------
    valid_until : date, optional
        Until when a concession counts; needed for one.
    repeats : collection of str
        Checks that a repair could upset, besides the one that failed.

    Raises
    ------
    UnusableInput
        A concession has no end, or ends in the past.
    NotAllowed
        The nonconformity is closed, or the person is no approver.
    """
    reason = clean_reason(reason, "Say why.")
    if disposition is Disposition.CONCESSION:
        _prove_end(valid_until, workplace.clock().date())
    with acting(workplace, person, "approve", "nonconformity disposed") as act:
        found = _open(act.session, number)
        kept.add_act(
            act,
            found.id,
            NonconformityStep.DISPOSED,
            reason=reason,
            by=person,
            disposition=disposition,
            valid_until=valid_until if disposition is Disposition.CONCESSION else None,
            repeats=sorted(repeats) if disposition is Disposition.REPAIR else (),
        )
        act.tell(number, serial=found.device.serial, disposition=disposition.value, reason=reason)


def _prove_end(valid_until: date | None, today: date) -> None:
    if valid_until is None:
        raise UnusableInput("valid until", "it is empty", "Say until when the concession counts.")
    if valid_until < today:
        raise UnusableInput("valid until", f"{valid_until} is past", "Give a day that is to come.")


def close(workplace: Workplace, person: Person, number: str, reason: str) -> None:
    """Close a nonconformity whose disposition is carried out.

    Raises
    ------
    NotAllowed
        Nothing was disposed, the device was not sent back or not accepted after repair, or the person is no approver.
    """
    reason = clean_reason(reason, "Say what was done.")
    with acting(workplace, person, "approve", "nonconformity closed") as act:
        found = _open(act.session, number)
        _prove_carried_out(act, found)
        kept.add_act(act, found.id, NonconformityStep.CLOSED, reason=reason, by=person)
        act.tell(number, serial=found.device.serial, reason=reason)


def _prove_carried_out(act: Act, found: Nonconformity) -> None:
    disposed = found.disposed
    if disposed is None or disposed.disposition is None:
        raise NotAllowed(found.number, "nothing is decided about it", "Dispose of it first.")
    if disposed.disposition in _MUST_GO_BACK:
        sent = kept.last_sent_back(act.session, found.device.id)
        if not _is_sent_since(found, sent):
            raise NotAllowed(found.number, f"{found.device.serial} was not sent back", "Put it into a return shipment.")
    if disposed.disposition is Disposition.REPAIR:
        signatures = [one.signature for one in inspections.inspections_of_device(act.session, found.device.id)]
        accepted = (one for one in signatures if one is not None and one.outcome is Outcome.ACCEPTED)
        if not any(one.signed_at > disposed.at for one in accepted):
            raise NotAllowed(found.number, f"{found.device.serial} was not accepted since", "Inspect it again first.")


def devices_to_return(workplace: Workplace, supplier: str | None = None) -> tuple[DeviceToReturn, ...]:
    """Return the devices of one supplier, or of all, that are to be sent back and were not yet, by serial."""
    with reading(workplace) as session:
        return _to_return(session, supplier)


def returns_page(workplace: Workplace) -> ReturnsPage:
    """Return what waits to be sent back, the first devices of each supplier, and what was sent last."""
    with reading(workplace) as session:
        waiting = waiting_returns(session, GOES_BACK)
        return ReturnsPage(
            waiting={one.supplier: _to_return(session, one.supplier, RETURNS_SHOWN) for one in waiting},
            counts={one.supplier: one.devices for one in waiting},
            sent=kept.returns(session, newest=SENT_SHOWN),
            sent_total=kept.count_returns(session),
        )


def _to_return(session: Session, supplier: str | None, most: int | None = None) -> tuple[DeviceToReturn, ...]:
    keys = waiting_nonconformities(session, GOES_BACK, supplier, most)
    devices: dict[Device, list[Nonconformity]] = {}
    for one in kept.nonconformities(session, keys=keys):
        devices.setdefault(one.device, []).append(one)
    return tuple(
        DeviceToReturn(device=device, nonconformities=tuple(found))
        for device, found in sorted(devices.items(), key=lambda pair: (pair[0].maker, pair[0].serial))
    )


def send_back(
    workplace: Workplace, person: Person, supplier: str, reference: str, device_ids: Iterable[int], remark: str = ""
) -> None:
    """Record that devices went back to their supplier together.

    Raises
    ------
    UnusableInput
        No device is named, one does not wait to be sent back, or the reference was used.
    NotAllowed
        The person may not inspect.
    """
    with acting(workplace, person, "inspect", "devices sent back") as act:
        sent = take_return_in(act, supplier, reference, device_ids, remark=remark, by=person)
        serials = ", ".join(device.serial for device in sent)
        act.tell(f"return {clean_line('reference', reference)}", supplier=supplier, serials=serials)


def _is_sent_since(found: Nonconformity, sent: datetime | None) -> bool:
    return sent is not None and found.disposed is not None and sent >= found.disposed.at


def take_return_in(
    act: Act,
    supplier: str,
    reference: str,
    device_ids: Iterable[int],
    *,
    remark: str,
    by: Person,
    at: datetime | None = None,
) -> tuple[Device, ...]:
    """Do what `send_back` does within an act, now unless it is said when, and return the devices."""
    reference, remark = clean_line("reference", reference), clean_remark("remark", remark)
    wanted = tuple(dict.fromkeys(device_ids))
    if not wanted:
        raise UnusableInput("devices", "none is chosen", "Choose what goes back.")
    if kept.is_return(act.session, supplier, reference):
        raise UnusableInput("reference", f"{reference} was used for this supplier", "Give each its own.")
    waiting = {one.device.id: one for one in _to_return(act.session, supplier)}
    strangers = [device_id for device_id in wanted if device_id not in waiting]
    if strangers:
        raise UnusableInput("devices", f"device {strangers[0]} does not wait to be sent back", "Look at the list.")
    early = [one for key in wanted for one in waiting[key].nonconformities if not _is_sent_since(one, at or act.at)]
    if early:
        raise UnusableInput(
            "sent at", f"{early[0].number} was disposed of only later", "Give the moment when they were sent."
        )
    kept.add_return(act, supplier=supplier, reference=reference, remark=remark, device_ids=wanted, by=by, at=at)
    return tuple(waiting[key].device for key in wanted)


def returns(workplace: Workplace) -> tuple[ReturnShipment, ...]:
    """Return all return shipments, newest first."""
    with reading(workplace) as session:
        return kept.returns(session)
