"""The tables of people and the states of their accounts."""

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import Role
from inspect_app.storage.tables.rows import Key, PersonKey, SealedRow, ShortText, yes_no


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
    is_active: Mapped[bool] = mapped_column(yes_no("is_active"))
