"""Link devices that are one: a serial that was marked anew, or a device that changed hands.

A link is an approver's word, with a reason; a wrong one is taken back by a newer row of the same pair.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261128_link_devices"
down_revision: str | None = "20261127_take_readings_blind"

_KINDS = ("re-marked", "changed hands", "not the same after all")


def upgrade() -> None:
    """Create the table with the triggers that keep it append-only."""
    op.create_table(
        "device_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=False),
        sa.Column("predecessor_id", sa.Integer(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(*_KINDS, name="kind", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("linked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("linked_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.CheckConstraint("device_id <> predecessor_id", name="ck_device_link_links_two_devices"),
        sa.ForeignKeyConstraint(["device_id"], ["device.id"], name="fk_device_link_device_id_device"),
        sa.ForeignKeyConstraint(["predecessor_id"], ["device.id"], name="fk_device_link_predecessor_id_device"),
        sa.ForeignKeyConstraint(["linked_by_id"], ["person.id"], name="fk_device_link_linked_by_id_person"),
        sa.ForeignKeyConstraint(
            ["event_id"], ["event.id"], name="fk_device_link_event_id_event", initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name="pk_device_link"),
        sa.UniqueConstraint(
            "device_id", "predecessor_id", "ordinal", name="uq_device_link_device_id_predecessor_id_ordinal"
        ),
    )
    for column in ("device_id", "predecessor_id", "event_id"):
        op.create_index(f"ix_device_link_{column}", "device_link", [column])
    triggers.create(op.get_bind(), [("device_link", "id")])
