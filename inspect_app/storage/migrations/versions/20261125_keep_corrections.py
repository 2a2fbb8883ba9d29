"""Keep corrections: a person's word on a computed result, beside it and never over it.

A correction holds the options that a person set, why, and what the same captures give with them; the measurement that
the program made by itself stays where it is.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261125_keep_corrections"
down_revision: str | None = "20261125_first_record"


def upgrade() -> None:
    """Create the table with the triggers that keep it append-only."""
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("options", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("program_version", sa.String(length=200), nullable=False),
        sa.Column("transcript", sa.Text(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name="fk_correction_entry_id_entry"),
        sa.ForeignKeyConstraint(["made_by_id"], ["person.id"], name="fk_correction_made_by_id_person"),
        sa.ForeignKeyConstraint(
            ["event_id"], ["event.id"], name="fk_correction_event_id_event", initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name="pk_correction"),
        sa.UniqueConstraint("entry_id", "ordinal", name="uq_correction_entry_id_ordinal"),
    )
    op.create_index("ix_correction_event_id", "correction", ["event_id"])
    triggers.create(op.get_bind(), [("correction", "id")])
