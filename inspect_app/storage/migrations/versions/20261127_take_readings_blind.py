"""Take readings blind: what each reader read under their own account, before anybody sees it with the others'."""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261127_take_readings_blind"
down_revision: str | None = "20261127_take_captures_in"

_UNIQUE = "uq_reading_reader_and_ordinal"


def upgrade() -> None:
    """Create the table with the triggers that keep it append-only."""
    op.create_table(
        "reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.String(length=200), nullable=False),
        sa.Column("after_revision", sa.Integer(), nullable=False),
        sa.Column("reader_id", sa.Integer(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name="fk_reading_inspection_id_inspection"),
        sa.ForeignKeyConstraint(["reader_id"], ["person.id"], name="fk_reading_reader_id_person"),
        sa.ForeignKeyConstraint(
            ["event_id"], ["event.id"], name="fk_reading_event_id_event", initially="DEFERRED", deferrable=True
        ),
        sa.PrimaryKeyConstraint("id", name="pk_reading"),
        sa.UniqueConstraint("inspection_id", "step_id", "after_revision", "reader_id", "ordinal", name=_UNIQUE),
    )
    op.create_index("ix_reading_event_id", "reading", ["event_id"])
    op.create_index("ix_reading_reader_id", "reading", ["reader_id"])
    triggers.create(op.get_bind(), [("reading", "id")])
