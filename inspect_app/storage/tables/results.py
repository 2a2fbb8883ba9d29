"""Tables fit for questions about the fleet: what signed inspections say, in columns; derived, append-only.

They are written in the transaction that signs an inspection and say nothing that the sealed rows do not say already
(measurements and assessments as JSON). So no event seals them: `results.problems` derives them again and compares.
"""

from datetime import datetime
from typing import Annotated, Final

from sqlalchemy import BigInteger, Float, ForeignKey, Index, Integer, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import Finding, Outcome
from inspect_app.storage.tables.rows import Key, Row, ShortText, chosen_from

KEYS_OF_SIGNATURE: Final = 100_000
"""The key of a row is its signature's times this, and its place there: it too can be derived again."""

CountedKey = Annotated[
    int, mapped_column(BigInteger().with_variant(Integer(), "sqlite"), primary_key=True, autoincrement=False)
]
SignatureKey = Annotated[int, mapped_column(ForeignKey("signature.id"))]
_To = mapped_column


class CharacteristicRow(Row):
    """What can be measured of a class: a quantity of a check under a lasting condition (canonical JSON), in a unit."""

    __tablename__ = "characteristic"
    __table_args__ = (
        UniqueConstraint(
            "device_class", "check_name", "quantity_name", "condition", "unit", name="uq_characteristic_whole"
        ),
    )

    id: Mapped[Key]
    device_class: Mapped[ShortText]
    check_name: Mapped[ShortText]
    quantity_name: Mapped[ShortText]
    condition: Mapped[str]
    unit: Mapped[ShortText]


class ResultRow(Row):
    """One result as it counted when an inspection was signed; `ordinal` is its place in the measurement of the entry.

    `finding` is that of the worst judgement which was decided on it; empty where it decided none. Results that were
    carried over from an earlier inspection are listed there alone.
    """

    __tablename__ = "result"
    __table_args__ = (
        Index(None, "signature_id"),
        Index(None, "device_id", "characteristic_id", "measured_at"),
        Index(None, "characteristic_id", "measured_at"),
        Index(None, "characteristic_id", "value"),
    )

    id: Mapped[CountedKey]
    signature_id: Mapped[SignatureKey]
    entry_id: Mapped[int] = _To(ForeignKey("entry.id"))
    ordinal: Mapped[int]
    characteristic_id: Mapped[int] = _To(ForeignKey("characteristic.id"))
    device_id: Mapped[int] = _To(ForeignKey("device.id"))
    measured_at: Mapped[datetime]
    value: Mapped[float] = _To(Float(53))
    standard_uncertainty: Mapped[float] = _To(Float(53))
    degrees_of_freedom: Mapped[float | None] = _To(Float(53))
    finding: Mapped[Finding | None] = _To(chosen_from(Finding, "finding"))


class DeviceVerdictRow(Row):
    """The verdict of one signature with all that a fleet is searched by."""

    __tablename__ = "device_verdict"
    __table_args__ = (
        Index(None, "signed_at"),
        Index(None, "outcome", "signed_at"),
        Index(None, "device_class", "signed_at"),
        Index(None, "device_class", "outcome", "signed_at"),
        Index(None, "supplier", "signed_at"),
        Index(None, "supplier", "outcome", "signed_at"),
        Index(None, "contract_number", "signed_at"),
        Index(None, "contract_number", "outcome", "signed_at"),
        Index(None, "lot_id", "signed_at"),
        Index(None, "signed_by_id", "signed_at"),
        Index(None, "device_id", "lot_id"),
    )

    signature_id: Mapped[int] = _To(ForeignKey("signature.id"), primary_key=True)
    inspection_id: Mapped[int] = _To(ForeignKey("inspection.id"))
    device_id: Mapped[int] = _To(ForeignKey("device.id"))
    lot_id: Mapped[int] = _To(ForeignKey("lot.id"))
    device_class: Mapped[ShortText]
    supplier: Mapped[ShortText]
    contract_number: Mapped[ShortText]
    outcome: Mapped[Outcome]
    signed_at: Mapped[datetime]
    signed_by_id: Mapped[int] = _To(ForeignKey("person.id"))


class InstrumentUseRow(Row):
    """An instrument that results of a signed inspection were measured with, and when it was used there last."""

    __tablename__ = "instrument_use"
    __table_args__ = (Index(None, "signature_id"), Index(None, "instrument_id", "last_used_at"))

    id: Mapped[CountedKey]
    signature_id: Mapped[SignatureKey]
    instrument_id: Mapped[int] = _To(ForeignKey("instrument.id"))
    last_used_at: Mapped[datetime]
