"""Tokens: what a program shows in the place of a password, in the name of a person."""

import enum
from dataclasses import dataclass
from datetime import datetime

from inspect_app.model.record import Person


class Scope(enum.StrEnum):
    """What a token permits, of what its person may do: read, receive shipments, inspect."""

    READ = "read"
    RECEIVE = "receive"
    INSPECT = "inspect"


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A token as the record knows it, which is not its secret; `hint` is how the secret begins."""

    id: int
    person: Person
    name: str
    scopes: frozenset[Scope]
    hint: str
    made_at: datetime
    expires_at: datetime
    revoked_at: datetime | None = None

    def is_live_at(self, moment: datetime) -> bool:
        """Say whether it still opens anything."""
        return self.revoked_at is None and moment < self.expires_at and self.person.is_active


@dataclass(frozen=True, slots=True, kw_only=True)
class AnsweredRequest:
    """What a program sent under a key of its choice, by digest, and what it was answered."""

    request_digest: str
    status: int
    location: str | None
    body: str
