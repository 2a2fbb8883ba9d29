"""The tables of tokens: who let a program act for them, how far, until when; and what programs were answered."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import Key, PersonKey, SealedRow, Sha256, ShortText


class TokenRow(SealedRow):
    """A token by the digest of its secret; `scopes` are words with spaces between."""

    __tablename__ = "token"
    __table_args__ = (CheckConstraint("made_at < expires_at", name="expires_after_made"),)

    id: Mapped[Key]
    person_id: Mapped[PersonKey]
    name: Mapped[ShortText]
    scopes: Mapped[ShortText]
    hint: Mapped[ShortText]
    secret_digest: Mapped[Sha256] = mapped_column(unique=True)
    made_at: Mapped[datetime]
    expires_at: Mapped[datetime]


class TokenEndRow(SealedRow):
    """A token that was revoked before it expired; by nobody's account where it was done at the machine itself."""

    __tablename__ = "token_end"

    id: Mapped[Key]
    token_id: Mapped[int] = mapped_column(ForeignKey("token.id"), unique=True)
    revoked_at: Mapped[datetime]
    revoked_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))


class AnsweredRequestRow(SealedRow):
    """A request that a program sent under a key, by digest, with the answer: sent again, it is answered alike."""

    __tablename__ = "answered_request"
    __table_args__ = (UniqueConstraint("token_id", "key"),)

    id: Mapped[Key]
    token_id: Mapped[int] = mapped_column(ForeignKey("token.id"))
    key: Mapped[ShortText]
    request_digest: Mapped[Sha256]
    status: Mapped[int]
    location: Mapped[str | None]
    body: Mapped[str]
    body_digest: Mapped[Sha256]
