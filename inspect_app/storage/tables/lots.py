"""The tables of sampled lots: draws, changes to samples, verdicts, resubmissions, rulings; append-only like all."""

from datetime import datetime
from typing import Annotated

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import FollowUp, Outcome, RulingKind, Severity
from inspect_app.storage.tables.rows import Key, PersonKey, SealedRow, Sha256, ShortText, chosen_from

LotKey = Annotated[int, mapped_column(ForeignKey("lot.id"))]


class SampleDrawRow(SealedRow):
    """The random draw of a lot; `plans` is canonical JSON of the plans by class of nonconformity."""

    __tablename__ = "sample_draw"

    id: Mapped[Key]
    lot_id: Mapped[LotKey] = mapped_column(unique=True)
    contract_id: Mapped[int] = mapped_column(ForeignKey("contract.id"))
    seed: Mapped[Sha256]
    lot_size: Mapped[int]
    plans: Mapped[str]
    drawn_at: Mapped[datetime]
    drawn_by_id: Mapped[PersonKey]


class SampleChangeRow(SealedRow):
    """A device added to a sample, or taken in place of another."""

    __tablename__ = "sample_change"
    __table_args__ = (UniqueConstraint("draw_id", "ordinal"), UniqueConstraint("draw_id", "device_id"))

    id: Mapped[Key]
    draw_id: Mapped[int] = mapped_column(ForeignKey("sample_draw.id"))
    ordinal: Mapped[int]
    device_id: Mapped[int] = mapped_column(ForeignKey("device.id"))
    replaced_device_id: Mapped[int | None] = mapped_column(ForeignKey("device.id"))
    reason: Mapped[str]
    changed_at: Mapped[datetime]
    changed_by_id: Mapped[PersonKey]


class LotVerdictRow(SealedRow):
    """The verdict on a lot; `counts` is canonical JSON of what its sample gave."""

    __tablename__ = "lot_verdict"

    id: Mapped[Key]
    lot_id: Mapped[LotKey] = mapped_column(unique=True)
    outcome: Mapped[Outcome]
    follow_up: Mapped[FollowUp] = mapped_column(chosen_from(FollowUp, "follow_up"))
    counts: Mapped[str]
    reason: Mapped[str]
    decided_at: Mapped[datetime]
    decided_by_id: Mapped[PersonKey]


class ResubmissionRow(SealedRow):
    """A lot that comes again after it was rejected."""

    __tablename__ = "resubmission"
    __table_args__ = (CheckConstraint("earlier_lot_id < lot_id", name="earlier_comes_first"),)

    id: Mapped[Key]
    lot_id: Mapped[LotKey] = mapped_column(unique=True)
    earlier_lot_id: Mapped[LotKey] = mapped_column(unique=True)
    reason: Mapped[str]
    declared_at: Mapped[datetime]
    declared_by_id: Mapped[PersonKey]


class SwitchingRulingRow(SealedRow):
    """What the responsible authority decided about the switching of a supplier."""

    __tablename__ = "switching_ruling"

    id: Mapped[Key]
    supplier: Mapped[ShortText]
    device_class: Mapped[ShortText]
    severity: Mapped[Severity] = mapped_column(chosen_from(Severity, "severity"))
    kind: Mapped[RulingKind] = mapped_column(chosen_from(RulingKind, "ruling_kind"))
    reason: Mapped[str]
    ruled_at: Mapped[datetime]
    ruled_by_id: Mapped[PersonKey]
