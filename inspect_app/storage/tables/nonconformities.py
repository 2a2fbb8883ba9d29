"""The tables of nonconformities: what was found, what was decided about it, what was sent back; append-only."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import Disposition, NonconformityStep, Severity
from inspect_app.storage.tables.rows import DeviceKey, Key, PersonKey, SealedRow, ShortText, chosen_from


class NonconformityRow(SealedRow):
    """One demand that was not met when a signature was given; numbers run without gaps in each year."""

    __tablename__ = "nonconformity"
    __table_args__ = (
        UniqueConstraint("signature_id", "ordinal"),
        UniqueConstraint("year", "sequence"),
        Index(None, "check_name", "quantity_name"),
        Index(None, "severity"),
    )

    id: Mapped[Key]
    number: Mapped[ShortText] = mapped_column(unique=True)
    year: Mapped[int]
    sequence: Mapped[int]
    signature_id: Mapped[int] = mapped_column(ForeignKey("signature.id"))
    ordinal: Mapped[int]
    clause: Mapped[str]
    title: Mapped[str]
    check_name: Mapped[ShortText]
    quantity_name: Mapped[ShortText]
    severity: Mapped[Severity] = mapped_column(chosen_from(Severity, "severity"))
    step_id: Mapped[str | None]
    finding: Mapped[str]


class NonconformityActRow(SealedRow):
    """One decision about a nonconformity; `repeats` is canonical JSON of the checks to be repeated."""

    __tablename__ = "nonconformity_act"
    __table_args__ = (
        UniqueConstraint("nonconformity_id", "ordinal"),
        CheckConstraint("(step = 'disposed') = (disposition IS NOT NULL)", name="disposed_says_how"),
        CheckConstraint("(step = 'classified') = (severity IS NOT NULL)", name="classified_says_what"),
        Index(None, "severity"),
    )

    id: Mapped[Key]
    nonconformity_id: Mapped[int] = mapped_column(ForeignKey("nonconformity.id"))
    ordinal: Mapped[int]
    step: Mapped[NonconformityStep] = mapped_column(chosen_from(NonconformityStep, "step"))
    severity: Mapped[Severity | None] = mapped_column(chosen_from(Severity, "severity"))
    disposition: Mapped[Disposition | None] = mapped_column(chosen_from(Disposition, "disposition"))
    valid_until: Mapped[date | None]
    repeats: Mapped[str]
    reason: Mapped[str]
    decided_at: Mapped[datetime]
    decided_by_id: Mapped[PersonKey]


class ReturnShipmentRow(SealedRow):
    """Devices sent back to their supplier together."""

    __tablename__ = "return_shipment"
    __table_args__ = (UniqueConstraint("supplier", "reference"),)

    id: Mapped[Key]
    supplier: Mapped[ShortText]
    reference: Mapped[ShortText]
    remark: Mapped[str]
    sent_at: Mapped[datetime]
    sent_by_id: Mapped[PersonKey]


class ReturnedDeviceRow(SealedRow):
    """One device of a return shipment."""

    __tablename__ = "returned_device"
    __table_args__ = (UniqueConstraint("return_shipment_id", "device_id"),)

    id: Mapped[Key]
    return_shipment_id: Mapped[int] = mapped_column(ForeignKey("return_shipment.id"))
    device_id: Mapped[DeviceKey]
