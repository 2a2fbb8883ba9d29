"""Receiving: what arrived, compared with the packing list and the past, becomes a shipment with a lot per class."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from inspect_app.definitions import Contract
from inspect_app.errors import UnusableInput
from inspect_app.model import Lot, Outcome, Person, Shipment
from inspect_app.storage import Act, Session, sources
from inspect_app.storage import arrivals as kept
from inspect_app.storage.arrivals import Arrived, NewArrival
from inspect_app.workflow.arriving.contracts import contract_from, found_contract
from inspect_app.workflow.arriving.packing_list import PackedDevice
from inspect_app.workflow.typed_text import clean_line, clean_remark, normalise_serial, same_words
from inspect_app.workflow.workplace import Workplace, acting, reading


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierArrival:
    """A time that the same serial arrived before, and what came of it."""

    lot_number: str
    shipment_reference: str
    contract_number: str
    received_at: datetime
    inspection_id: int | None
    outcome: Outcome | None
    document_number: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One serial at the dock, before it is accepted into the shipment.

    `is_missing` marks a serial that the packing list names and nobody scanned. Without a packing list every serial
    counts as being on it.
    """

    serial: str
    device_class: str | None
    is_on_list: bool
    is_repeated: bool
    is_missing: bool
    earlier: tuple[EarlierArrival, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptedArrival:
    """One serial as somebody decided to receive it, with a note on what was unusual."""

    serial: str
    device_class: str
    note: str = ""
    is_on_list: bool = True


def check_arrivals(
    workplace: Workplace, contract_number: str, packing_list: Sequence[PackedDevice], scanned: Sequence[str]
) -> tuple[Arrival, ...]:
    """Compare what was scanned with the packing list and with the past; nothing is kept.

    Returns
    -------
    tuple of Arrival
        One per serial: those scanned in their order, then those listed and not scanned.

    Raises
    ------
    NotFound
        The contract was not adopted.
    UnusableInput
        A serial cannot be used.
    """
    counts = Counter(normalise_serial(text) for text in scanned)
    listed = {packed.serial: packed for packed in packing_list}
    serials = list(dict.fromkeys([*counts, *listed]))
    with reading(workplace) as session:
        contract = contract_from(found_contract(sources.contract(session, contract_number), contract_number))
        earlier = kept.arrivals_of_serials(session, contract.supplier, serials)
    return tuple(
        Arrival(
            serial=serial,
            device_class=_class_of(contract, listed.get(serial), earlier.get(serial, ())),
            is_on_list=serial in listed or not listed,
            is_repeated=counts[serial] > 1,
            is_missing=serial not in counts,
            earlier=tuple(_earlier(arrived) for arrived in earlier.get(serial, ())),
        )
        for serial in serials
    )


def _class_of(contract: Contract, packed: PackedDevice | None, earlier: Sequence[Arrived]) -> str | None:
    known = {same_words(device_class): device_class for device_class in contract.device_classes}
    if packed is not None and packed.device_class is not None:
        return known.get(same_words(packed.device_class))
    for arrived in earlier:
        if arrived.device.device_class in contract.device_classes:
            return arrived.device.device_class
    return contract.device_classes[0] if len(contract.device_classes) == 1 else None


def _earlier(arrived: Arrived) -> EarlierArrival:
    shipment = arrived.lot.shipment
    return EarlierArrival(
        lot_number=arrived.lot.number,
        shipment_reference=shipment.reference,
        contract_number=shipment.contract_number,
        received_at=shipment.received_at,
        inspection_id=arrived.inspection_id,
        outcome=arrived.outcome,
        document_number=None if arrived.document is None else arrived.document.number,
    )


def receive_shipment(
    workplace: Workplace,
    person: Person,
    contract_number: str,
    reference: str,
    arrivals: Sequence[AcceptedArrival],
) -> Shipment:
    """Receive a shipment: one lot per class of device, in the order of the contract.

    The same shipment sent twice is received once.

    Raises
    ------
    UnusableInput
        A serial is given twice, its class is not in the contract, or other devices were received under this reference.
    NotFound
        The contract was not adopted.
    NotAllowed
        The person may not receive.
    """
    with acting(workplace, person, "inspect", "shipment received") as act:
        shipment = take_shipment_in(workplace, act, contract_number, reference, arrivals, by=person)
        act.tell(f"shipment {shipment.reference}", contract=shipment.contract_number, devices=str(len(arrivals)))
        return shipment


def take_shipment_in(
    workplace: Workplace,
    act: Act,
    contract_number: str,
    reference: str,
    arrivals: Sequence[AcceptedArrival],
    *,
    by: Person,
    at: datetime | None = None,
) -> Shipment:
    """Do what `receive_shipment` does within an act; received now unless it is said when."""
    reference = clean_line("reference", reference)
    accepted = [_cleaned(arrival) for arrival in arrivals]
    _prove_unique(accepted)
    contract = contract_from(found_contract(sources.contract(act.session, contract_number), contract_number))
    for arrival in accepted:
        prove_class(contract, arrival, workplace)
    known = kept.find_shipment(act.session, contract.number, reference)
    if known is not None:
        return _same_shipment(act.session, known, accepted)
    shipment = kept.add_shipment(
        act,
        contract_number=contract.number,
        reference=reference,
        supplier=contract.supplier,
        received_by=by,
        received_at=at,
    )
    _add_lots(act, contract, shipment, accepted)
    return shipment


def _cleaned(arrival: AcceptedArrival) -> AcceptedArrival:
    return AcceptedArrival(
        serial=normalise_serial(arrival.serial),
        device_class=arrival.device_class,
        note=clean_remark(f"note on {arrival.serial}", arrival.note),
        is_on_list=arrival.is_on_list,
    )


def _prove_unique(accepted: Sequence[AcceptedArrival]) -> None:
    if not accepted:
        raise UnusableInput("serials", "there is none", "Scan at least one device.")
    twice = [serial for serial, count in Counter(one.serial for one in accepted).items() if count > 1]
    if twice:
        raise UnusableInput(f"serial {twice[0]}", "it is given twice", "Keep one of them.")


def prove_class(contract: Contract, arrival: AcceptedArrival, workplace: Workplace) -> None:
    """See that a contract says something of the class of a device, and that there is a form for it.

    Raises
    ------
    UnusableInput
        One of them is missing.
    """
    if arrival.device_class not in contract.device_classes:
        classes = ", ".join(contract.device_classes)
        raise UnusableInput(
            f"serial {arrival.serial}",
            f"contract {contract.number} says nothing of the class '{arrival.device_class}'",
            f"Choose one of {classes}.",
        )
    if arrival.device_class not in workplace.forms:
        raise UnusableInput(
            f"serial {arrival.serial}", f"no form is for '{arrival.device_class}'", "Add a form for this class."
        )


def _same_shipment(session: Session, known: Shipment, accepted: Sequence[AcceptedArrival]) -> Shipment:
    lots = kept.lots_of_shipment(session, known.id)
    received = {
        (arrived.device.serial, lot.device_class) for lot in lots for arrived in kept.arrived_in_lot(session, lot.id)
    }
    if received != {(arrival.serial, arrival.device_class) for arrival in accepted}:
        day = known.received_at.date().isoformat()
        came = "1 device was" if len(received) == 1 else f"{len(received)} devices were"
        raise UnusableInput(
            f"reference {known.reference}",
            f"{came} received under it on {day}, not these",
            "Give this delivery a reference of its own, such as the same with -2.",
        )
    return known


def _add_lots(act: Act, contract: Contract, shipment: Shipment, accepted: Sequence[AcceptedArrival]) -> None:
    count = kept.count_lots(act.session, contract.number)
    for device_class in contract.device_classes:
        mine = [arrival for arrival in accepted if arrival.device_class == device_class]
        if not mine:
            continue
        count += 1
        lot = kept.add_lot(act, shipment, number=f"{contract.number}-L{count:02d}", device_class=device_class)
        new = [NewArrival(serial=one.serial, note=one.note, is_on_list=one.is_on_list) for one in mine]
        kept.add_arrivals(act, lot, new)


def lots_of_shipment(workplace: Workplace, shipment_id: int) -> tuple[Lot, ...]:
    """Return the lots that a shipment was divided into."""
    with reading(workplace) as session:
        return kept.lots_of_shipment(session, shipment_id)
