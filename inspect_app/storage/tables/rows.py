"""What all tables share: their parent, the types of their columns, and the chain of events that seals them."""

import enum
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Date,
    DateTime,
    Dialect,
    Enum,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
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


def yes_no(name: str) -> Boolean:
    """Return the column type of yes and no; SQLite has no booleans, and without the check any number but 0 were yes."""
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
