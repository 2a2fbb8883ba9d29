"""Documents are sealed, and may be superseded or revoked.

`authority` keeps the certificates on which seals rest, so that they travel with every backup. `document_end` says of a
document that it no longer stands. One signature may now carry several documents, each superseding the one before, so
`document.signature_id` is unique no more. SQLite cannot drop a constraint: there the table is built anew, statement by
statement and not by Alembic's batch, whose order of constraints changes from run to run, so that `structure` would take
one record for a forgery of another. Its triggers went with the old table and are created again.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261125_withdraw_documents"
down_revision: str | None = "20261125_view_what_is_held"


def upgrade() -> None:
    """Free the signature of a document, then create the new tables with their triggers."""
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    if is_sqlite:
        _rebuild_document()
    else:
        op.drop_constraint("uq_document_signature_id", "document", type_="unique")
    op.create_index("ix_document_signature_id", "document", ["signature_id"])
    _create_authority()
    _create_document_end()
    rebuilt = ["document"] if is_sqlite else []
    triggers.create(op.get_bind(), [(table, "id") for table in (*rebuilt, "authority", "document_end")])


def _rebuild_document() -> None:
    for name in ("inspection_id", "sha256", "event_id"):
        op.drop_index(f"ix_document_{name}", "document")
    op.rename_table("document", "old_document")
    kind = sa.Enum("certificate", "rejection notice", name="kind", native_enum=False, create_constraint=True, length=32)
    op.create_table(
        "document",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=200), nullable=False),
        sa.Column("kind", kind, nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("year", "sequence", "inspection_id")),
        sa.Column("signature_id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name="fk_document_inspection_id_inspection"),
        sa.ForeignKeyConstraint(["signature_id"], ["signature.id"], name="fk_document_signature_id_signature"),
        sa.ForeignKeyConstraint(["sha256"], ["evidence.sha256"], name="fk_document_sha256_evidence"),
        sa.ForeignKeyConstraint(["issued_by_id"], ["person.id"], name="fk_document_issued_by_id_person"),
        _event_of("document"),
        sa.PrimaryKeyConstraint("id", name="pk_document"),
        sa.UniqueConstraint("kind", "year", "sequence", name="uq_document_kind_year_sequence"),
        sa.UniqueConstraint("number", name="uq_document_number"),
    )
    op.execute("INSERT INTO document SELECT * FROM old_document")
    op.drop_table("old_document")
    for name in ("inspection_id", "sha256", "event_id"):
        op.create_index(f"ix_document_{name}", "document", [name])


def _create_authority() -> None:
    op.create_table(
        "authority",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("certificate", sa.Text(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        _event_of("authority"),
        sa.PrimaryKeyConstraint("id", name="pk_authority"),
        sa.UniqueConstraint("certificate", name="uq_authority_certificate"),
    )
    op.create_index("ix_authority_event_id", "authority", ["event_id"])


def _create_document_end() -> None:
    manner = sa.Enum("superseded", "revoked", name="manner", native_enum=False, create_constraint=True, length=32)
    op.create_table(
        "document_end",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("document_id", sa.Integer(), nullable=False),
        sa.Column("manner", manner, nullable=False),
        sa.Column("successor_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        _event_of("document_end"),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name="fk_document_end_document_id_document"),
        sa.ForeignKeyConstraint(["successor_id"], ["document.id"], name="fk_document_end_successor_id_document"),
        sa.ForeignKeyConstraint(["ended_by_id"], ["person.id"], name="fk_document_end_ended_by_id_person"),
        sa.PrimaryKeyConstraint("id", name="pk_document_end"),
        sa.UniqueConstraint("document_id", name="uq_document_end_document_id"),
    )
    op.create_index("ix_document_end_event_id", "document_end", ["event_id"])


def _event_of(table: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_event_id_event"
    return sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=name, initially="DEFERRED", deferrable=True)
