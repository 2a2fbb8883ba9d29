"""Accounts: who may sign in, and the proof that it is them."""

import re
import secrets
from typing import Final

from argon2.exceptions import InvalidHashError, VerificationError

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Person, Role
from inspect_app.storage import Session, people
from inspect_app.storage.people import Account
from inspect_app.workflow.typed_text import clean_line, same_words
from inspect_app.workflow.workplace import CONSOLE, Workplace, acting, may, reading

# NIST SP 800-63B-4, 3.1.1.2 (from memory): at least 15 characters where the password is the only factor, no rules of
# composition, words that belong to the account refused. The upper end spares the hash absurd work.
SHORTEST_PASSWORD: Final = 15
LONGEST_PASSWORD: Final = 200
_FEWEST_DIFFERENT: Final = 5
_LOGIN = re.compile(r"[a-z0-9][a-z0-9._-]{1,63}")
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is read for another
_NOT_RIGHT: Final = ("sign-in", "login or password is not right", "Try again, or ask an administrator.")


def add_account(
    workplace: Workplace, person: Person | None, login: str, name: str, role: Role, password: str
) -> Person:
    """Add an account.

    Raises
    ------
    UnusableInput
        The login is taken or misspelt, or the password is too easy.
    NotAllowed
        The person is no administrator.
    """
    login = clean_login(login)
    name = clean_line("name", name)
    _prove_password_is_good(password, login, name)
    password_hash = workplace.hasher.hash(password)
    with acting(workplace, person, "keep", "account added") as act:
        if people.account(act.session, login=login) is not None:
            raise UnusableInput(f"login '{login}'", "it is taken", "Choose another.")
        added = people.add(act, login=login, name=name, role=role, password_hash=password_hash)
        act.tell(f"account {login}", name=name, role=role.value)
    return added


def clean_login(login: str) -> str:
    """Return a login in the one spelling that the record uses.

    Raises
    ------
    UnusableInput
        It cannot be one.
    """
    cleaned = login.strip().lower()
    if not _LOGIN.fullmatch(cleaned) or cleaned == CONSOLE:
        raise UnusableInput(
            f"login '{login[:40]}'",
            "it cannot be used",
            "Use 2 to 64 letters a to z, digits, dots and hyphens, beginning with a letter or digit.",
        )
    return cleaned


def _prove_password_is_good(password: str, login: str, name: str) -> None:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise UnusableInput(
            "password",
            f"it has {len(password)} characters",
            f"Use {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}; a few unrelated words do well.",
        )
    folded = same_words(password)
    if len(set(folded)) < _FEWEST_DIFFERENT or login in folded or same_words(name) in folded:
        raise UnusableInput("password", "it is easy to guess", "Use a few unrelated words, none of them your name.")


def new_password() -> str:
    """Return a random password that the rules admit: 20 characters in groups of five, some 99 bits."""
    groups = ("".join(secrets.choice(_LETTERS) for _ in range(5)) for _ in range(4))
    return "-".join(groups)


def sign_in(workplace: Workplace, login: str, password: str) -> Person:
    """Return the person with this login and password.

    Raises
    ------
    NotAllowed
        In the same words whatever was wrong.
    """
    with reading(workplace) as session:
        found = people.account(session, login=login.strip().lower())
    if found is None:
        workplace.hasher.hash(password[:LONGEST_PASSWORD])  # takes as long as a wrong password, tells nothing
        raise NotAllowed(*_NOT_RIGHT)
    if not _fits(workplace, found, password) or not found.person.is_active:
        raise NotAllowed(*_NOT_RIGHT)
    if workplace.hasher.check_needs_rehash(found.password_hash):
        _renew_hash(workplace, found, password)
    return found.person


def _fits(workplace: Workplace, found: Account, password: str) -> bool:
    try:
        return workplace.hasher.verify(found.password_hash, password[: LONGEST_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return False


def _renew_hash(workplace: Workplace, found: Account, password: str) -> None:
    password_hash = workplace.hasher.hash(password)
    with acting(workplace, None, "keep", "password hash renewed") as act:
        people.change(act, found, password_hash=password_hash)
        act.tell(f"account {found.person.login}")


def prove_password(workplace: Workplace, person: Person, password: str) -> None:
    """See that a person still knows the password, as before signing.

    Raises
    ------
    NotAllowed
        The password is wrong, or the account is not active.
    """
    with reading(workplace) as session:
        found = people.account(session, person_id=person.id)
    if found is None or not found.person.is_active or not _fits(workplace, found, password):
        raise NotAllowed("password", "it is not right", "Type the password that you sign in with.")


def person(workplace: Workplace, person_id: int) -> Person | None:
    """Return an account by its key."""
    with reading(workplace) as session:
        found = people.account(session, person_id=person_id)
    return None if found is None else found.person


def accounts(workplace: Workplace) -> tuple[Person, ...]:
    """Return all accounts in order of login."""
    with reading(workplace) as session:
        return tuple(people.people(session).values())


def set_password(workplace: Workplace, person: Person | None, account_id: int, password: str) -> None:
    """Set a password: one's own, or as an administrator anybody's.

    Raises
    ------
    UnusableInput
        It is too easy.
    NotAllowed
        It is neither one's own account nor an administrator's act.
    """
    password_hash = workplace.hasher.hash(password[: LONGEST_PASSWORD + 1])
    is_own = person is not None and person.id == account_id
    with acting(workplace, None if is_own else person, "keep", "password set") as act:
        found = _account(act.session, account_id)
        if is_own and not found.person.is_active:
            raise NotAllowed(found.person.login, "this account is not active", "Ask an administrator.")
        _prove_password_is_good(password, found.person.login, found.person.name)
        people.change(act, found, password_hash=password_hash)
        act.tell(f"account {found.person.login}", by="the owner" if is_own else "an administrator")


def _account(session: Session, account_id: int) -> Account:
    found = people.account(session, person_id=account_id)
    if found is None:
        raise NotFound(f"account {account_id}", "there is no such account", "Choose one from the list.")
    return found


def set_active(workplace: Workplace, person: Person | None, account_id: int, *, is_active: bool) -> Person:
    """Let an account sign in again, or no longer.

    Raises
    ------
    NotAllowed
        The person is no administrator, or nobody would be left who may keep accounts.
    """
    with acting(workplace, person, "keep", "account enabled" if is_active else "account disabled") as act:
        found = _account(act.session, account_id)
        if found.person.is_active == is_active:
            return found.person
        others = (other for other in people.people(act.session).values() if other.id != account_id)
        if may(found.person, "keep") and not any(may(other, "keep") for other in others):
            raise NotAllowed(found.person.login, "it is the last active administrator", "Add another one first.")
        act.tell(f"account {found.person.login}")
        return people.change(act, found, is_active=is_active)
