"""Which documents no longer stand, and the certificates on which their seals rest."""

from collections.abc import Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.model import DocumentEnd, EndManner, Person
from inspect_app.storage.audit import Act
from inspect_app.storage.people import people
from inspect_app.storage.tables import AuthorityRow, DocumentEndRow, DocumentRow


def ends(session: Session) -> Mapping[int, DocumentEnd]:
    """Return, by key, the end of every document that no longer stands; there are few."""
    everybody = people(session)
    statement = select(DocumentEndRow, DocumentRow.number).outerjoin(
        DocumentRow, DocumentRow.id == DocumentEndRow.successor_id
    )
    return {
        row.document_id: DocumentEnd(
            manner=row.manner,
            reason=row.reason,
            ended_at=row.ended_at,
            ended_by=everybody[row.ended_by_id],
            successor=successor,
        )
        for row, successor in session.execute(statement)
    }


def add_end(
    act: Act, number: str, manner: EndManner, *, reason: str, ended_by: Person, successor: str | None = None
) -> None:
    """Say that a document no longer stands."""
    act.add(
        DocumentEndRow(
            document_id=_key_of(act.session, number),
            manner=manner,
            successor_id=None if successor is None else _key_of(act.session, successor),
            reason=reason,
            ended_at=act.at,
            ended_by_id=ended_by.id,
        )
    )


def _key_of(session: Session, number: str) -> int:
    return session.scalars(select(DocumentRow.id).where(DocumentRow.number == number)).one()


def authorities(session: Session) -> tuple[str, ...]:
    """Return the certificates, as PEM, that vouch for the seals of this record."""
    return tuple(session.scalars(select(AuthorityRow.certificate).order_by(AuthorityRow.id)))


def add_authority(act: Act, certificate: str) -> None:
    """Trust a certificate, as PEM, for the seals of this record."""
    act.add(AuthorityRow(certificate=certificate))
