"""Instruments and their calibrations."""

from dataclasses import replace

from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Calibration, Instrument, Person
from inspect_app.storage import Act
from inspect_app.storage import instruments as kept
from inspect_app.workflow.typed_text import clean_line, normalise_serial
from inspect_app.workflow.workplace import Workplace, acting, reading


def add_instrument(workplace: Workplace, person: Person | None, kind: str, name: str, serial: str) -> Instrument:
    """Add an instrument; one of this kind and serial that is there already is returned.

    Raises
    ------
    UnusableInput
        A text is empty or too long.
    NotAllowed
        The person is no administrator.
    """
    kind, name = clean_line("kind", kind).lower(), clean_line("name", name)
    serial = normalise_serial(serial)
    with acting(workplace, person, "keep", "instrument added") as act:
        found = kept.find(act.session, kind=kind, serial=serial)
        if found is not None:
            return found
        act.tell(f"instrument {serial}", kind=kind, name=name)
        return kept.add(act, kind=kind, name=name, serial=serial)


def add_calibration(
    workplace: Workplace, person: Person | None, instrument_id: int, calibration: Calibration
) -> Instrument:
    """Append a calibration to an instrument; the same one again changes nothing.

    Raises
    ------
    UnusableInput
        It is due before it was made, or a text is empty.
    NotFound
        There is no such instrument.
    """
    with acting(workplace, person, "keep", "calibration added") as act:
        found = kept.instrument(act.session, instrument_id)
        if found is None:
            raise NotFound(f"instrument {instrument_id}", "there is no such instrument", "Choose one from the list.")
        act.tell(f"instrument {found.serial}", certificate=calibration.certificate, due=calibration.due_on.isoformat())
        return take_calibration_in(act, found, calibration)


def take_calibration_in(act: Act, found: Instrument, calibration: Calibration) -> Instrument:
    """Do what `add_calibration` does within an act."""
    if calibration.due_on < calibration.calibrated_on:
        raise UnusableInput("due date", "it lies before the calibration", "Correct one of the dates.")
    cleaned = replace(
        calibration,
        certificate=clean_line("certificate", calibration.certificate),
        laboratory=clean_line("laboratory", calibration.laboratory),
    )
    if cleaned in found.calibrations:
        return found
    kept.add_calibration(act, found.id, cleaned)
    return replace(found, calibrations=(*found.calibrations, cleaned))


def instruments(workplace: Workplace) -> tuple[Instrument, ...]:
    """Return all instruments in order of kind and name."""
    with reading(workplace) as session:
        return kept.instruments(session)
