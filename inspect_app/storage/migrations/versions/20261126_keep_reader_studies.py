"""Keep reader studies: the table of what was read, and the act that lets a study count at the bench.

The study that counts is the one of the newest act; what it gives is frozen there, so that a newer program cannot change
what was adopted.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261126_keep_reader_studies"
down_revision: str | None = "20261125_write_results"


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    op.create_table(
        "reader_study",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=200), nullable=False),
        sa.Column("kind", _kinds("readings", "elements", "looks"), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("layout", sa.String(length=200), nullable=False),
        sa.Column("table_name", sa.String(length=200), nullable=False),
        sa.Column("table_text", sa.Text(), nullable=False),
        sa.Column("table_sha256", sa.String(length=64), nullable=False),
        sa.Column("instrument_id", sa.Integer(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kept_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["instrument_id"], ["instrument.id"], name="fk_reader_study_instrument_id_instrument"),
        sa.ForeignKeyConstraint(["kept_by_id"], ["person.id"], name="fk_reader_study_kept_by_id_person"),
        _event("reader_study"),
        sa.PrimaryKeyConstraint("id", name="pk_reader_study"),
        sa.UniqueConstraint("number", name="uq_reader_study_number"),
        sa.UniqueConstraint("table_sha256", name="uq_reader_study_table_sha256"),
    )
    op.create_table(
        "study_adoption",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("doubt", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("decided_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["reader_study.id"], name="fk_study_adoption_study_id_reader_study"),
        sa.ForeignKeyConstraint(["decided_by_id"], ["person.id"], name="fk_study_adoption_decided_by_id_person"),
        _event("study_adoption"),
        sa.PrimaryKeyConstraint("id", name="pk_study_adoption"),
    )
    op.create_index("ix_study_adoption_study_id", "study_adoption", ["study_id"])
    for table in ("reader_study", "study_adoption"):
        op.create_index(f"ix_{table}_event_id", table, ["event_id"])
        triggers.create(op.get_bind(), [(table, "id")])


def _kinds(*words: str) -> sa.Enum:
    return sa.Enum(*words, name="study_kind", native_enum=False, create_constraint=True, length=32)


def _event(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["event_id"], ["event.id"], name=f"fk_{table}_event_id_event", initially="DEFERRED", deferrable=True
    )
