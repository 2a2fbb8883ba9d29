"""Tokens: a person lets a program act in their name, so far and so long; and what was answered, kept under keys."""

import hashlib
import secrets
from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import AnsweredRequest, Person, Scope, Token
from inspect_app.storage import tokens as kept
from inspect_app.workflow.typed_text import clean_line
from inspect_app.workflow.workplace import Workplace, acting, may, reading

LONGEST_DAYS: Final = 366
_SECRET_BYTES: Final = 32
_PREFIX: Final = "inspect_"  # by which scanners for leaked secrets, and people, know one
_HINT: Final = len(_PREFIX) + 6
_NEEDS: Final = {Scope.RECEIVE: "inspect", Scope.INSPECT: "inspect"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NewToken:
    """A token and its secret, which nobody sees again."""

    token: Token
    secret: str


def make_token(
    workplace: Workplace, person: Person | None, owner: Person, name: str, scopes: Collection[Scope], *, days: int
) -> NewToken:
    """Make a token for oneself, or at the machine itself (None) for anybody.

    Its rights are at any time what its owner may do, as far as `scopes` go. 256 random bits need no slow hash: the
    record keeps their SHA-256.

    Raises
    ------
    UnusableInput
        It has no name, no scope, one that the account may not use, or lasts too long.
    NotAllowed
        The account is another's, or not active.
    """
    name = clean_line("name", name)
    if person is not None and person.id != owner.id:
        raise NotAllowed(owner.login, "a token is made by its owner", "Ask them.")
    if not 1 <= days <= LONGEST_DAYS:
        raise UnusableInput("days", f"{days} is not from 1 to {LONGEST_DAYS}", "Make a new one when it expires.")
    _prove_scopes(owner, scopes)
    secret = _PREFIX + secrets.token_urlsafe(_SECRET_BYTES)
    with acting(workplace, owner, "read", "token made") as act:
        token = kept.add(
            act,
            owner=owner,
            name=name,
            scopes=frozenset(scopes),
            hint=secret[:_HINT],
            digest=_digest(secret),
            expires_at=act.at + timedelta(days=days),
        )
        made_by = "the owner" if person is not None else "the console"
        act.tell(f"token {token.id} of {owner.login}", name=name, scopes=" ".join(sorted(scopes)), by=made_by)
    return NewToken(token=token, secret=secret)


def _prove_scopes(owner: Person, scopes: Collection[Scope]) -> None:
    if not scopes:
        raise UnusableInput("scopes", "none is chosen", "Choose what the program may do.")
    for scope in scopes:
        if scope in _NEEDS and not may(owner, _NEEDS[scope]):
            raise UnusableInput("scopes", f"the role {owner.role.value} may not {scope.value}", "Choose read alone.")


def tokens(workplace: Workplace, owner: Person | None = None) -> tuple[Token, ...]:
    """Return the tokens of a person, or of everybody, newest first."""
    with reading(workplace) as session:
        return kept.tokens(session, None if owner is None else owner.id)


def revoke_token(workplace: Workplace, person: Person | None, token_id: int) -> Token:
    """End a token: one's own, as an administrator anybody's, or at the machine itself (None).

    Raises
    ------
    NotFound
        There is none, or it is another's.
    """
    with acting(workplace, person, "read", "token revoked") as act:
        found = next((one for one in kept.tokens(act.session) if one.id == token_id), None)
        is_theirs = person is None or (found is not None and found.person.id == person.id) or may(person, "keep")
        if found is None or not is_theirs:
            raise NotFound(f"token {token_id}", "you have no such token", "Choose one of your list.")
        if found.revoked_at is None:
            kept.revoke(act, token_id, person)
            act.tell(f"token {token_id} of {found.person.login}", name=found.name)
        return found


def token_of_secret(workplace: Workplace, secret: str) -> Token:
    """Return the token that a program shows.

    Raises
    ------
    NotAllowed
        In the same words whatever was wrong.
    """
    with reading(workplace) as session:
        found = kept.by_digest(session, _digest(secret))
    if found is None or not found.is_live_at(workplace.clock()):
        raise NotAllowed("token", "it is unknown, expired or revoked", "Make a new one on your account's page.")
    return found


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def answered_before(workplace: Workplace, token: Token, key: str, request_digest: str) -> AnsweredRequest | None:
    """Return what a token was answered under a key, or None.

    Raises
    ------
    UnusableInput
        Another request was sent under this key.
    """
    with reading(workplace) as session:
        return _same_request(kept.answered(session, token.id, key), request_digest)


def _same_request(found: AnsweredRequest | None, request_digest: str) -> AnsweredRequest | None:
    if found is not None and found.request_digest != request_digest:
        raise UnusableInput("Idempotency-Key", "another request was sent under it", "Give each request its own key.")
    return found


def keep_answer(workplace: Workplace, token: Token, key: str, answer: AnsweredRequest) -> AnsweredRequest:
    """Keep what a request was answered, and return what counts: the first answer, where two requests ran at once."""
    with acting(workplace, token.person, "read", "request answered") as act:
        found = _same_request(kept.answered(act.session, token.id, key), answer.request_digest)
        if found is not None:
            return found
        kept.keep_answer(act, token.id, key, answer)
        act.tell(f"token {token.id} of {token.person.login}", key=key)
    return answer
