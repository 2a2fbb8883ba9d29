"""Lists of what is kept: captures, instruments, reader studies, accounts, the audit chain."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from inspect_app.documents.tabular import Table
from inspect_app.errors import NotFound
from inspect_app.model import Calibration, Event, Evidence, Instrument, Person, ReaderStudy
from inspect_app.storage import Session, instruments, listing, people, studies
from inspect_app.storage.listing import Span
from inspect_app.workflow.memory.listing import Listing, Where
from inspect_app.workflow.memory.lists._parts import part_of
from inspect_app.workflow.workplace import Workplace, reading


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCapture:
    """A kept file, and who kept it."""

    file: Evidence
    kept_by: Person


def kept_capture(workplace: Workplace, sha256: str) -> KeptCapture:
    """Return what is known of a kept file.

    Raises
    ------
    NotFound
        The record names no such file.
    """
    with reading(workplace) as session:
        for file, by in listing.kept_files(session, Span(), sha256=sha256):
            return KeptCapture(file=file, kept_by=by)
    raise NotFound(f"evidence {sha256[:12]}", "the record names no such file", "Keep it first.")


def _captures(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[KeptCapture]:
    return (KeptCapture(file=file, kept_by=by) for file, by in listing.kept_files(session, span))


def _instruments(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[Instrument]:
    return part_of(instruments.instruments(session), span, lambda one: one.id)


def _calibrations(
    _workplace: Workplace, session: Session, _span: Span, _where: Where
) -> Iterator[tuple[Instrument, Calibration]]:
    for one in sorted(instruments.instruments(session), key=lambda one: one.id):
        for calibration in one.calibrations:
            yield one, calibration


def _studies(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[ReaderStudy]:
    return part_of(studies.studies(session), span, lambda one: one.number)


def _accounts(_workplace: Workplace, session: Session, span: Span, _where: Where) -> Iterator[Person]:
    return part_of(people.people(session).values(), span, lambda one: one.id)


CAPTURES: Final[Listing[KeptCapture]] = Listing(
    table=Table(
        name="captures",
        columns={
            "sha256": lambda one: one.file.sha256,
            "name": lambda one: one.file.name,
            "media_type": lambda one: one.file.media_type,
            "size_bytes": lambda one: one.file.size_bytes,
            "kept_at": lambda one: one.file.kept_at,
            "kept_by": lambda one: one.kept_by.name,
        },
    ),
    key_of=lambda one: one.file.sha256,
    rows=_captures,
)
INSTRUMENTS: Final[Listing[Instrument]] = Listing(
    table=Table(
        name="instruments",
        columns={
            "kind": lambda one: one.kind,
            "name": lambda one: one.name,
            "serial": lambda one: one.serial,
            "certificate": lambda one: None if (last := one.latest_calibration()) is None else last.certificate,
            "laboratory": lambda one: None if (last := one.latest_calibration()) is None else last.laboratory,
            "calibrated_on": lambda one: None if (last := one.latest_calibration()) is None else last.calibrated_on,
            "due_on": lambda one: None if (last := one.latest_calibration()) is None else last.due_on,
        },
    ),
    key_of=lambda one: one.id,
    rows=_instruments,
)
CALIBRATIONS: Final[Listing[tuple[Instrument, Calibration]]] = Listing(
    table=Table(
        name="calibrations",
        columns={
            "kind": lambda one: one[0].kind,
            "serial": lambda one: one[0].serial,
            "certificate": lambda one: one[1].certificate,
            "laboratory": lambda one: one[1].laboratory,
            "calibrated_on": lambda one: one[1].calibrated_on,
            "due_on": lambda one: one[1].due_on,
        },
    ),
    rows=_calibrations,
)
STUDIES: Final[Listing[ReaderStudy]] = Listing(
    table=Table(
        name="studies",
        columns={
            "study": lambda one: one.number,
            "title": lambda one: one.title,
            "kind": lambda one: one.kind.value,
            "layout": lambda one: one.layout,
            "table": lambda one: one.table_name,
            "instrument": lambda one: None if one.instrument is None else one.instrument.serial,
            "remark": lambda one: one.remark,
            "kept_at": lambda one: one.kept_at,
            "kept_by": lambda one: one.kept_by.name,
        },
    ),
    key_of=lambda one: one.number,
    rows=_studies,
)
ACCOUNTS: Final[Listing[Person]] = Listing(
    table=Table(
        name="accounts",
        columns={
            "login": lambda one: one.login,
            "name": lambda one: one.name,
            "role": lambda one: one.role.value,
            "is_active": lambda one: one.is_active,
        },
    ),
    key_of=lambda one: one.id,
    rows=_accounts,
    is_of_accounts=True,
)
EVENTS: Final[Listing[Event]] = Listing(
    table=Table(
        name="events",
        columns={
            "event": lambda one: one.id,
            "at": lambda one: one.at,
            "actor": lambda one: one.actor,
            "action": lambda one: one.action,
            "subject": lambda one: one.subject,
            "detail": lambda one: json.dumps(dict(one.detail), ensure_ascii=False, sort_keys=True),
            "digest": lambda one: one.digest,
            "previous_digest": lambda one: one.previous_digest,
        },
    ),
    key_of=lambda one: one.id,
    rows=lambda _workplace, session, span, _where: listing.events(session, span),
    is_of_accounts=True,  # it tells of every account
)
