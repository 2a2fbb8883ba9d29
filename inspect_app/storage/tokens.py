"""Tokens in the record, and the requests that were answered under a key."""

import hashlib
from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from inspect_app.model import AnsweredRequest, Person, Scope, Token
from inspect_app.storage.audit import Act
from inspect_app.storage.people import account, people
from inspect_app.storage.tables import AnsweredRequestRow, TokenEndRow, TokenRow


def add(
    act: Act, *, owner: Person, name: str, scopes: frozenset[Scope], hint: str, digest: str, expires_at: datetime
) -> Token:
    """Add a token."""
    row = act.add(
        TokenRow(
            person_id=owner.id,
            name=name,
            scopes=" ".join(sorted(scopes)),
            hint=hint,
            secret_digest=digest,
            made_at=act.at,
            expires_at=expires_at,
        )
    )
    return _token(row, None, owner)


def revoke(act: Act, token_id: int, by: Person | None) -> None:
    """End a token."""
    act.add(TokenEndRow(token_id=token_id, revoked_at=act.at, revoked_by_id=None if by is None else by.id))


def tokens(session: Session, person_id: int | None = None) -> tuple[Token, ...]:
    """Return the tokens of a person, or of everybody, newest first."""
    statement = _tokens().order_by(TokenRow.id.desc())
    if person_id is not None:
        statement = statement.where(TokenRow.person_id == person_id)
    everybody: Mapping[int, Person] = people(session)
    return tuple(_token(row, end, everybody[row.person_id]) for row, end in session.execute(statement))


def by_digest(session: Session, digest: str) -> Token | None:
    """Return the token whose secret has a digest."""
    found = session.execute(_tokens().where(TokenRow.secret_digest == digest)).first()
    if found is None:
        return None
    owner = account(session, person_id=found[0].person_id)
    return None if owner is None else _token(found[0], found[1], owner.person)


def _tokens() -> Select[TokenRow, TokenEndRow]:
    return select(TokenRow, TokenEndRow).outerjoin(TokenEndRow, TokenEndRow.token_id == TokenRow.id)


def _token(row: TokenRow, end: TokenEndRow | None, owner: Person) -> Token:
    return Token(
        id=row.id,
        person=owner,
        name=row.name,
        scopes=frozenset(Scope(word) for word in row.scopes.split()),
        hint=row.hint,
        made_at=row.made_at,
        expires_at=row.expires_at,
        revoked_at=None if end is None else end.revoked_at,
    )


def answered(session: Session, token_id: int, key: str) -> AnsweredRequest | None:
    """Return what was answered to a token under a key."""
    statement = select(AnsweredRequestRow).where(AnsweredRequestRow.token_id == token_id, AnsweredRequestRow.key == key)
    row = session.scalar(statement)
    if row is None:
        return None
    return AnsweredRequest(request_digest=row.request_digest, status=row.status, location=row.location, body=row.body)


def keep_answer(act: Act, token_id: int, key: str, answer: AnsweredRequest) -> None:
    """Keep what a request was answered."""
    act.add(
        AnsweredRequestRow(
            token_id=token_id,
            key=key,
            request_digest=answer.request_digest,
            status=answer.status,
            location=answer.location,
            body=answer.body,
            body_digest=hashlib.sha256(answer.body.encode()).hexdigest(),
        )
    )
