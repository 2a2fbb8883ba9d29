"""The tables of contracts and forms, kept as their source texts."""

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import Key, SealedRow, Sha256, ShortText


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
