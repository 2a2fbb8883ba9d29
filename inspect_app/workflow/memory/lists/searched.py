"""The list of the fleet as it is searched: devices by what was signed about them."""

from collections.abc import Iterator
from typing import Final

from inspect_app.documents.tabular import Table
from inspect_app.storage import Session
from inspect_app.storage.fleet import FleetDevice
from inspect_app.storage.listing import Span
from inspect_app.workflow.memory.fleet import found_in_fleet
from inspect_app.workflow.memory.fleet_asked import FLEET_ASKED, fleet_search_of
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.workplace import Workplace


def _fleet(_workplace: Workplace, session: Session, _span: Span, where: Where) -> Iterator[FleetDevice]:
    return found_in_fleet(session, fleet_search_of(where))


FLEET: Final[Listing[FleetDevice]] = Listing(
    table=Table(
        name="fleet",
        columns={
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "device_class": lambda one: one.device.device_class,
            "lot": lambda one: None if one.lot is None else one.lot.number,
            "contract": lambda one: None if one.lot is None else one.lot.shipment.contract_number,
            "inspection": lambda one: one.inspection_id,
            "outcome": lambda one: None if one.outcome is None else one.outcome.value,
            "signed_at": lambda one: one.signed_at,
            "signed_by": lambda one: None if one.signed_by is None else one.signed_by.name,
            "value": lambda one: None if one.quantity is None else one.quantity.value,
            "standard_uncertainty": lambda one: None if one.quantity is None else one.quantity.standard_uncertainty,
            "unit": lambda one: None if one.quantity is None else one.quantity.unit,
        },
    ),
    rows=_fleet,
    filters=FLEET_ASKED,
)
