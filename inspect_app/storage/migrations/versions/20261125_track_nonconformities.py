"""Track nonconformities: one for each demand not met, the decisions about it, and what was sent back.

They are written with the signature that found them; decisions are rows of their own, so that a device's way from
rejection to closing can be read in order.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers
from inspect_app.storage.migrations.sealed_tables import choice, column, create, to

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
    create(
        "nonconformity",
        column("number", sa.String(length=200)),
        column("year", sa.Integer()),
        column("sequence", sa.Integer()),
        to("nonconformity", "signature_id", "signature"),
        column("ordinal", sa.Integer()),
        column("clause", sa.Text()),
        column("title", sa.Text()),
        column("check_name", sa.String(length=200)),
        column("quantity_name", sa.String(length=200)),
        column("severity", choice(*_SEVERITIES, name="severity")),
        column("step_id", sa.Text(), nullable=True),
        column("finding", sa.Text()),
        sa.UniqueConstraint("number", name="uq_nonconformity_number"),
        sa.UniqueConstraint("signature_id", "ordinal", name="uq_nonconformity_signature_id_ordinal"),
        sa.UniqueConstraint("year", "sequence", name="uq_nonconformity_year_sequence"),
    )


def _create_decisions() -> None:
    dispositions = ("return", "repair", "replace", "concession", "scrap")
    create(
        "nonconformity_act",
        to("nonconformity_act", "nonconformity_id", "nonconformity"),
        column("ordinal", sa.Integer()),
        column("step", choice("classified", "disposed", "closed", name="step")),
        column("severity", choice(*_SEVERITIES, name="severity"), nullable=True),
        column("disposition", choice(*dispositions, name="disposition"), nullable=True),
        column("valid_until", sa.Date(), nullable=True),
        column("repeats", sa.Text()),
        column("reason", sa.Text()),
        column("decided_at", sa.DateTime(timezone=True)),
        to("nonconformity_act", "decided_by_id", "person"),
        sa.UniqueConstraint("nonconformity_id", "ordinal", name="uq_nonconformity_act_nonconformity_id_ordinal"),
        sa.CheckConstraint(
            "(step = 'disposed') = (disposition IS NOT NULL)", name="ck_nonconformity_act_disposed_says_how"
        ),
        sa.CheckConstraint(
            "(step = 'classified') = (severity IS NOT NULL)", name="ck_nonconformity_act_classified_says_what"
        ),
    )


def _create_returns() -> None:
    create(
        "return_shipment",
        column("supplier", sa.String(length=200)),
        column("reference", sa.String(length=200)),
        column("remark", sa.Text()),
        column("sent_at", sa.DateTime(timezone=True)),
        to("return_shipment", "sent_by_id", "person"),
        sa.UniqueConstraint("supplier", "reference", name="uq_return_shipment_supplier_reference"),
    )
    create(
        "returned_device",
        to("returned_device", "return_shipment_id", "return_shipment"),
        to("returned_device", "device_id", "device"),
        sa.UniqueConstraint("return_shipment_id", "device_id", name="uq_returned_device_return_shipment_id_device_id"),
    )
    op.create_index("ix_returned_device_device_id", "returned_device", ["device_id"])
