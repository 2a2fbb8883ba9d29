"""The tables of documents, their end, and the authorities that vouch for their seals."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import DocumentKind, EndManner
from inspect_app.storage.tables.rows import EvidenceKey, Key, PersonKey, SealedRow, ShortText


class DocumentRow(SealedRow):
    """An issued document; numbers run without gaps in each kind and year. A report rests on no inspection."""

    __tablename__ = "document"
    __table_args__ = (
        UniqueConstraint("kind", "year", "sequence"),
        CheckConstraint("(inspection_id IS NULL) = (signature_id IS NULL)", name="rests_on_a_signature"),
        Index(None, "inspection_id"),
        Index(None, "signature_id"),
    )

    id: Mapped[Key]
    number: Mapped[ShortText] = mapped_column(unique=True)
    kind: Mapped[DocumentKind]
    year: Mapped[int]
    sequence: Mapped[int]
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"))
    signature_id: Mapped[int | None] = mapped_column(ForeignKey("signature.id"))
    sha256: Mapped[EvidenceKey]
    issued_at: Mapped[datetime]
    issued_by_id: Mapped[PersonKey]


class DocumentEndRow(SealedRow):
    """A document that no longer stands: superseded by another one, or revoked."""

    __tablename__ = "document_end"

    id: Mapped[Key]
    document_id: Mapped[int] = mapped_column(ForeignKey("document.id"), unique=True)
    manner: Mapped[EndManner]
    successor_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    reason: Mapped[str]
    ended_at: Mapped[datetime]
    ended_by_id: Mapped[PersonKey]


class AuthorityRow(SealedRow):
    """A certificate, as PEM, that vouches for the seal of documents."""

    __tablename__ = "authority"

    id: Mapped[Key]
    certificate: Mapped[str] = mapped_column(unique=True)
