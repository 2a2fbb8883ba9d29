"""Pairings of phones in the record."""

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from inspect_app.model import Pairing, Person
from inspect_app.storage.audit import Act
from inspect_app.storage.people import people
from inspect_app.storage.tables import PairingEndRow, PairingRow


def pairing(session: Session, pairing_id: int) -> Pairing | None:
    """Return a pairing."""
    return _first(session, PairingRow.id == pairing_id)


def pairing_of_token(session: Session, token_sha256: str) -> Pairing | None:
    """Return the pairing whose token has a digest."""
    return _first(session, PairingRow.token_sha256 == token_sha256)


def pairings_of_inspection(session: Session, inspection_id: int) -> tuple[Pairing, ...]:
    """Return every pairing that was made for an inspection, oldest first."""
    return _found(session, PairingRow.inspection_id == inspection_id)


def _first(session: Session, which: ColumnElement[bool]) -> Pairing | None:
    return next(iter(_found(session, which)), None)


def _found(session: Session, which: ColumnElement[bool]) -> tuple[Pairing, ...]:
    statement = (
        select(PairingRow, PairingEndRow.ended_at)
        .outerjoin(PairingEndRow, PairingEndRow.pairing_id == PairingRow.id)
        .where(which)
        .order_by(PairingRow.id)
    )
    everybody = people(session)
    return tuple(pairing_of(row, ended_at, everybody) for row, ended_at in session.execute(statement))


def pairing_of(row: PairingRow, ended_at: datetime | None, everybody: Mapping[int, Person]) -> Pairing:
    """Return a row as the value that travels."""
    return Pairing(
        id=row.id,
        inspection_id=row.inspection_id,
        step_id=row.step_id,
        made_by=everybody[row.made_by_id],
        made_at=row.made_at,
        expires_at=row.expires_at,
        ended_at=ended_at,
    )


def add_pairing(
    act: Act, inspection_id: int, step_id: str | None, *, token_sha256: str, made_by: Person, expires_at: datetime
) -> Pairing:
    """Append a pairing."""
    row = act.add(
        PairingRow(
            inspection_id=inspection_id,
            step_id=step_id,
            token_sha256=token_sha256,
            made_at=act.at,
            made_by_id=made_by.id,
            expires_at=expires_at,
        )
    )
    return pairing_of(row, None, {made_by.id: made_by})


def end_pairing(act: Act, pairing_id: int, ended_by: Person) -> None:
    """Append that a pairing was ended."""
    act.add(PairingEndRow(pairing_id=pairing_id, ended_at=act.at, ended_by_id=ended_by.id))
