"""Which reports belong into an audit pack: those on its lots, on returns of its devices, on its contract.

A report may tell of other devices of the same supplier, as the whole lot or the whole contract; one that tells of
another supplier's belongs into no pack but that one's.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.storage.convert import scope_from
from inspect_app.storage.scope import lots_in
from inspect_app.storage.tables import (
    ArrivalRow,
    DocumentEndRow,
    DocumentRow,
    EvidenceRow,
    LotRow,
    ReportRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
    ShipmentRow,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Matter:
    """The lots and devices of a pack, with the contracts and suppliers that they came by."""

    lots: frozenset[int]
    devices: frozenset[int]
    contracts: frozenset[str]
    suppliers: frozenset[str]


def reports_of(
    session: Session, *, contract_number: str | None = None, lot_id: int | None = None, device_id: int | None = None
) -> frozenset[int]:
    """Return the keys of the reports that belong to a contract, a lot or a device, those that no longer stand too."""
    statement = (
        select(ArrivalRow.lot_id, ArrivalRow.device_id, ShipmentRow.contract_number, ShipmentRow.supplier)
        .join(LotRow, LotRow.id == ArrivalRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
    )
    if contract_number is not None:
        statement = statement.where(ShipmentRow.contract_number == contract_number)
    if lot_id is not None:
        statement = statement.where(ArrivalRow.lot_id == lot_id)
    if device_id is not None:
        statement = statement.where(ArrivalRow.device_id == device_id)
    rows = session.execute(statement).all()
    matter = _Matter(
        lots=frozenset(row.lot_id for row in rows),
        devices=frozenset(row.device_id for row in rows),
        contracts=frozenset(row.contract_number for row in rows),
        suppliers=frozenset(row.supplier for row in rows),
    )
    return frozenset(_found(session, matter))


def _found(session: Session, matter: _Matter) -> Iterator[int]:
    for row in session.scalars(select(ReportRow).order_by(ReportRow.id)):
        if (
            row.lot_id in matter.lots
            or (row.return_shipment_id is not None and _took_back(session, row.return_shipment_id, matter))
            or (row.scope is not None and _covers(session, row, matter))
        ):
            yield row.document_id


def _took_back(session: Session, return_shipment_id: int, matter: _Matter) -> bool:
    sent = select(ReturnedDeviceRow.device_id).where(ReturnedDeviceRow.return_shipment_id == return_shipment_id)
    shipment = session.get_one(ReturnShipmentRow, return_shipment_id)
    return shipment.supplier in matter.suppliers and not matter.devices.isdisjoint(session.scalars(sent))


def _covers(session: Session, row: ReportRow, matter: _Matter) -> bool:
    scope = scope_from(row)
    if scope.contract_number not in matter.contracts:
        return False
    lots = lots_in(session, scope)
    suppliers = select(ShipmentRow.supplier).join(LotRow, LotRow.shipment_id == ShipmentRow.id)
    told = session.scalars(suppliers.where(LotRow.id.in_(lots)).distinct())
    return not matter.lots.isdisjoint(lots) and matter.suppliers.issuperset(told)


def files_of_reports(session: Session, document_ids: Collection[int]) -> tuple[tuple[str, str], ...]:
    """Return number and digest of each report."""
    statement = select(DocumentRow.number, DocumentRow.sha256).where(DocumentRow.id.in_(document_ids))
    return tuple((number, sha256) for number, sha256 in session.execute(statement.order_by(DocumentRow.id)))


def events_of_reports(session: Session, document_ids: Collection[int]) -> frozenset[int]:
    """Return the events that issued reports and that ended them."""
    files = select(DocumentRow.sha256).where(DocumentRow.id.in_(document_ids))
    found: set[int] = set()
    for statement in (
        select(DocumentRow.event_id).where(DocumentRow.id.in_(document_ids)),
        select(ReportRow.event_id).where(ReportRow.document_id.in_(document_ids)),
        select(DocumentEndRow.event_id).where(DocumentEndRow.document_id.in_(document_ids)),
        select(EvidenceRow.event_id).where(EvidenceRow.sha256.in_(files)),
    ):
        found.update(session.scalars(statement))
    return frozenset(found)
