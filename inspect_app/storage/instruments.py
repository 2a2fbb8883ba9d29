"""Instruments and their calibrations in the record."""

from collections import defaultdict
from collections.abc import Collection, Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.model import Calibration, Instrument
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import instrument_of
from inspect_app.storage.tables import CalibrationRow, EntryInstrumentRow, InstrumentRow


def instruments(session: Session) -> tuple[Instrument, ...]:
    """Return all instruments in order of kind and name."""
    rows = session.scalars(select(InstrumentRow).order_by(InstrumentRow.kind, InstrumentRow.name)).all()
    calibrations = _calibrations(session, {row.id for row in rows})
    return tuple(instrument_of(row, calibrations[row.id]) for row in rows)


def instrument(session: Session, instrument_id: int) -> Instrument | None:
    """Return one instrument."""
    row = session.get(InstrumentRow, instrument_id)
    return None if row is None else instrument_of(row, _calibrations(session, {row.id})[row.id])


def find(session: Session, *, kind: str, serial: str) -> Instrument | None:
    """Return the instrument of a kind with a serial number."""
    row = session.scalar(select(InstrumentRow).where(InstrumentRow.kind == kind, InstrumentRow.serial == serial))
    return None if row is None else instrument(session, row.id)


def add(act: Act, *, kind: str, name: str, serial: str) -> Instrument:
    """Add an instrument."""
    return instrument_of(act.add(InstrumentRow(kind=kind, name=name, serial=serial)), ())


def add_calibration(act: Act, instrument_id: int, calibration: Calibration) -> None:
    """Append a calibration."""
    act.add(
        CalibrationRow(
            instrument_id=instrument_id,
            certificate=calibration.certificate,
            laboratory=calibration.laboratory,
            calibrated_on=calibration.calibrated_on,
            due_on=calibration.due_on,
        )
    )


def instruments_of_entries(session: Session, entry_ids: Collection[int]) -> Mapping[int, list[Instrument]]:
    """Return the instruments of entries, each with the calibrations that were known when the entry was written."""
    statement = (
        select(EntryInstrumentRow, InstrumentRow)
        .join(InstrumentRow, InstrumentRow.id == EntryInstrumentRow.instrument_id)
        .where(EntryInstrumentRow.entry_id.in_(entry_ids))
        .order_by(EntryInstrumentRow.entry_id, EntryInstrumentRow.position)
    )
    pairs = session.execute(statement).all()
    calibrations = _calibrations(session, {row.id for _, row in pairs})
    found: dict[int, list[Instrument]] = defaultdict(list)
    for named, row in pairs:
        known = [calibration for calibration in calibrations[row.id] if calibration.event_id < named.event_id]
        found[named.entry_id].append(instrument_of(row, known))
    return found


def _calibrations(session: Session, instrument_ids: Collection[int]) -> Mapping[int, list[CalibrationRow]]:
    statement = (
        select(CalibrationRow)
        .where(CalibrationRow.instrument_id.in_(instrument_ids))
        .order_by(CalibrationRow.calibrated_on, CalibrationRow.id)
    )
    found: dict[int, list[CalibrationRow]] = defaultdict(list)
    for row in session.scalars(statement):
        found[row.instrument_id].append(row)
    return found
