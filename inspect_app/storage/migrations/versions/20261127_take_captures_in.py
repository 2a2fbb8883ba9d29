"""Take captures in before they belong to a step: what was sent for an inspection, and the phones that may send.

A capture that was sent waits in the record, not in the address of a page; one that is put into no step is left out by
somebody, with a row of its own.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261127_take_captures_in"
down_revision: str | None = "20261126_watch_the_bench"

_TABLES = ("pairing", "pairing_end", "sent_capture", "left_out")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    _create_pairings()
    _create_captures()
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])


def _create_pairings() -> None:
    _sealed(
        "pairing",
        _to("pairing", "inspection_id", "inspection"),
        _column("step_id", sa.Text(), nullable=True),
        _column("token_sha256", sa.String(length=64)),
        _column("made_at", sa.DateTime(timezone=True)),
        _to("pairing", "made_by_id", "person"),
        _column("expires_at", sa.DateTime(timezone=True)),
        sa.UniqueConstraint("token_sha256", name="uq_pairing_token_sha256"),
    )
    op.create_index("ix_pairing_inspection_id", "pairing", ["inspection_id"])
    _sealed(
        "pairing_end",
        _to("pairing_end", "pairing_id", "pairing"),
        _column("ended_at", sa.DateTime(timezone=True)),
        _to("pairing_end", "ended_by_id", "person"),
        sa.UniqueConstraint("pairing_id", name="uq_pairing_end_pairing_id"),
    )


def _create_captures() -> None:
    _sealed(
        "sent_capture",
        _to("sent_capture", "inspection_id", "inspection"),
        _column(
            "sha256",
            sa.String(length=64),
            sa.ForeignKey("evidence.sha256", name="fk_sent_capture_sha256_evidence"),
        ),
        _column("name", sa.String(length=200)),
        _to("sent_capture", "pairing_id", "pairing", nullable=True),
        _column("sent_at", sa.DateTime(timezone=True)),
        _to("sent_capture", "sent_by_id", "person"),
    )
    for column in ("inspection_id", "sha256", "pairing_id"):
        op.create_index(f"ix_sent_capture_{column}", "sent_capture", [column])
    _sealed(
        "left_out",
        _to("left_out", "sent_capture_id", "sent_capture"),
        _column("left_at", sa.DateTime(timezone=True)),
        _to("left_out", "left_by_id", "person"),
        sa.UniqueConstraint("sent_capture_id", name="uq_left_out_sent_capture_id"),
    )


def _column(name: str, kind: Any, *parts: SchemaItem, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, *parts, nullable=nullable)


def _to(table: str, column: str, referred: str, *, nullable: bool = False) -> sa.Column[Any]:
    key = sa.ForeignKey(f"{referred}.id", name=f"fk_{table}_{column}_{referred}")
    return _column(column, sa.Integer(), key, nullable=nullable)


def _sealed(table: str, *parts: SchemaItem) -> None:
    name = f"fk_{table}_event_id_event"
    event = sa.ForeignKey("event.id", name=name, deferrable=True, initially="DEFERRED")
    op.create_table(
        table,
        _column("id", sa.Integer()),
        *parts,
        _column("event_id", sa.Integer(), event),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    )
    op.create_index(f"ix_{table}_event_id", table, ["event_id"])
