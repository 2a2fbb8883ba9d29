"""Track nonconformities: one for each demand not met, the decisions about it, and what was sent back.

They are written with the signature that found them; decisions are rows of their own, so that a device's way from
rejection to closing can be read in order.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261125_track_nonconformities"
down_revision: str | None = "20261125_sample_lots"

_TABLES = ("nonconformity", "nonconformity_act", "return_shipment", "returned_device")
_SEVERITIES = ("critical", "major", "minor")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    _create_nonconformity()
    _create_decisions()
    _create_returns()
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])


def _create_nonconformity() -> None:
    _sealed(
        "nonconformity",
        _column("number", sa.String(length=200)),
        _column("year", sa.Integer()),
        _column("sequence", sa.Integer()),
        _to("nonconformity", "signature_id", "signature"),
        _column("ordinal", sa.Integer()),
        _column("clause", sa.Text()),
        _column("title", sa.Text()),
        _column("check_name", sa.String(length=200)),
        _column("quantity_name", sa.String(length=200)),
        _column("severity", _choice(*_SEVERITIES, name="severity")),
        _column("step_id", sa.Text(), nullable=True),
        _column("finding", sa.Text()),
        sa.UniqueConstraint("number", name="uq_nonconformity_number"),
        sa.UniqueConstraint("signature_id", "ordinal", name="uq_nonconformity_signature_id_ordinal"),
        sa.UniqueConstraint("year", "sequence", name="uq_nonconformity_year_sequence"),
    )


def _create_decisions() -> None:
    dispositions = ("return", "repair", "replace", "concession", "scrap")
    _sealed(
        "nonconformity_act",
        _to("nonconformity_act", "nonconformity_id", "nonconformity"),
        _column("ordinal", sa.Integer()),
        _column("step", _choice("classified", "disposed", "closed", name="step")),
        _column("severity", _choice(*_SEVERITIES, name="severity"), nullable=True),
        _column("disposition", _choice(*dispositions, name="disposition"), nullable=True),
        _column("valid_until", sa.Date(), nullable=True),
        _column("repeats", sa.Text()),
        _column("reason", sa.Text()),
        _column("decided_at", sa.DateTime(timezone=True)),
        _to("nonconformity_act", "decided_by_id", "person"),
        sa.UniqueConstraint("nonconformity_id", "ordinal", name="uq_nonconformity_act_nonconformity_id_ordinal"),
        sa.CheckConstraint(
            "(step = 'disposed') = (disposition IS NOT NULL)", name="ck_nonconformity_act_disposed_says_how"
        ),
        sa.CheckConstraint(
            "(step = 'classified') = (severity IS NOT NULL)", name="ck_nonconformity_act_classified_says_what"
        ),
    )


def _create_returns() -> None:
    _sealed(
        "return_shipment",
        _column("supplier", sa.String(length=200)),
        _column("reference", sa.String(length=200)),
        _column("remark", sa.Text()),
        _column("sent_at", sa.DateTime(timezone=True)),
        _to("return_shipment", "sent_by_id", "person"),
        sa.UniqueConstraint("supplier", "reference", name="uq_return_shipment_supplier_reference"),
    )
    _sealed(
        "returned_device",
        _to("returned_device", "return_shipment_id", "return_shipment"),
        _to("returned_device", "device_id", "device"),
        sa.UniqueConstraint("return_shipment_id", "device_id", name="uq_returned_device_return_shipment_id_device_id"),
    )
    op.create_index("ix_returned_device_device_id", "returned_device", ["device_id"])


def _column(name: str, kind: Any, *parts: SchemaItem, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, *parts, nullable=nullable)


def _to(table: str, column: str, referred: str) -> sa.Column[Any]:
    return _column(column, sa.Integer(), sa.ForeignKey(f"{referred}.id", name=f"fk_{table}_{column}_{referred}"))


def _choice(*words: str, name: str) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=32)


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
