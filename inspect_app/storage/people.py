"""Accounts in the record."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Person, Role
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import person_of
from inspect_app.storage.tables import AccountStateRow, PersonRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A person together with the hash of the password."""

    person: Person
    password_hash: str


_newest = (
    select(AccountStateRow.person_id, func.max(AccountStateRow.ordinal).label("ordinal"))
    .group_by(AccountStateRow.person_id)
    .subquery()
)
_NEWEST_STATES: Final = (
    select(PersonRow, AccountStateRow)
    .join(AccountStateRow, AccountStateRow.person_id == PersonRow.id)
    .join(_newest, (_newest.c.person_id == AccountStateRow.person_id) & (_newest.c.ordinal == AccountStateRow.ordinal))
)


def people(session: Session) -> dict[int, Person]:
    """Return everybody, by key, in order of login; there are tens, not thousands."""
    statement = _NEWEST_STATES.order_by(PersonRow.login)
    return {row.id: person_of(row, state) for row, state in session.execute(statement)}


def account(session: Session, *, login: str | None = None, person_id: int | None = None) -> Account | None:
    """Return the account with a login or a key."""
    which = PersonRow.login == login if person_id is None else PersonRow.id == person_id
    found = session.execute(_NEWEST_STATES.where(which)).first()
    if found is None:
        return None
    row, state = found
    return Account(person=person_of(row, state), password_hash=state.password_hash)


def add(act: Act, *, login: str, name: str, role: Role, password_hash: str) -> Person:
    """Add somebody."""
    row = act.add(PersonRow(login=login))
    state = act.add(
        AccountStateRow(person_id=row.id, ordinal=1, name=name, role=role, password_hash=password_hash, is_active=True)
    )
    return person_of(row, state)


def change(act: Act, found: Account, *, password_hash: str | None = None, is_active: bool | None = None) -> Person:
    """Append how an account stands from now on."""
    row = act.session.get_one(PersonRow, found.person.id)
    count = act.session.scalar(select(func.count()).where(AccountStateRow.person_id == row.id)) or 0
    state = act.add(
        AccountStateRow(
            person_id=row.id,
            ordinal=count + 1,
            name=found.person.name,
            role=found.person.role,
            password_hash=found.password_hash if password_hash is None else password_hash,
            is_active=found.person.is_active if is_active is None else is_active,
        )
    )
    return person_of(row, state)
