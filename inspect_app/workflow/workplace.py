"""The workplace: the opened record with its evidence, forms and clock, handed to every use case."""

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher

from inspect_app import definitions, storage
from inspect_app.definitions import Form
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.model import Person, Role
from inspect_app.storage import Act, Database, EvidenceStore, Session, people, snapshot
from inspect_app.workflow.settings import Settings, read_settings

CONSOLE: Final = "console"
"""The actor of what is done at the machine itself, without an account."""

_SEED_BYTES: Final = 32

_MAY: Final[Mapping[str, frozenset[Role]]] = {
    "read": frozenset(Role),
    "inspect": frozenset({Role.INSPECTOR, Role.APPROVER}),
    "approve": frozenset({Role.APPROVER}),
    "keep": frozenset({Role.ADMINISTRATOR}),
}


def _now() -> datetime:
    return datetime.now(UTC)


def _new_seed() -> str:
    return secrets.token_hex(_SEED_BYTES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Workplace:
    """What every use case works with; `through` names the token by which a program acts for a person."""

    settings: Settings
    database: Database
    evidence: EvidenceStore
    forms: Mapping[str, Form]
    clock: Callable[[], datetime] = _now
    draw_seed: Callable[[], str] = _new_seed
    hasher: PasswordHasher = field(default_factory=PasswordHasher)
    through: str = ""


def open_workplace(instance: Path | None = None, database_url: str | None = None) -> Workplace:
    """Open the record, and make an empty one where there is none.

    Raises
    ------
    NotAllowed
        The schema of the record is older or newer than this program's.
    InspectError
        The folder or the database cannot be used, or a form has a mistake.
    """
    settings = read_settings(instance=instance, database_url=database_url)
    _make_folders(settings)
    database = storage.connect(settings.database_url)
    if storage.schema_of(database) is None:
        storage.upgrade(database)
    storage.prove_schema(database)
    return Workplace(
        settings=settings,
        database=database,
        evidence=EvidenceStore(folder=settings.evidence_folder),
        forms=definitions.read_forms(settings.forms_folder),
    )


def close_workplace(workplace: Workplace) -> None:
    """Let go of the connections."""
    workplace.database.engine.dispose()


def _make_folders(settings: Settings) -> None:
    try:
        for folder in (settings.instance, settings.evidence_folder, settings.documents_folder):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InspectError(
            str(settings.instance), f"it cannot be made ({error.strerror or error})", "Name another instance folder."
        ) from error


def secret_key(workplace: Workplace) -> bytes:
    """Return the key that signs sessions; made once, readable by its owner only."""
    path = workplace.settings.instance / "secret_key"
    with contextlib.suppress(FileExistsError):
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(secrets.token_bytes(32))
    return path.read_bytes()


def may(person: Person, act: str) -> bool:
    """Say whether somebody may ``read``, ``inspect`` (receive, sign), ``approve`` (issue) or ``keep`` (accounts, …)."""
    return person.is_active and may_by_role(person.role, act)


def may_by_role(role: Role, act: str) -> bool:
    """Say whether a role permits an act, whoever has it."""
    return role in _MAY[act]


@contextlib.contextmanager
def reading(workplace: Workplace) -> Iterator[Session]:
    """Give a session that sees one moment of the record."""
    with workplace.database.reading() as session:
        yield session


@contextlib.contextmanager
def acting(
    workplace: Workplace, person: Person | None, kind: str, action: str, *, at: datetime | None = None
) -> Iterator[Act]:
    """Open the one transaction of a use case for somebody who may do it; None is the console.

    Raises
    ------
    NotAllowed
        The account's role does not permit it, or the account was disabled meanwhile.
    """
    actor = CONSOLE if person is None else person.login
    with storage.acting(workplace.database, actor=actor, action=action, at=at or workplace.clock()) as act:
        if person is not None:
            prove_may(act.session, person, kind)
        yield act
        if workplace.through:
            act.detail["through"] = workplace.through


def prove_may(session: Session, person: Person, kind: str) -> None:
    """See that somebody may do something, by the account as it stands now."""
    found = people.account(session, person_id=person.id)
    if found is None or not found.person.is_active:
        raise NotAllowed(person.login, "this account is not active", "Ask an administrator.")
    if not may(found.person, kind):
        allowed = " or ".join(sorted(role.value for role in _MAY[kind]))
        raise NotAllowed(person.login, f"the role {found.person.role.value} may not do this", f"Ask an {allowed}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Schema:
    """The migration that a record stands at (None: empty), and the one that this program writes."""

    found: str | None
    wanted: str


def schema(instance: Path | None = None) -> Schema:
    """Return how the schema of a record stands; nothing is changed."""
    settings = read_settings(instance=instance)
    _make_folders(settings)
    with snapshot.opened(settings.database_url) as database:
        return Schema(found=storage.schema_of(database), wanted=storage.newest_schema())


def upgrade_schema(instance: Path | None = None) -> Schema:
    """Bring the schema of a record to the one that this program writes, and return how it stood before."""
    before = schema(instance)
    with snapshot.opened(read_settings(instance=instance).database_url) as database:
        storage.upgrade(database)
    return before
