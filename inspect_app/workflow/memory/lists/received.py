"""Lists of what came in: suppliers, contracts, shipments, lots, devices."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from inspect_app.definitions import Contract
from inspect_app.documents.tabular import Cell, Table
from inspect_app.errors import UnusableInput
from inspect_app.model.device_past import DeviceLink
from inspect_app.storage import Session, links, listing, sources
from inspect_app.storage.arrivals import Arrived
from inspect_app.storage.listing import ListedShipment, Span
from inspect_app.workflow.arriving.contracts import contract_from
from inspect_app.workflow.lots.progress import LotSummary, summary_of
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.memory.lists._parts import joined, part_of
from inspect_app.workflow.outcomes.suppliers import Rate, SupplierRecord, records_of_suppliers, switching_in_words
from inspect_app.workflow.workplace import Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One device in one delivery, with its key in the list."""

    id: int
    arrived: Arrived


def _key_of_supplier(one: SupplierRecord) -> str:
    return f"{one.supplier}\n{one.device_class}"


def _suppliers(workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[SupplierRecord]:
    return part_of(records_of_suppliers(workplace, session), span, _key_of_supplier)


def _contracts(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[Contract]:
    found = (contract_from(source) for source in sources.newest_contracts(session))
    return part_of(found, span, lambda one: one.number)


def _lots(_workplace: Workplace, session: Session, span: Span, where: Where) -> Iterator[LotSummary]:
    state = where.get("state", "")
    if state not in ("", "open"):
        raise UnusableInput("state", f"'{state[:40]}' is none of a lot", "Use open, or leave it out.")
    found = listing.lots(session, span, text=where.get("find", ""), is_open=bool(state))
    return map(summary_of, found)


def _devices(_workplace: Workplace, session: Session, span: Span, where: Where) -> Iterator[Arrived]:
    return listing.devices(session, span, serial=where.get("serial", ""), lot=where.get("lot", ""))


def _arrivals(_workplace: Workplace, session: Session, span: Span, where: Where) -> Iterator[Received]:
    for key, arrived in listing.received(session, span, contract=where.get("contract", "")):
        yield Received(id=key, arrived=arrived)


def _links(_workplace: Workplace, session: Session, _span: Span, _where: Where) -> Iterator[DeviceLink]:
    return iter(links.links(session))


def _rate(name: str, rate_of: Callable[[SupplierRecord], Rate]) -> dict[str, Callable[[SupplierRecord], Cell]]:
    """Return the columns of a rate with its exact 95 % interval, as fractions."""

    def bound(place: int) -> Callable[[SupplierRecord], Cell]:
        def shown(one: SupplierRecord) -> Cell:
            interval = rate_of(one).interval
            return None if interval is None else round(interval[place], 6)

        return shown

    def share(one: SupplierRecord) -> Cell:
        value = rate_of(one).share
        return None if value is None else round(value, 6)

    return {
        f"{name}s_decided": lambda one: rate_of(one).of,
        f"{name}s_rejected": lambda one: rate_of(one).found,
        f"{name}_rate": share,
        f"{name}_rate_from": bound(0),
        f"{name}_rate_to": bound(1),
    }


SUPPLIERS: Final[Listing[SupplierRecord]] = Listing(
    table=Table(
        name="suppliers",
        columns={
            "supplier": lambda one: one.supplier,
            "device_class": lambda one: one.device_class,
            "lots": lambda one: one.lots,
            **_rate("lot", lambda one: one.lots_rejected),
            "devices": lambda one: one.devices,
            **_rate("device", lambda one: one.devices_rejected),
            "switching": lambda one: joined(switching_in_words(each) for each in one.switching),
            "open_returns": lambda one: len(one.open_returns),
            "oldest_open_return_days": lambda one: max((each.days for each in one.open_returns), default=None),
        },
    ),
    key_of=_key_of_supplier,
    rows=_suppliers,
)
CONTRACTS: Final[Listing[Contract]] = Listing(
    table=Table(
        name="contracts",
        columns={
            "number": lambda one: one.number,
            "revision": lambda one: one.revision,
            "title": lambda one: one.title,
            "buyer": lambda one: one.buyer,
            "supplier": lambda one: one.supplier,
            "device_classes": lambda one: joined(one.device_classes),
            "sha256": lambda one: one.digest,
        },
    ),
    key_of=lambda one: one.number,
    rows=_contracts,
)
SHIPMENTS: Final[Listing[ListedShipment]] = Listing(
    table=Table(
        name="shipments",
        columns={
            "reference": lambda one: one.shipment.reference,
            "contract": lambda one: one.shipment.contract_number,
            "supplier": lambda one: one.shipment.supplier,
            "received_at": lambda one: one.shipment.received_at,
            "received_by": lambda one: one.shipment.received_by.name,
            "lots": lambda one: joined(lot.number for lot in one.lots),
            "devices": lambda one: one.devices,
        },
    ),
    key_of=lambda one: one.shipment.id,
    rows=lambda _workplace, session, span, _where: listing.shipments(session, span),
)
LOTS: Final[Listing[LotSummary]] = Listing(
    table=Table(
        name="lots",
        columns={
            "lot": lambda one: one.lot.number,
            "device_class": lambda one: one.lot.device_class,
            "contract": lambda one: one.lot.shipment.contract_number,
            "supplier": lambda one: one.lot.shipment.supplier,
            "delivery_note": lambda one: one.lot.shipment.reference,
            "received_at": lambda one: one.lot.shipment.received_at,
            "devices": lambda one: one.total,
            "accepted": lambda one: one.accepted,
            "rejected": lambda one: one.rejected,
            "held": lambda one: one.held,
            "under_way": lambda one: one.open,
            "untouched": lambda one: one.untouched,
        },
    ),
    key_of=lambda one: one.lot.id,
    rows=_lots,
    filters=("find", "state"),
)
DEVICES: Final[Listing[Arrived]] = Listing(
    table=Table(
        name="devices",
        columns={
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "device_class": lambda one: one.device.device_class,
            "lot": lambda one: one.lot.number,
            "contract": lambda one: one.lot.shipment.contract_number,
            "received_at": lambda one: one.lot.shipment.received_at,
            "note": lambda one: one.note,
            "is_on_packing_list": lambda one: one.is_on_list,
            "outcome": lambda one: None if one.outcome is None else one.outcome.value,
            "document": lambda one: None if one.document is None else one.document.number,
        },
    ),
    key_of=lambda one: one.device.id,
    rows=_devices,
    filters=("serial", "lot"),
)
ARRIVALS: Final[Listing[Received]] = Listing(
    table=Table(
        name="arrivals",
        columns={
            "contract": lambda one: one.arrived.lot.shipment.contract_number,
            "delivery_note": lambda one: one.arrived.lot.shipment.reference,
            "lot": lambda one: one.arrived.lot.number,
            "device_class": lambda one: one.arrived.lot.device_class,
            "serial": lambda one: one.arrived.device.serial,
            "note": lambda one: one.arrived.note,
            "is_on_packing_list": lambda one: one.arrived.is_on_list,
            "received_at": lambda one: one.arrived.lot.shipment.received_at,
            "received_by": lambda one: one.arrived.lot.shipment.received_by.name,
        },
    ),
    key_of=lambda one: one.id,
    rows=_arrivals,
    filters=("contract",),
)
LINKS: Final[Listing[DeviceLink]] = Listing(
    table=Table(
        name="links",
        columns={
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "earlier_serial": lambda one: one.predecessor.serial,
            "earlier_maker": lambda one: one.predecessor.maker,
            "kind": lambda one: one.kind.value,
            "reason": lambda one: one.reason,
            "linked_at": lambda one: one.linked_at,
            "linked_by": lambda one: one.linked_by.name,
        },
    ),
    rows=_links,
)
