"""Results of inspections that are not signed yet, found as the fleet is; no column has them, so entries are read."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from inspect_app.model import Device
from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.storage import glance
from inspect_app.storage.answered import (
    Answer,
    CharacteristicKey,
    answers_given,
    characteristic_key,
    conditions_of,
    keys_of_characteristics,
)
from inspect_app.storage.arrivals import lots_by_key
from inspect_app.storage.convert import condition_from
from inspect_app.storage.fleet import FleetDevice, FleetSearch
from inspect_app.storage.tables import (
    DeviceRow,
    EntryInstrumentRow,
    EntryRow,
    FormRow,
    InspectionRow,
    LotRow,
    ShipmentRow,
)

_AT_ONCE: Final = 60  # a page and one more
_NOT_LISTED: Final = 0  # key of a characteristic that no signed inspection has
Named = tuple[Characteristic, ListedResult]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenInspection:
    """An inspection that is not signed, with those of its results that are asked for, oldest entry first."""

    found: FleetDevice
    results: tuple[Named, ...]


def open_inspections(session: Session, search: FleetSearch, *, before: int | None = None) -> Iterator[OpenInspection]:
    """Yield the inspections without a signature that counts and that fit a search, the one opened last first.

    With `before`, those opened before the one of a key. What is asked of a verdict (outcome, days of signing) fits none
    of them. Where an instrument is asked for, only results that were measured with it are told, and where a
    characteristic is, only its own.
    """
    if search.outcome is not None or search.signed_since is not None or search.signed_until is not None:
        return
    keys = [key for key in glance.unsigned_inspections(session) if before is None or key < before]
    fitting = sorted(session.scalars(_narrowed(select(InspectionRow.id), keys, search)).all(), reverse=True)
    known = keys_of_characteristics(session)
    for start in range(0, len(fitting), _AT_ONCE):
        yield from _opened(session, fitting[start : start + _AT_ONCE], search, known)


def _narrowed(statement: Select[int], keys: Collection[int], search: FleetSearch) -> Select[int]:
    statement = (
        statement.join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .where(InspectionRow.id.in_(keys))
    )
    equal = (
        (LotRow.device_class, search.device_class),
        (LotRow.number, search.lot_number),
        (ShipmentRow.supplier, search.supplier),
        (ShipmentRow.contract_number, search.contract_number),
        (InspectionRow.opened_by_id, search.inspector_id),
    )
    statement = statement.where(*(column == value for column, value in equal if value not in ("", None)))
    if search.serial:
        statement = statement.where(DeviceRow.serial.contains(search.serial, autoescape=True))
    if search.instrument_id is not None:
        used = (
            select(EntryRow.id)
            .join(EntryInstrumentRow, EntryInstrumentRow.entry_id == EntryRow.id)
            .where(EntryRow.inspection_id == InspectionRow.id, EntryInstrumentRow.instrument_id == search.instrument_id)
        )
        statement = statement.where(used.exists())
    return statement


def _opened(
    session: Session, keys: Sequence[int], search: FleetSearch, known: Mapping[CharacteristicKey, int]
) -> Iterator[OpenInspection]:
    statement = (
        select(InspectionRow, DeviceRow, FormRow.source)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(FormRow, FormRow.id == InspectionRow.form_id)
        .where(InspectionRow.id.in_(keys))
        .order_by(InspectionRow.id.desc())
    )
    rows = session.execute(statement).all()
    lots = lots_by_key(session, {row.lot_id for row, _, _ in rows})
    given = answers_given(session, keys)
    for row, device, form in rows:
        lot = lots[row.lot_id]
        answers = _with_instrument(given.answers_of(row.id), search)
        results = tuple(
            (named, result)
            for named, result in _named(row, lot.device_class, answers, form, known)
            if _fits(result, search)
        )
        if not results and (search.instrument_id is not None or search.characteristic_id is not None):
            continue
        yield OpenInspection(
            found=FleetDevice(
                device=Device(id=device.id, maker=device.maker, serial=device.serial, device_class=lot.device_class),
                lot=lot,
                inspection_id=row.id,
                outcome=None,
                signed_at=None,
                signed_by=None,
                quantity=None,
            ),
            results=results,
        )


def with_quantities(found: OpenInspection) -> Iterator[FleetDevice]:
    """Yield the device once for each of its results, as a search by quantity lists signed ones."""
    return (replace(found.found, quantity=result.quantity) for _, result in found.results)


def _with_instrument(answers: Sequence[Answer], search: FleetSearch) -> Sequence[Answer]:
    if search.instrument_id is None:
        return answers
    return [
        answer
        for answer in answers
        if search.instrument_id in answer.instrument_ids
        and (search.used_since is None or answer.recorded_at >= search.used_since)
        and (search.used_until is None or answer.recorded_at < search.used_until)
    ]


def _fits(result: ListedResult, search: FleetSearch) -> bool:
    if search.characteristic_id is None:
        return True
    low, high, value = search.value_at_least, search.value_at_most, result.quantity.value
    is_within = (low is None or value >= low) and (high is None or value <= high)
    return result.characteristic_id == search.characteristic_id and is_within


def _named(
    row: InspectionRow,
    device_class: str,
    answers: Sequence[Answer],
    form: str,
    known: Mapping[CharacteristicKey, int],
) -> Iterator[Named]:
    conditions = conditions_of(form)
    for answer in answers:
        for ordinal, result in enumerate(answer.measured.results, start=1):
            key = characteristic_key(device_class, answer, result, conditions[answer.step_id])
            number = known.get(key, _NOT_LISTED)
            yield (
                Characteristic(
                    id=number,
                    device_class=device_class,
                    check=key.check_name,
                    quantity_name=key.quantity_name,
                    condition=condition_from(key.condition),
                    unit=key.unit,
                ),
                ListedResult(
                    characteristic_id=number,
                    device_id=row.device_id,
                    inspection_id=row.id,
                    entry_id=answer.entry_id,
                    ordinal=ordinal,
                    measured_at=answer.recorded_at,
                    quantity=result.quantity,
                ),
            )
