"""The record: the only home of SQLAlchemy; tables, rows to values, evidence, audit chain, migrations."""

from sqlalchemy.orm import Session

from inspect_app.storage import (
    link_tables,
    lot_tables,
    nonconformity_tables,
    reading_tables,
    reference_tables,
    report_tables,
    result_tables,
    sent_tables,
    study_tables,
    token_tables,
)
from inspect_app.storage.audit import Act, acting
from inspect_app.storage.database import Database, connect, newest_schema, prove_schema, schema_of, upgrade
from inspect_app.storage.evidence import EvidenceStore, KeptFile

__all__ = [
    "Act",
    "Database",
    "EvidenceStore",
    "KeptFile",
    "Session",
    "acting",
    "connect",
    "link_tables",
    "lot_tables",
    "newest_schema",
    "nonconformity_tables",
    "prove_schema",
    "reading_tables",
    "reference_tables",
    "report_tables",
    "result_tables",
    "schema_of",
    "sent_tables",
    "study_tables",
    "token_tables",
    "upgrade",
]
