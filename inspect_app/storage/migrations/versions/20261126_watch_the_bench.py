"""Watch the bench: references that are read again and again, their control limits, and signals that were cleared.

Whether a reading signals is not kept: it follows from readings, limits and clearances, and cannot disagree with them.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers
from inspect_app.storage.migrations.sealed_tables import column, create, to

revision: str = "20261126_watch_the_bench"
down_revision: str | None = "20261126_report_on_lots"

_TABLES = ("reference", "reference_reading", "reference_file", "reference_limits", "reference_clearance")


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    _create_readings()
    _create_decisions()
    triggers.create(op.get_bind(), [(table, "id") for table in _TABLES])


def _create_readings() -> None:
    create(
        "reference",
        column("name", sa.String(length=200)),
        column("check_name", sa.String(length=200)),
        column("quantity_name", sa.String(length=200)),
        column("unit", sa.String(length=200)),
        column("condition", sa.Text()),
        column("options", sa.Text()),
        sa.UniqueConstraint("name", name="uq_reference_name"),
    )
    create(
        "reference_reading",
        to("reference_reading", "reference_id", "reference"),
        column("number", sa.Integer()),
        column("value", sa.Double()),
        column("standard_uncertainty", sa.Double()),
        column("remark", sa.Text()),
        column("transcript", sa.Text(), nullable=True),
        column("read_at", sa.DateTime(timezone=True)),
        to("reference_reading", "read_by_id", "person"),
        sa.UniqueConstraint("reference_id", "number", name="uq_reference_reading_reference_id_number"),
        sa.CheckConstraint("standard_uncertainty >= 0", name="ck_reference_reading_doubt_not_negative"),
    )
    create(
        "reference_file",
        to("reference_file", "reading_id", "reference_reading"),
        column("position", sa.Integer()),
        column(
            "sha256",
            sa.String(length=64),
            sa.ForeignKey("evidence.sha256", name="fk_reference_file_sha256_evidence"),
        ),
        column("name", sa.String(length=200)),
        sa.UniqueConstraint("reading_id", "position", name="uq_reference_file_reading_id_position"),
    )
    op.create_index("ix_reference_file_sha256", "reference_file", ["sha256"])


def _create_decisions() -> None:
    create(
        "reference_limits",
        to("reference_limits", "reference_id", "reference"),
        column("first", sa.Integer()),
        column("last", sa.Integer()),
        column("after", sa.Integer()),
        column("centre", sa.Double()),
        column("sigma", sa.Double()),
        column("reason", sa.Text()),
        column("set_at", sa.DateTime(timezone=True)),
        to("reference_limits", "set_by_id", "person"),
        sa.CheckConstraint("sigma > 0", name="ck_reference_limits_sigma_above_zero"),
    )
    op.create_index("ix_reference_limits_reference_id", "reference_limits", ["reference_id"])
    create(
        "reference_clearance",
        to("reference_clearance", "reference_id", "reference"),
        column("through", sa.Integer()),
        column("reason", sa.Text()),
        column("cleared_at", sa.DateTime(timezone=True)),
        to("reference_clearance", "cleared_by_id", "person"),
        sa.UniqueConstraint("reference_id", "through", name="uq_reference_clearance_reference_id_through"),
    )
