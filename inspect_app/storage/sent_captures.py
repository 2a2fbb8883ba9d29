"""Captures that were sent for an inspection, in the record."""

from collections.abc import Collection
from dataclasses import replace
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from inspect_app.model import Evidence, Person, SentCapture
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import evidence_of
from inspect_app.storage.pairings import pairing_of
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    EntryEvidenceRow,
    EntryRow,
    EvidenceRow,
    LeftOutRow,
    PairingEndRow,
    PairingRow,
    SentCaptureRow,
)


def add_sent_capture(
    act: Act, inspection_id: int, file: Evidence, *, sent_by: Person, pairing_id: int | None = None
) -> None:
    """Append that a kept file was sent for an inspection; one that waits already is not sent twice."""
    same = _waiting(inspection_id).where(SentCaptureRow.sha256 == file.sha256)
    if act.session.scalar(same.limit(1)) is not None:
        return
    act.add(
        SentCaptureRow(
            inspection_id=inspection_id,
            sha256=file.sha256,
            name=file.name,
            pairing_id=pairing_id,
            sent_at=act.at,
            sent_by_id=sent_by.id,
        )
    )


def waiting_captures(session: Session, inspection_id: int) -> tuple[SentCapture, ...]:
    """Return the captures of an inspection that are in no step and were not left out, oldest first."""
    return _found(session, _waiting(inspection_id).order_by(SentCaptureRow.id))


def count_waiting(session: Session, inspection_id: int) -> int:
    """Return how many captures of an inspection are in no step and were not left out."""
    return session.scalar(select(func.count()).select_from(_waiting(inspection_id).subquery())) or 0


def captures_of_pairing(session: Session, pairing_id: int) -> tuple[SentCapture, ...]:
    """Return what came by a pairing, oldest first."""
    sent = select(SentCaptureRow).where(SentCaptureRow.pairing_id == pairing_id)
    return _found(session, sent.order_by(SentCaptureRow.id))


def leave_out(act: Act, sent_ids: Collection[int], left_by: Person) -> None:
    """Append that captures belong to no step."""
    act.add_all([LeftOutRow(sent_capture_id=key, left_at=act.at, left_by_id=left_by.id) for key in sent_ids])


def _waiting(inspection_id: int) -> Select[SentCaptureRow]:
    placed = (
        select(EntryEvidenceRow.sha256)
        .join(EntryRow, EntryRow.id == EntryEvidenceRow.entry_id)
        .where(EntryRow.inspection_id == inspection_id)
    )
    left = select(LeftOutRow.sent_capture_id)
    return select(SentCaptureRow).where(
        SentCaptureRow.inspection_id == inspection_id,
        SentCaptureRow.sha256.not_in(placed),
        SentCaptureRow.id.not_in(left),
    )


def _found(session: Session, sent: Select[Any]) -> tuple[SentCapture, ...]:
    statement = (
        sent.join(EvidenceRow, EvidenceRow.sha256 == SentCaptureRow.sha256)
        .outerjoin(PairingRow, PairingRow.id == SentCaptureRow.pairing_id)
        .outerjoin(PairingEndRow, PairingEndRow.pairing_id == PairingRow.id)
        .add_columns(EvidenceRow, PairingRow, PairingEndRow.ended_at)
    )
    everybody = people(session)
    return tuple(
        SentCapture(
            id=row.id,
            file=replace(evidence_of(file), name=row.name),
            sent_at=row.sent_at,
            sent_by=everybody[row.sent_by_id],
            pairing=None if pairing is None else pairing_of(pairing, ended_at, everybody),
        )
        for row, file, pairing, ended_at in session.execute(statement)
    )
