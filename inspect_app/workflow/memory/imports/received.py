"""Importing what was taken down at the dock: devices as they arrived, returns, and what devices were before."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Device
from inspect_app.model.device_past import LinkKind
from inspect_app.storage import arrivals, sources
from inspect_app.workflow.arriving.contracts import contract_from, found_contract
from inspect_app.workflow.arriving.receiving import AcceptedArrival, prove_class, take_shipment_in
from inspect_app.workflow.memory.imported_rows import Cells
from inspect_app.workflow.memory.imports._importable import Importable, Numbered, Taking, each, groups_of
from inspect_app.workflow.memory.linking import take_link_in
from inspect_app.workflow.memory.lists.found import RETURNS
from inspect_app.workflow.memory.lists.received import ARRIVALS, LINKS
from inspect_app.workflow.outcomes.nonconformities import take_return_in
from inspect_app.workflow.typed_text import clean_line, normalise_serial


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arrival:
    contract: str
    delivery_note: str
    lot: str | None
    device_class: str
    serial: str
    note: str | None
    is_on_packing_list: bool | None
    received_at: datetime | None
    received_by: str | None


def _arrival(cells: Cells) -> _Arrival:
    return _Arrival(
        contract=clean_line("contract", cells.needed("contract")),
        delivery_note=clean_line("delivery_note", cells.needed("delivery_note")),
        lot=cells.text("lot"),
        device_class=cells.needed("device_class"),
        serial=normalise_serial(cells.needed("serial")),
        note=cells.text("note"),
        is_on_packing_list=cells.flag("is_on_packing_list"),
        received_at=cells.moment("received_at"),
        received_by=cells.text("received_by"),
    )


def _take_arrivals(taking: Taking, lines: Sequence[Numbered[_Arrival]]) -> None:
    """Take devices in delivery by delivery; what is wrong with a delivery is said in its first line."""
    for group in groups_of(lines, lambda one: (one.contract, one.delivery_note)).values():
        try:
            _take_delivery(taking, group)
        except InspectError as error:
            taking.refused[group[0].number] = error


def _take_delivery(taking: Taking, group: Sequence[Numbered[_Arrival]]) -> None:
    first = group[0].line
    contract = contract_from(found_contract(sources.contract(taking.act.session, first.contract), first.contract))

    def prove(_taking: Taking, line: _Arrival) -> None:
        prove_class(contract, _accepted(line), taking.workplace)

    each(prove)(taking, group)
    if any(one.number in taking.refused for one in group):
        return
    if any((one.line.received_at, one.line.received_by) != (first.received_at, first.received_by) for one in group):
        raise UnusableInput(
            "delivery_note", f"{first.delivery_note} came at several moments, or to several people", "Give it one."
        )
    shipment = take_shipment_in(
        taking.workplace,
        taking.act,
        first.contract,
        first.delivery_note,
        [_accepted(one.line) for one in group],
        by=taking.by("received_by", first.received_by),
        at=taking.at("received_at", first.received_at),
    )
    numbers = {one.device_class: one.number for one in arrivals.lots_of_shipment(taking.act.session, shipment.id)}
    for one in group:
        made = numbers[one.line.device_class]
        if one.line.lot not in (None, made):
            taking.refused[one.number] = UnusableInput(
                "lot",
                f"it would be {made} here, not {one.line.lot}",
                "Import the earlier lots first, or leave it empty.",
            )


def _accepted(line: _Arrival) -> AcceptedArrival:
    return AcceptedArrival(
        serial=line.serial,
        device_class=line.device_class,
        note=line.note or "",
        is_on_list=line.is_on_packing_list is not False,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Return:
    reference: str
    supplier: str
    sent_at: datetime | None
    sent_by: str | None
    devices: tuple[str, ...]
    remark: str | None


def _return(cells: Cells) -> _Return:
    return _Return(
        reference=clean_line("reference", cells.needed("reference")),
        supplier=cells.needed("supplier"),
        sent_at=cells.moment("sent_at"),
        sent_by=cells.text("sent_by"),
        devices=tuple(normalise_serial(serial) for serial in cells.needed("devices").split(";")),
        remark=cells.text("remark"),
    )


def _take_return(taking: Taking, line: _Return) -> None:
    take_return_in(
        taking.act,
        line.supplier,
        line.reference,
        [_device(taking, line.supplier, serial).id for serial in line.devices],
        remark=line.remark or "",
        by=taking.by("sent_by", line.sent_by),
        at=taking.at("sent_at", line.sent_at),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Link:
    serial: str
    maker: str
    earlier_serial: str
    earlier_maker: str
    kind: LinkKind
    reason: str
    linked_at: datetime | None
    linked_by: str | None


def _link(cells: Cells) -> _Link:
    kind = cells.needed("kind")
    if kind not in set(LinkKind):
        raise UnusableInput("kind", f"'{kind[:40]}' is none", f"Write one of {', '.join(LinkKind)}.")
    return _Link(
        serial=normalise_serial(cells.needed("serial")),
        maker=cells.needed("maker"),
        earlier_serial=normalise_serial(cells.needed("earlier_serial")),
        earlier_maker=cells.needed("earlier_maker"),
        kind=LinkKind(kind),
        reason=cells.needed("reason"),
        linked_at=cells.moment("linked_at"),
        linked_by=cells.text("linked_by"),
    )


def _take_link(taking: Taking, line: _Link) -> None:
    before = len(taking.act.rows)
    take_link_in(
        taking.act,
        _device(taking, line.maker, line.serial),
        _device(taking, line.earlier_maker, line.earlier_serial),
        line.kind,
        line.reason,
        by=taking.by("linked_by", line.linked_by),
        at=taking.at("linked_at", line.linked_at),
    )
    if len(taking.act.rows) == before:
        raise UnusableInput("kind", f"'{line.kind}' stands already, or nothing to take back", "Leave the line out.")


def _device(taking: Taking, maker: str, serial: str) -> Device:
    key = arrivals.devices_by_serial(taking.act.session, maker, [serial]).get(serial)
    if key is None:
        raise UnusableInput("serial", f"{serial} of {maker[:60]} never arrived", "Import the arrivals first.")
    return arrivals.arrivals_of_device(taking.act.session, key)[0].device


ARRIVED: Final = Importable(
    listing=ARRIVALS,
    right="inspect",
    read=_arrival,
    key_of=lambda one: (one.contract, one.delivery_note, one.serial),
    take=_take_arrivals,
)
SENT_BACK: Final = Importable(
    listing=RETURNS,
    right="inspect",
    read=_return,
    key_of=lambda one: (one.supplier, one.reference),
    take=each(_take_return),
)
LINKED: Final = Importable(
    listing=LINKS,
    right="approve",
    read=_link,
    key_of=lambda one: (one.maker, one.serial, one.earlier_maker, one.earlier_serial, one.linked_at),
    take=each(_take_link),
)
