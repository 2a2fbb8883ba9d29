"""The tables of inspections: evidence, answers, measurements, corrections and signatures."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import EntryState, Outcome
from inspect_app.storage.tables.rows import DeviceKey, EvidenceKey, InspectionKey, Key, PersonKey, SealedRow, ShortText


class InspectionRow(SealedRow):
    """One pass of one device through one form; `ordinal` counts the passes of a device in a lot."""

    __tablename__ = "inspection"
    __table_args__ = (UniqueConstraint("lot_id", "device_id", "ordinal"),)

    id: Mapped[Key]
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"))
    device_id: Mapped[DeviceKey]
    ordinal: Mapped[int]
    form_id: Mapped[int] = mapped_column(ForeignKey("form.id"))
    contract_id: Mapped[int] = mapped_column(ForeignKey("contract.id"))
    opened_at: Mapped[datetime]
    opened_by_id: Mapped[PersonKey]


class EvidenceRow(SealedRow):
    """A file that is kept under its digest."""

    __tablename__ = "evidence"
    __table_args__ = (CheckConstraint("size_bytes > 0", name="not_empty"),)

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[ShortText]
    media_type: Mapped[ShortText]
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    kept_at: Mapped[datetime]
    kept_by_id: Mapped[PersonKey]


class EntryRow(SealedRow):
    """The answers to one step in one revision; `answers` and `conditions` are canonical JSON."""

    __tablename__ = "entry"
    __table_args__ = (
        UniqueConstraint("inspection_id", "step_id", "revision"),
        CheckConstraint("revision >= 1", name="revision_counts_from_one"),
    )

    id: Mapped[Key]
    inspection_id: Mapped[InspectionKey]
    step_id: Mapped[ShortText]
    revision: Mapped[int]
    state: Mapped[EntryState]
    answers: Mapped[str]
    conditions: Mapped[str]
    problem: Mapped[str | None]
    reason: Mapped[str | None]
    recorded_at: Mapped[datetime]
    recorded_by_id: Mapped[PersonKey]


class EntryInstrumentRow(SealedRow):
    """An instrument that an entry was measured with."""

    __tablename__ = "entry_instrument"
    __table_args__ = (UniqueConstraint("entry_id", "position"),)

    id: Mapped[Key]
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    position: Mapped[int]
    instrument_id: Mapped[int] = mapped_column(ForeignKey("instrument.id"))


class EntryEvidenceRow(SealedRow):
    """A file of an entry, with its name at the bench and its role in the step."""

    __tablename__ = "entry_evidence"
    __table_args__ = (UniqueConstraint("entry_id", "position"),)

    id: Mapped[Key]
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    position: Mapped[int]
    sha256: Mapped[EvidenceKey]
    name: Mapped[ShortText]
    role: Mapped[ShortText]


class MeasurementRow(SealedRow):
    """What the check found for an entry, as canonical JSON, and which version of the program found it."""

    __tablename__ = "measurement"

    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"), primary_key=True)
    program_version: Mapped[ShortText]
    transcript: Mapped[str]


class CorrectionRow(SealedRow):
    """A result that counts in the place of the computed one: which options a person set, why, and what came out."""

    __tablename__ = "correction"
    __table_args__ = (UniqueConstraint("entry_id", "ordinal"),)

    id: Mapped[Key]
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))
    ordinal: Mapped[int]
    options: Mapped[str]
    reason: Mapped[str]
    made_at: Mapped[datetime]
    made_by_id: Mapped[PersonKey]
    program_version: Mapped[ShortText]
    transcript: Mapped[str]


class SignatureRow(SealedRow):
    """The end of an inspection, with its judgements as they stood, in canonical JSON."""

    __tablename__ = "signature"
    __table_args__ = (UniqueConstraint("inspection_id", "ordinal"), Index(None, "outcome"))

    id: Mapped[Key]
    inspection_id: Mapped[InspectionKey]
    ordinal: Mapped[int]
    signed_at: Mapped[datetime]
    signed_by_id: Mapped[PersonKey]
    outcome: Mapped[Outcome]
    remark: Mapped[str]
    assessment: Mapped[str]


class ReopeningRow(SealedRow):
    """A held inspection taken up again: its signature no longer counts."""

    __tablename__ = "reopening"

    id: Mapped[Key]
    signature_id: Mapped[int] = mapped_column(ForeignKey("signature.id"), unique=True)
    reopened_at: Mapped[datetime]
    reopened_by_id: Mapped[PersonKey]
    reason: Mapped[str]
