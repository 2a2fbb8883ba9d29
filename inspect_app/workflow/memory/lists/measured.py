"""Lists of what was measured, from the columns that signing writes: what can be measured, and every signed result."""

from collections.abc import Iterator
from typing import Final

from inspect_app.documents.tabular import Table
from inspect_app.model.characteristic import Characteristic
from inspect_app.storage import Session, listing, measured_over_time
from inspect_app.storage.listing import SignedResult, Span
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.memory.lists._parts import condition_text, part_of
from inspect_app.workflow.workplace import Workplace


def _characteristics(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[Characteristic]:
    return part_of(measured_over_time.characteristics(session), span, lambda one: one.id)


def _signed(_workplace: Workplace, session: Session, span: Span, where: Where) -> Iterator[SignedResult]:
    return listing.signed_results(session, span, serial=where.get("serial", "").upper(), lot=where.get("lot", ""))


CHARACTERISTICS: Final[Listing[Characteristic]] = Listing(
    table=Table(
        name="characteristics",
        columns={
            "characteristic": lambda one: one.id,
            "device_class": lambda one: one.device_class,
            "check": lambda one: one.check,
            "quantity": lambda one: one.quantity_name,
            "condition": lambda one: condition_text(one.condition),
            "unit": lambda one: one.unit,
        },
    ),
    key_of=lambda one: one.id,
    rows=_characteristics,
)
SIGNED_RESULTS: Final[Listing[SignedResult]] = Listing(
    table=Table(
        name="signed-results",
        columns={
            "serial": lambda one: one.device.serial,
            "maker": lambda one: one.device.maker,
            "device_class": lambda one: one.device.device_class,
            "lot": lambda one: one.lot.number,
            "contract": lambda one: one.lot.shipment.contract_number,
            "inspection": lambda one: one.result.inspection_id,
            "check": lambda one: one.characteristic.check,
            "quantity": lambda one: one.characteristic.quantity_name,
            "condition": lambda one: condition_text(one.characteristic.condition),
            "value": lambda one: one.result.quantity.value,
            "standard_uncertainty": lambda one: one.result.quantity.standard_uncertainty,
            "unit": lambda one: one.characteristic.unit,
            "degrees_of_freedom": lambda one: one.result.quantity.degrees_of_freedom,
            "finding": lambda one: None if one.result.finding is None else one.result.finding.value,
            "measured_at": lambda one: one.result.measured_at,
            "outcome": lambda one: one.outcome.value,
            "signed_at": lambda one: one.signed_at,
        },
    ),
    key_of=lambda one: one.id,
    rows=_signed,
    filters=("serial", "lot"),
)
