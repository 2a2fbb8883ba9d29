"""The tables of the record: typed rows without behaviour, all of them append-only.

Every table but `event` carries the event that wrote the row, and each event seals the rows that it wrote with a digest
(see `audit`). Nothing is ever updated: what changes over time, such as an account's password, is a newer row.
"""

import enum
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Date,
    DateTime,
    Dialect,
    Enum,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from inspect_app.model import DocumentKind, EndManner, EntryState, Outcome, Role


class Instant(TypeDecorator[datetime]):
    """A moment in UTC, aware of its time zone on every database."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a moment without time zone; SQLite keeps the UTC clock face."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a moment without time zone cannot be kept: {value}")
        in_utc = value.astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 (signature of the library)
        """Give the moment back with its time zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def chosen_from(enumeration: type[enum.StrEnum], name: str) -> Enum:
    """Return the column type of an enumeration that is kept by value, with a check on what may stand there."""
    return Enum(
        enumeration,
        name=name,
        native_enum=False,
        create_constraint=True,
        length=32,
        values_callable=lambda members: [member.value for member in members],
    )


def _yes_no(name: str) -> Boolean:
    # SQLite has no booleans: without the check any number but 0 would count as yes.
    return Boolean(create_constraint=True, name=name)


class Row(DeclarativeBase):
    """Parent of all rows."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: Final[dict[Any, Any]] = {
        str: Text(),
        datetime: Instant(),
        date: Date(),
        Role: chosen_from(Role, "role"),
        EntryState: chosen_from(EntryState, "state"),
        Outcome: chosen_from(Outcome, "outcome"),
        DocumentKind: chosen_from(DocumentKind, "kind"),
        EndManner: chosen_from(EndManner, "manner"),
    }


Key = Annotated[int, mapped_column(Integer, primary_key=True)]
Sha256 = Annotated[str, mapped_column(String(64))]
Serial = Annotated[str, mapped_column(String(64))]
ShortText = Annotated[str, mapped_column(String(200))]
# The event is written last, once its rows are known, so the reference is proved at the end of the transaction.
WrittenBy = Annotated[
    int, mapped_column(ForeignKey("event.id", deferrable=True, initially="DEFERRED"), index=True, sort_order=100)
]
PersonKey = Annotated[int, mapped_column(ForeignKey("person.id"))]
InspectionKey = Annotated[int, mapped_column(ForeignKey("inspection.id"))]
DeviceKey = Annotated[int, mapped_column(ForeignKey("device.id"), index=True)]
EvidenceKey = Annotated[str, mapped_column(ForeignKey("evidence.sha256"), index=True)]


class EventRow(Row):
    """One link of the audit chain; `content` is the digest of the rows that it wrote."""

    __tablename__ = "event"
    __table_args__ = (CheckConstraint("id >= 1", name="counts_from_one"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    at: Mapped[datetime]
    actor: Mapped[ShortText]
    action: Mapped[ShortText]
    subject: Mapped[ShortText]
    detail: Mapped[str]
    content: Mapped[Sha256]
    previous_digest: Mapped[Sha256] = mapped_column(unique=True)
    digest: Mapped[Sha256] = mapped_column(unique=True)


class SealedRow(Row):
    """Parent of all rows that an event seals."""

    __abstract__ = True

    event_id: Mapped[WrittenBy]


class PersonRow(SealedRow):
    """Somebody with an account; what may change about them is in `AccountStateRow`."""

    __tablename__ = "person"

    id: Mapped[Key]
    login: Mapped[ShortText] = mapped_column(unique=True)


class AccountStateRow(SealedRow):
    """An account as it stands from this row on; the newest counts."""

    __tablename__ = "account_state"
    __table_args__ = (UniqueConstraint("person_id", "ordinal"),)

    id: Mapped[Key]
    person_id: Mapped[PersonKey]
    ordinal: Mapped[int]
    name: Mapped[ShortText]
    role: Mapped[Role]
    password_hash: Mapped[str]
    is_active: Mapped[bool] = mapped_column(_yes_no("is_active"))


class ContractRow(SealedRow):
    """One revision of a contract, as its source text."""

    __tablename__ = "contract"
    __table_args__ = (UniqueConstraint("number", "revision"),)

    id: Mapped[Key]
    number: Mapped[ShortText]
    revision: Mapped[ShortText]
    digest: Mapped[Sha256] = mapped_column(unique=True)
    source: Mapped[str]


class FormRow(SealedRow):
    """One revision of a form, as its source text, kept when the first inspection opens with it."""

    __tablename__ = "form"
    __table_args__ = (UniqueConstraint("device_class", "revision"),)

    id: Mapped[Key]
    device_class: Mapped[ShortText]
    revision: Mapped[ShortText]
    digest: Mapped[Sha256] = mapped_column(unique=True)
    source: Mapped[str]


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


class DeviceRow(SealedRow):
    """One serial number of one maker; its class is that of the lot it came in."""

    __tablename__ = "device"
    __table_args__ = (UniqueConstraint("maker", "serial"), Index(None, "serial"))

    id: Mapped[Key]
    maker: Mapped[ShortText]
    serial: Mapped[Serial]


class ShipmentRow(SealedRow):
    """What a supplier delivered at one time."""

    __tablename__ = "shipment"
    __table_args__ = (UniqueConstraint("contract_number", "reference"),)

    id: Mapped[Key]
    contract_number: Mapped[ShortText]
    reference: Mapped[ShortText]
    supplier: Mapped[ShortText]
    received_at: Mapped[datetime]
    received_by_id: Mapped[PersonKey]


class LotRow(SealedRow):
    """Devices of one class in a shipment."""

    __tablename__ = "lot"
    __table_args__ = (UniqueConstraint("shipment_id", "device_class"),)

    id: Mapped[Key]
    number: Mapped[ShortText] = mapped_column(unique=True)
    device_class: Mapped[ShortText]
    shipment_id: Mapped[int] = mapped_column(ForeignKey("shipment.id"))


class ArrivalRow(SealedRow):
    """One device in one lot, with what was noted at the dock."""

    __tablename__ = "arrival"
    __table_args__ = (UniqueConstraint("lot_id", "device_id"), UniqueConstraint("lot_id", "position"))

    id: Mapped[Key]
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"))
    device_id: Mapped[DeviceKey]
    position: Mapped[int]
    note: Mapped[str]
    is_on_list: Mapped[bool] = mapped_column(_yes_no("is_on_list"))


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
