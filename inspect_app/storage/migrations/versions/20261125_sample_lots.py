"""Sample lots: the draw with its seed, changes to it with their reasons, verdicts on lots, resubmissions, rulings.

A draw holds the seed from which the order of the lot's serials follows, so that anybody can draw it again; nothing but
a change with a reason adds a device to it. Verdicts and rulings are what the switching between normal, tightened and
reduced inspection is replayed from.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261125_sample_lots"
down_revision: str | None = "20261125_keep_corrections"

_TABLES = ("sample_draw", "sample_change", "lot_verdict", "resubmission", "switching_ruling")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    _sealed(
        "sample_draw",
        _to("sample_draw", "lot_id", "lot"),
        _to("sample_draw", "contract_id", "contract"),
        _column("seed", sa.String(length=64)),
        _column("lot_size", sa.Integer()),
        _column("plans", sa.Text()),
        _column("drawn_at", sa.DateTime(timezone=True)),
        _to("sample_draw", "drawn_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_sample_draw_lot_id"),
    )
    _sealed(
        "sample_change",
        _to("sample_change", "draw_id", "sample_draw"),
        _column("ordinal", sa.Integer()),
        _to("sample_change", "device_id", "device"),
        _to("sample_change", "replaced_device_id", "device", nullable=True),
        _column("reason", sa.Text()),
        _column("changed_at", sa.DateTime(timezone=True)),
        _to("sample_change", "changed_by_id", "person"),
        sa.UniqueConstraint("draw_id", "ordinal", name="uq_sample_change_draw_id_ordinal"),
        sa.UniqueConstraint("draw_id", "device_id", name="uq_sample_change_draw_id_device_id"),
    )
    _sealed(
        "lot_verdict",
        _to("lot_verdict", "lot_id", "lot"),
        _column("outcome", _choice("accepted", "rejected", "held", name="outcome")),
        _column("follow_up", _choice("take in", "return", "screen", "resubmit", name="follow_up")),
        _column("counts", sa.Text()),
        _column("reason", sa.Text()),
        _column("decided_at", sa.DateTime(timezone=True)),
        _to("lot_verdict", "decided_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_lot_verdict_lot_id"),
    )
    _sealed(
        "resubmission",
        _to("resubmission", "lot_id", "lot"),
        _to("resubmission", "earlier_lot_id", "lot"),
        _column("reason", sa.Text()),
        _column("declared_at", sa.DateTime(timezone=True)),
        _to("resubmission", "declared_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_resubmission_lot_id"),
        sa.UniqueConstraint("earlier_lot_id", name="uq_resubmission_earlier_lot_id"),
        sa.CheckConstraint("earlier_lot_id < lot_id", name="ck_resubmission_earlier_comes_first"),
    )
    _sealed(
        "switching_ruling",
        _column("supplier", sa.String(length=200)),
        _column("device_class", sa.String(length=200)),
        _column("severity", _choice("critical", "major", "minor", name="severity")),
        _column(
            "kind",
            _choice(
                "reduced inspection allowed", "back to normal inspection", "inspection resumed", name="ruling_kind"
            ),
        ),
        _column("reason", sa.Text()),
        _column("ruled_at", sa.DateTime(timezone=True)),
        _to("switching_ruling", "ruled_by_id", "person"),
    )
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])


def _column(name: str, kind: Any, *parts: SchemaItem, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, *parts, nullable=nullable)


def _to(table: str, column: str, referred: str, *, nullable: bool = False) -> sa.Column[Any]:
    key = sa.ForeignKey(f"{referred}.id", name=f"fk_{table}_{column}_{referred}")
    return _column(column, sa.Integer(), key, nullable=nullable)


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
