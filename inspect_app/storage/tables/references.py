"""The tables of references: what is watched, its readings, limits and clearances; append-only."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import EvidenceKey, Key, PersonKey, SealedRow, ShortText


class ReferenceRow(SealedRow):
    """One quantity that is watched; `condition` and `options` are canonical JSON."""

    __tablename__ = "reference"

    id: Mapped[Key]
    name: Mapped[ShortText] = mapped_column(unique=True)
    check_name: Mapped[ShortText]
    quantity_name: Mapped[ShortText]
    unit: Mapped[ShortText]
    condition: Mapped[str]
    options: Mapped[str]


class ReferenceReadingRow(SealedRow):
    """One reading; `transcript` is the measurement as canonical JSON where captures were measured."""

    __tablename__ = "reference_reading"
    __table_args__ = (
        UniqueConstraint("reference_id", "number"),
        CheckConstraint("standard_uncertainty >= 0", name="doubt_not_negative"),
    )

    id: Mapped[Key]
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"))
    number: Mapped[int]
    value: Mapped[float]
    standard_uncertainty: Mapped[float]
    remark: Mapped[str]
    transcript: Mapped[str | None]
    read_at: Mapped[datetime]
    read_by_id: Mapped[PersonKey]


class ReferenceFileRow(SealedRow):
    """A capture of a reading."""

    __tablename__ = "reference_file"
    __table_args__ = (UniqueConstraint("reading_id", "position"),)

    id: Mapped[Key]
    reading_id: Mapped[int] = mapped_column(ForeignKey("reference_reading.id"))
    position: Mapped[int]
    sha256: Mapped[EvidenceKey]
    name: Mapped[ShortText]


class ReferenceLimitsRow(SealedRow):
    """Control limits as they count from a reading on."""

    __tablename__ = "reference_limits"
    __table_args__ = (CheckConstraint("sigma > 0", name="sigma_above_zero"),)

    id: Mapped[Key]
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"), index=True)
    first: Mapped[int]
    last: Mapped[int]
    after: Mapped[int]
    centre: Mapped[float]
    sigma: Mapped[float]
    reason: Mapped[str]
    set_at: Mapped[datetime]
    set_by_id: Mapped[PersonKey]


class ReferenceClearanceRow(SealedRow):
    """Signals up to a reading, explained by an approver."""

    __tablename__ = "reference_clearance"
    __table_args__ = (UniqueConstraint("reference_id", "through"),)

    id: Mapped[Key]
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"))
    through: Mapped[int]
    reason: Mapped[str]
    cleared_at: Mapped[datetime]
    cleared_by_id: Mapped[PersonKey]
