"""Linking devices that are one and the same: re-marked serials, devices that changed hands."""

from datetime import datetime

from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Device, Person
from inspect_app.model.device_past import DeviceLink, LinkKind
from inspect_app.storage import Act, Session, arrivals, links
from inspect_app.workflow.typed_text import clean_reason
from inspect_app.workflow.workplace import Workplace, acting


def link_devices(
    workplace: Workplace, person: Person, device_id: int, predecessor_id: int, kind: LinkKind, reason: str
) -> None:
    """Say that a device was another one on record before, or that it was not after all; saying it twice adds nothing.

    Raises
    ------
    UnusableInput
        No reason is given, or both are the same device on record.
    NotFound
        There is no such device.
    NotAllowed
        The person is no approver.
    """
    with acting(workplace, person, "approve", "devices linked") as act:
        later, earlier = _existing(act.session, device_id), _existing(act.session, predecessor_id)
        reason = take_link_in(act, later, earlier, kind, reason, by=person)
        act.tell(
            f"device {later.serial}", serial=later.serial, maker=later.maker, earlier=earlier.serial,
            earlier_maker=earlier.maker, kind=kind.value, reason=reason,
        )  # fmt: skip


def take_link_in(
    act: Act, later: Device, earlier: Device, kind: LinkKind, reason: str, *, by: Person, at: datetime | None = None
) -> str:
    """Do what `link_devices` does within an act, now unless it is said when, and return the reason as it is kept."""
    reason = clean_reason(reason, "Say how it is known.")
    if later.id == earlier.id:
        raise UnusableInput("earlier serial", "it is this device itself", "Name the device that it was before.")
    standing = standing_links(links.links_of_device(act.session, later.id))
    if any((one.device.id, one.predecessor.id) == (earlier.id, later.id) for one in standing):
        raise UnusableInput("earlier serial", "it is linked the other way round", "Take that link back first.")
    known = next((one for one in standing if one.predecessor.id == earlier.id), None)
    if (known is None and kind is LinkKind.NOT_THE_SAME) or (known is not None and known.kind is kind):
        return reason
    links.add_link(act, device_id=later.id, predecessor_id=earlier.id, kind=kind, reason=reason, linked_by=by, at=at)
    return reason


def standing_links(said: tuple[DeviceLink, ...]) -> tuple[DeviceLink, ...]:
    """Return what of all that was said about a device counts: the newest of each pair, unless it was taken back."""
    newest = {(one.device.id, one.predecessor.id): one for one in said}
    return tuple(one for one in newest.values() if one.kind is not LinkKind.NOT_THE_SAME)


def _existing(session: Session, device_id: int) -> Device:
    found = arrivals.arrivals_of_device(session, device_id)
    if not found:
        raise NotFound(f"device {device_id}", "there is no such device", "Look its serial up.")
    return found[0].device
