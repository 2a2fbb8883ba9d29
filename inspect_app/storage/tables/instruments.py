"""The tables of instruments and their calibrations."""

from datetime import date

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import Key, SealedRow, Serial, ShortText


class InstrumentRow(SealedRow):
    """What was measured with."""

    __tablename__ = "instrument"
    __table_args__ = (UniqueConstraint("kind", "serial"),)

    id: Mapped[Key]
    kind: Mapped[ShortText]
    name: Mapped[ShortText]
    serial: Mapped[Serial]


class CalibrationRow(SealedRow):
    """One calibration of an instrument."""

    __tablename__ = "calibration"
    __table_args__ = (
        UniqueConstraint("instrument_id", "certificate", "calibrated_on"),
        CheckConstraint("calibrated_on <= due_on", name="due_after_calibrated"),
    )

    id: Mapped[Key]
    instrument_id: Mapped[int] = mapped_column(ForeignKey("instrument.id"))
    certificate: Mapped[ShortText]
    laboratory: Mapped[ShortText]
    calibrated_on: Mapped[date]
    due_on: Mapped[date]
