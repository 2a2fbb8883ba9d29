"""Importing what is kept for the work: accounts, instruments, calibrations, references and their readings."""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Calibration, Condition, Instrument, Person, Role
from inspect_app.quantity import Quantity
from inspect_app.storage import instruments, people, references
from inspect_app.workflow.control.instruments import take_calibration_in
from inspect_app.workflow.control.references import take_reference_in
from inspect_app.workflow.memory.imported_rows import Cells
from inspect_app.workflow.memory.imports._importable import Importable, Numbered, Taking, each
from inspect_app.workflow.memory.lists.kept import ACCOUNTS, CALIBRATIONS, INSTRUMENTS
from inspect_app.workflow.memory.lists.watched import REFERENCE_READINGS, REFERENCES
from inspect_app.workflow.people.accounts import clean_login
from inspect_app.workflow.typed_text import clean_line, clean_remark, normalise_serial

_SECRET_BYTES: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class _Account:
    login: str
    name: str
    role: Role
    is_active: bool | None


def _account(cells: Cells) -> _Account:
    role = cells.needed("role")
    if role not in set(Role):
        raise UnusableInput("role", f"'{role[:40]}' is none", f"Write one of {', '.join(Role)}.")
    return _Account(
        login=clean_login(cells.needed("login")),
        name=clean_line("name", cells.needed("name")),
        role=Role(role),
        is_active=cells.flag("is_active"),
    )


def _take_accounts(taking: Taking, lines: Sequence[Numbered[_Account]]) -> None:
    """Open accounts that nobody can sign in with: their password is thrown away until an administrator sets one."""
    nobodys = taking.workplace.hasher.hash(secrets.token_hex(_SECRET_BYTES)) if lines else ""
    for one in lines:
        line = one.line
        try:
            made = people.add(taking.act, login=line.login, name=line.name, role=line.role, password_hash=nobodys)
            if line.is_active is False:
                people.change(taking.act, people.Account(person=made, password_hash=nobodys), is_active=False)
        except InspectError as error:
            taking.refused[one.number] = error


@dataclass(frozen=True, slots=True, kw_only=True)
class _Instrument:
    kind: str
    name: str
    serial: str
    calibration: Calibration | None


def _instrument(cells: Cells) -> _Instrument:
    is_calibrated = any(cells.texts[column].strip() for column in ("certificate", "laboratory", "calibrated_on"))
    return _Instrument(
        kind=clean_line("kind", cells.needed("kind")).lower(),
        name=clean_line("name", cells.needed("name")),
        serial=normalise_serial(cells.needed("serial")),
        calibration=_calibration_of(cells) if is_calibrated else None,
    )


def _calibration_of(cells: Cells) -> Calibration:
    return Calibration(
        certificate=clean_line("certificate", cells.needed("certificate")),
        laboratory=clean_line("laboratory", cells.needed("laboratory")),
        calibrated_on=cells.day("calibrated_on"),
        due_on=cells.day("due_on"),
    )


def _take_instrument(taking: Taking, line: _Instrument) -> None:
    found = instruments.find(taking.act.session, kind=line.kind, serial=line.serial)
    if found is None:
        found = instruments.add(taking.act, kind=line.kind, name=line.name, serial=line.serial)
    elif found.name != line.name:
        raise UnusableInput("name", f"it is on record already, there with '{found.name}'", "Give it as it is there.")
    if line.calibration is not None:
        take_calibration_in(taking.act, found, line.calibration)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Calibration:
    kind: str
    serial: str
    calibration: Calibration


def _calibration(cells: Cells) -> _Calibration:
    return _Calibration(
        kind=clean_line("kind", cells.needed("kind")).lower(),
        serial=normalise_serial(cells.needed("serial")),
        calibration=_calibration_of(cells),
    )


def _take_calibration(taking: Taking, line: _Calibration) -> None:
    found: Instrument | None = instruments.find(taking.act.session, kind=line.kind, serial=line.serial)
    if found is None:
        raise UnusableInput("serial", f"no {line.kind} has {line.serial}", "Import the instruments first.")
    take_calibration_in(taking.act, found, line.calibration)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reference:
    name: str
    check: str
    quantity: str
    unit: str | None
    condition: Condition
    options: Condition


def _reference(cells: Cells) -> _Reference:
    return _Reference(
        name=clean_line("name", cells.needed("name")),
        check=cells.needed("check"),
        quantity=cells.needed("quantity"),
        unit=cells.text("unit"),
        condition=cells.values("condition"),
        options=cells.values("options"),
    )


def _take_reference(taking: Taking, line: _Reference) -> None:
    options = {name: str(value) for name, value in line.options.items()}
    made = take_reference_in(
        taking.act, line.name, line.check, line.quantity, condition=line.condition, options=options
    )
    if line.unit not in (None, made.unit):
        raise UnusableInput("unit", f"{line.quantity} is in {made.unit}, not in {line.unit}", f"Write {made.unit}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    reference: str
    value: float
    standard_uncertainty: float
    unit: str
    read_at: datetime | None
    read_by: str | None
    remark: str | None
    captures: str | None


def _reading(cells: Cells) -> _Reading:
    return _Reading(
        reference=clean_line("reference", cells.needed("reference")),
        value=cells.number("value"),
        standard_uncertainty=cells.number("standard_uncertainty"),
        unit=cells.needed("unit"),
        read_at=cells.moment("read_at"),
        read_by=cells.text("read_by"),
        remark=cells.text("remark"),
        captures=cells.text("captures"),
    )


def _take_reading(taking: Taking, line: _Reading) -> None:
    if line.captures is not None:
        raise UnusableInput(
            "captures",
            "it was measured from captures, which no list carries",
            "Leave it out (export with origin=typed), or take the whole record over by backup and restore.",
        )
    reference = references.reference_named(taking.act.session, line.reference)
    if reference is None:
        raise UnusableInput("reference", f"none is called '{line.reference[:40]}'", "Import the references first.")
    if reference.unit != line.unit:
        raise UnusableInput("unit", f"{reference.name} is read in {reference.unit}", f"Write {reference.unit}.")
    if line.standard_uncertainty < 0:
        raise UnusableInput("standard_uncertainty", "it is below zero", "Give zero or more.")
    at, newest = taking.at("read_at", line.read_at), references.last_read(taking.act.session, reference.id)
    if newest is not None and at < newest:
        raise UnusableInput("read_at", f"a later reading is on its chart, of {newest.isoformat()}", "Keep their order.")
    quantity = Quantity(value=line.value, unit=line.unit, standard_uncertainty=line.standard_uncertainty)
    by: Person = taking.by("read_by", line.read_by)
    remark = clean_remark("remark", line.remark)
    references.add_reading(taking.act, reference.id, quantity, by, remark=remark, at=at)


PEOPLE: Final = Importable(
    listing=ACCOUNTS, right="keep", read=_account, key_of=lambda one: one.login, take=_take_accounts
)
MEASURED_WITH: Final = Importable(
    listing=INSTRUMENTS, right="keep", read=_instrument, key_of=lambda one: one, take=each(_take_instrument)
)
CALIBRATED: Final = Importable(
    listing=CALIBRATIONS, right="keep", read=_calibration, key_of=lambda one: one, take=each(_take_calibration)
)
WATCHED: Final = Importable(
    listing=REFERENCES, right="approve", read=_reference, key_of=lambda one: one.name, take=each(_take_reference)
)
READ: Final = Importable(
    listing=REFERENCE_READINGS,
    right="inspect",
    read=_reading,
    key_of=lambda one: (one.reference, one.read_at),
    take=each(_take_reading),
)
