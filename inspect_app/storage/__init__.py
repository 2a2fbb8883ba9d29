"""The record: the only home of SQLAlchemy; tables, rows to values, evidence, audit chain, migrations."""

from sqlalchemy.orm import Session

from inspect_app.storage.audit import Act, acting
from inspect_app.storage.database import Database, connect, newest_schema, prove_schema, schema_of
from inspect_app.storage.evidence import EvidenceStore, KeptFile
from inspect_app.storage.upgrading import upgrade

__all__ = [
    "Act",
    "Database",
    "EvidenceStore",
    "KeptFile",
    "Session",
    "acting",
    "connect",
    "newest_schema",
    "prove_schema",
    "schema_of",
    "upgrade",
]
