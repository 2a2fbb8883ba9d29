"""Sample lots: the draw with its seed, changes to it with their reasons, verdicts on lots, resubmissions, rulings.

A draw holds the seed from which the order of the lot's serials follows, so that anybody can draw it again; nothing but
a change with a reason adds a device to it. Verdicts and rulings are what the switching between normal, tightened and
reduced inspection is replayed from.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers
from inspect_app.storage.migrations.sealed_tables import choice, column, create, to

revision: str = "20261125_sample_lots"
down_revision: str | None = "20261125_keep_corrections"

_TABLES = ("sample_draw", "sample_change", "lot_verdict", "resubmission", "switching_ruling")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    create(
        "sample_draw",
        to("sample_draw", "lot_id", "lot"),
        to("sample_draw", "contract_id", "contract"),
        column("seed", sa.String(length=64)),
        column("lot_size", sa.Integer()),
        column("plans", sa.Text()),
        column("drawn_at", sa.DateTime(timezone=True)),
        to("sample_draw", "drawn_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_sample_draw_lot_id"),
    )
    create(
        "sample_change",
        to("sample_change", "draw_id", "sample_draw"),
        column("ordinal", sa.Integer()),
        to("sample_change", "device_id", "device"),
        to("sample_change", "replaced_device_id", "device", nullable=True),
        column("reason", sa.Text()),
        column("changed_at", sa.DateTime(timezone=True)),
        to("sample_change", "changed_by_id", "person"),
        sa.UniqueConstraint("draw_id", "ordinal", name="uq_sample_change_draw_id_ordinal"),
        sa.UniqueConstraint("draw_id", "device_id", name="uq_sample_change_draw_id_device_id"),
    )
    create(
        "lot_verdict",
        to("lot_verdict", "lot_id", "lot"),
        column("outcome", choice("accepted", "rejected", "held", name="outcome")),
        column("follow_up", choice("take in", "return", "screen", "resubmit", name="follow_up")),
        column("counts", sa.Text()),
        column("reason", sa.Text()),
        column("decided_at", sa.DateTime(timezone=True)),
        to("lot_verdict", "decided_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_lot_verdict_lot_id"),
    )
    create(
        "resubmission",
        to("resubmission", "lot_id", "lot"),
        to("resubmission", "earlier_lot_id", "lot"),
        column("reason", sa.Text()),
        column("declared_at", sa.DateTime(timezone=True)),
        to("resubmission", "declared_by_id", "person"),
        sa.UniqueConstraint("lot_id", name="uq_resubmission_lot_id"),
        sa.UniqueConstraint("earlier_lot_id", name="uq_resubmission_earlier_lot_id"),
        sa.CheckConstraint("earlier_lot_id < lot_id", name="ck_resubmission_earlier_comes_first"),
    )
    create(
        "switching_ruling",
        column("supplier", sa.String(length=200)),
        column("device_class", sa.String(length=200)),
        column("severity", choice("critical", "major", "minor", name="severity")),
        column(
            "kind",
            choice("reduced inspection allowed", "back to normal inspection", "inspection resumed", name="ruling_kind"),
        ),
        column("reason", sa.Text()),
        column("ruled_at", sa.DateTime(timezone=True)),
        to("switching_ruling", "ruled_by_id", "person"),
    )
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])
