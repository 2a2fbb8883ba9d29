"""Watch the bench: references that are read again and again, their control limits, and signals that were cleared.

Whether a reading signals is not kept: it follows from readings, limits and clearances, and cannot disagree with them.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261126_watch_the_bench"
down_revision: str | None = "20261126_report_on_lots"

_TABLES = ("reference", "reference_reading", "reference_file", "reference_limits", "reference_clearance")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    _create_readings()
    _create_decisions()
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])


def _create_readings() -> None:
    _sealed(
        "reference",
        _column("name", sa.String(length=200)),
        _column("check_name", sa.String(length=200)),
        _column("quantity_name", sa.String(length=200)),
        _column("unit", sa.String(length=200)),
        _column("condition", sa.Text()),
        _column("options", sa.Text()),
        sa.UniqueConstraint("name", name="uq_reference_name"),
    )
    _sealed(
        "reference_reading",
        _to("reference_reading", "reference_id", "reference"),
        _column("number", sa.Integer()),
        _column("value", sa.Double()),
        _column("standard_uncertainty", sa.Double()),
        _column("remark", sa.Text()),
        _column("transcript", sa.Text(), nullable=True),
        _column("read_at", sa.DateTime(timezone=True)),
        _to("reference_reading", "read_by_id", "person"),
        sa.UniqueConstraint("reference_id", "number", name="uq_reference_reading_reference_id_number"),
        sa.CheckConstraint("standard_uncertainty >= 0", name="ck_reference_reading_doubt_not_negative"),
    )
    _sealed(
        "reference_file",
        _to("reference_file", "reading_id", "reference_reading"),
        _column("position", sa.Integer()),
        _column(
            "sha256",
            sa.String(length=64),
            sa.ForeignKey("evidence.sha256", name="fk_reference_file_sha256_evidence"),
        ),
        _column("name", sa.String(length=200)),
        sa.UniqueConstraint("reading_id", "position", name="uq_reference_file_reading_id_position"),
    )
    op.create_index("ix_reference_file_sha256", "reference_file", ["sha256"])


def _create_decisions() -> None:
    _sealed(
        "reference_limits",
        _to("reference_limits", "reference_id", "reference"),
        _column("first", sa.Integer()),
        _column("last", sa.Integer()),
        _column("after", sa.Integer()),
        _column("centre", sa.Double()),
        _column("sigma", sa.Double()),
        _column("reason", sa.Text()),
        _column("set_at", sa.DateTime(timezone=True)),
        _to("reference_limits", "set_by_id", "person"),
        sa.CheckConstraint("sigma > 0", name="ck_reference_limits_sigma_above_zero"),
    )
    op.create_index("ix_reference_limits_reference_id", "reference_limits", ["reference_id"])
    _sealed(
        "reference_clearance",
        _to("reference_clearance", "reference_id", "reference"),
        _column("through", sa.Integer()),
        _column("reason", sa.Text()),
        _column("cleared_at", sa.DateTime(timezone=True)),
        _to("reference_clearance", "cleared_by_id", "person"),
        sa.UniqueConstraint("reference_id", "through", name="uq_reference_clearance_reference_id_through"),
    )


def _column(name: str, kind: Any, *parts: SchemaItem, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, *parts, nullable=nullable)


def _to(table: str, column: str, referred: str) -> sa.Column[Any]:
    return _column(column, sa.Integer(), sa.ForeignKey(f"{referred}.id", name=f"fk_{table}_{column}_{referred}"))


def _sealed(table: str, *parts: SchemaItem) -> None:
    name = f"fk_{table}_event_id_event"
    op.create_table(
        table,
        _column("id", sa.Integer()),
        *parts,
        _column("event_id", sa.Integer()),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=name, initially="DEFERRED", deferrable=True),
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    )
    op.create_index(f"ix_{table}_event_id", table, ["event_id"])
