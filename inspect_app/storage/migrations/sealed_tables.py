"""Parts that migrations build sealed tables of; what they build must stay as it is, for migrations are never edited."""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem


def column(name: str, kind: Any, *parts: SchemaItem, nullable: bool = False) -> sa.Column[Any]:
    """Return a column that must be filled, unless it may be empty."""
    return sa.Column(name, kind, *parts, nullable=nullable)


def to(table: str, name: str, referred: str, *, nullable: bool = False) -> sa.Column[Any]:
    """Return a column that names a row of another table by its key."""
    key = sa.ForeignKey(f"{referred}.id", name=f"fk_{table}_{name}_{referred}")
    return column(name, sa.Integer(), key, nullable=nullable)


def choice(*words: str, name: str) -> sa.Enum:
    """Return the type of a column that holds one of a few words."""
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=32)


def create(table: str, *parts: SchemaItem) -> None:
    """Create a table with its key and the event that seals each row."""
    event = f"fk_{table}_event_id_event"
    op.create_table(
        table,
        column("id", sa.Integer()),
        *parts,
        column("event_id", sa.Integer()),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=event, initially="DEFERRED", deferrable=True),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    )
    op.create_index(f"ix_{table}_event_id", table, ["event_id"])
