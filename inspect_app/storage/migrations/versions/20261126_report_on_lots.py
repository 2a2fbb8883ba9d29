"""Reports are documents too: of a lot, of a return, of the fleet; `report` says what each is about.

They rest on no inspection, so `document.inspection_id` and `document.signature_id` may be empty, together. The digests
of rows written before hold, for no column of theirs is added or changed. SQLite cannot alter a column: there the table
is built anew under its name, with the references to it put off to the end of the transaction, and is filled again.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261126_report_on_lots"
down_revision: str | None = "20261126_keep_reader_studies"

_KINDS = ("certificate", "rejection notice", "lot report", "return list", "fleet report")
_OPTIONAL = ("inspection_id", "signature_id")
_BOTH = "(inspection_id IS NULL) = (signature_id IS NULL)"
_IS_ONE = " + ".join(
    f"CASE WHEN {column} IS NULL THEN 0 ELSE 1 END" for column in ("lot_id", "return_shipment_id", "scope")
)


def upgrade() -> None:
    """Free documents from inspections, then create the new table with its triggers."""
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    if is_sqlite:
        _rebuild_document()
    else:
        _alter_document()
    _create_report()
    triggers.create(op.get_bind(), [(table, "id") for table in (*(["document"] if is_sqlite else []), "report")])


def _alter_document() -> None:
    for name in _OPTIONAL:
        op.alter_column("document", name, nullable=True)
    op.drop_constraint("kind", "document", type_="check")
    words = ", ".join(f"'{kind}'" for kind in _KINDS)
    op.create_check_constraint("kind", "document", f"kind IN ({words})")
    op.create_check_constraint("rests_on_a_signature", "document", _BOTH)


def _rebuild_document() -> None:
    op.execute("PRAGMA defer_foreign_keys = ON")
    op.execute("CREATE TEMPORARY TABLE old_document AS SELECT * FROM document")
    op.drop_table("document")
    _create_document()
    op.execute("INSERT INTO document SELECT * FROM old_document")
    op.execute("DROP TABLE old_document")
    for name in (*_OPTIONAL, "sha256", "event_id"):
        op.create_index(f"ix_document_{name}", "document", [name])


def _create_document() -> None:
    kind = sa.Enum(*_KINDS, name="kind", native_enum=False, create_constraint=True, length=32)
    op.create_table(
        "document",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=200), nullable=False),
        sa.Column("kind", kind, nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("year", "sequence")),
        *(sa.Column(name, sa.Integer(), nullable=True) for name in _OPTIONAL),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_by_id", sa.Integer(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.CheckConstraint(_BOTH, name="rests_on_a_signature"),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name="fk_document_inspection_id_inspection"),
        sa.ForeignKeyConstraint(["signature_id"], ["signature.id"], name="fk_document_signature_id_signature"),
        sa.ForeignKeyConstraint(["sha256"], ["evidence.sha256"], name="fk_document_sha256_evidence"),
        sa.ForeignKeyConstraint(["issued_by_id"], ["person.id"], name="fk_document_issued_by_id_person"),
        _event_of("document"),
        sa.PrimaryKeyConstraint("id", name="pk_document"),
        sa.UniqueConstraint("kind", "year", "sequence", name="uq_document_kind_year_sequence"),
        sa.UniqueConstraint("number", name="uq_document_number"),
    )


def _create_report() -> None:
    op.create_table(
        "report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("document_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("return_shipment_id", sa.Integer(), nullable=True),
        sa.Column("scope", sa.Text(), nullable=True),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.CheckConstraint(f"{_IS_ONE} = 1", name="is_about_one"),
        sa.ForeignKeyConstraint(["document_id"], ["document.id"], name="fk_report_document_id_document"),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name="fk_report_lot_id_lot"),
        sa.ForeignKeyConstraint(
            ["return_shipment_id"], ["return_shipment.id"], name="fk_report_return_shipment_id_return_shipment"
        ),
        _event_of("report"),
        sa.PrimaryKeyConstraint("id", name="pk_report"),
        sa.UniqueConstraint("document_id", name="uq_report_document_id"),
    )
    for name in ("lot_id", "return_shipment_id", "event_id"):
        op.create_index(f"ix_report_{name}", "report", [name])


def _event_of(table: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_event_id_event"
    return sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=name, initially="DEFERRED", deferrable=True)
