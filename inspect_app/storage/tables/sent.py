"""The tables of captures on their way to a step, and of the phones that may send them; append-only."""

from datetime import datetime

from sqlalchemy import ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import EvidenceKey, InspectionKey, Key, PersonKey, SealedRow, Sha256, ShortText


class PairingRow(SealedRow):
    """The right of a phone to add captures; of its token only the digest is known."""

    __tablename__ = "pairing"
    __table_args__ = (Index(None, "inspection_id"),)

    id: Mapped[Key]
    inspection_id: Mapped[InspectionKey]
    step_id: Mapped[str | None]
    token_sha256: Mapped[Sha256] = mapped_column(unique=True)
    made_at: Mapped[datetime]
    made_by_id: Mapped[PersonKey]
    expires_at: Mapped[datetime]


class PairingEndRow(SealedRow):
    """A pairing that was ended before it expired."""

    __tablename__ = "pairing_end"

    id: Mapped[Key]
    pairing_id: Mapped[int] = mapped_column(ForeignKey("pairing.id"), unique=True)
    ended_at: Mapped[datetime]
    ended_by_id: Mapped[PersonKey]


class SentCaptureRow(SealedRow):
    """A kept file that was sent for an inspection, under the name that it had where it came from."""

    __tablename__ = "sent_capture"
    __table_args__ = (Index(None, "inspection_id"),)

    id: Mapped[Key]
    inspection_id: Mapped[InspectionKey]
    sha256: Mapped[EvidenceKey]
    name: Mapped[ShortText]
    pairing_id: Mapped[int | None] = mapped_column(ForeignKey("pairing.id"), index=True)
    sent_at: Mapped[datetime]
    sent_by_id: Mapped[PersonKey]


class LeftOutRow(SealedRow):
    """A sent capture that somebody put into no step; it stays kept."""

    __tablename__ = "left_out"

    id: Mapped[Key]
    sent_capture_id: Mapped[int] = mapped_column(ForeignKey("sent_capture.id"), unique=True)
    left_at: Mapped[datetime]
    left_by_id: Mapped[PersonKey]
