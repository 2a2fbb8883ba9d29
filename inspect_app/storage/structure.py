"""Prove that the tables and triggers of a record are built as this program builds them."""

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Final

from sqlalchemy import Connection, text
from sqlalchemy.pool import StaticPool

from inspect_app.storage import triggers
from inspect_app.storage.database import connect
from inspect_app.storage.tables import REPLACED, Row
from inspect_app.storage.upgrading import upgrade

_BUILT: Final = "SELECT type || ' ' || name, sql FROM sqlite_master WHERE sql IS NOT NULL"
_SPACES: Final = re.compile(r"\s+")


def structure_problems(connection: Connection) -> Iterator[str]:
    """Yield what is missing, added or changed, in words.

    On SQLite everything is compared with a new record that went through the same migrations; on PostgreSQL, whose
    columns are proved by reading them, the triggers and their function are.
    """
    for name in triggers.missing(connection, sorted(Row.metadata.tables.keys() - REPLACED)):
        yield f"the trigger {name}, which keeps its table append-only, is gone"
    if connection.dialect.name != "sqlite":
        yield from triggers.changed(connection)
        return
    wanted, found = _as_built(), _built(connection)
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found:
            if not name.startswith("trigger"):
                yield f"the {name} is gone"
        elif name not in wanted:
            yield f"the {name} was added"
        elif found[name] != wanted[name]:
            yield f"the {name} was changed: it is not as this program builds it"


def _built(connection: Connection) -> Mapping[str, str]:
    return {name: _SPACES.sub(" ", sql) for name, sql in connection.execute(text(_BUILT))}


@lru_cache(maxsize=1)
def _as_built() -> Mapping[str, str]:
    fresh = connect("sqlite://", poolclass=StaticPool)
    try:
        upgrade(fresh)
        with fresh.engine.connect() as connection:
            return _built(connection)
    finally:
        fresh.engine.dispose()
