"""The first schema: every table of the record, append-only by triggers.

The record starts with all its tables at once; later changes of the schema are revisions of their own. Triggers are
created here and must be created anew by any later revision that rebuilds a table, for SQLite drops them with it.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261125_first_record"
down_revision: str | None = None

_KEYS_OF_THEIR_OWN = {"evidence": "sha256", "measurement": "entry_id"}


def upgrade() -> None:
    """Create the tables, then the triggers that keep them append-only."""
    _create_event()
    _create_definitions()
    _create_people_and_instruments()
    _create_arrivals()
    _create_inspections()
    _create_documents()
    inspected = sa.inspect(op.get_bind()).get_table_names()
    tables = sorted(set(inspected) - {"alembic_version"})
    triggers.create(op.get_bind(), [(table, _KEYS_OF_THEIR_OWN.get(table, "id")) for table in tables])


def _column(name: str, kind: Any, *parts: SchemaItem, **options: Any) -> sa.Column[Any]:
    return sa.Column(name, kind, *parts, nullable=False, **options)


def _reference(table: str, column: str, target: str) -> sa.ForeignKey:
    return sa.ForeignKey(target, name=f"fk_{table}_{column}_{target.split('.', maxsplit=1)[0]}")


def _to(table: str, column: str, referred: str) -> sa.Column[Any]:
    return _column(column, sa.Integer(), _reference(table, column, f"{referred}.id"))


def _choice(*words: str, name: str) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=32)


def _sealed(table: str, *parts: SchemaItem) -> None:
    """Create a table whose rows an event seals: its key is `id` unless a part is the key."""
    key = _KEYS_OF_THEIR_OWN.get(table, "id")
    columns = parts if table in _KEYS_OF_THEIR_OWN else (_column("id", sa.Integer()), *parts)
    name = f"fk_{table}_event_id_event"
    op.create_table(
        table,
        *columns,
        _column("event_id", sa.Integer()),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=name, initially="DEFERRED", deferrable=True),
        sa.PrimaryKeyConstraint(key, name=f"pk_{table}"),
    )
    op.create_index(f"ix_{table}_event_id", table, ["event_id"])


def _create_event() -> None:
    op.create_table(
        "event",
        _column("id", sa.Integer(), autoincrement=False),
        _column("at", sa.DateTime(timezone=True)),
        _column("actor", sa.String(length=200)),
        _column("action", sa.String(length=200)),
        _column("subject", sa.String(length=200)),
        _column("detail", sa.Text()),
        _column("content", sa.String(length=64)),
        _column("previous_digest", sa.String(length=64)),
        _column("digest", sa.String(length=64)),
        sa.CheckConstraint("id >= 1", name="ck_event_counts_from_one"),
        sa.PrimaryKeyConstraint("id", name="pk_event"),
        sa.UniqueConstraint("digest", name="uq_event_digest"),
        sa.UniqueConstraint("previous_digest", name="uq_event_previous_digest"),
    )


def _create_definitions() -> None:
    _sealed(
        "contract",
        _column("number", sa.String(length=200)),
        _column("revision", sa.String(length=200)),
        _column("digest", sa.String(length=64)),
        _column("source", sa.Text()),
        sa.UniqueConstraint("digest", name="uq_contract_digest"),
        sa.UniqueConstraint("number", "revision", name="uq_contract_number_revision"),
    )
    _sealed(
        "form",
        _column("device_class", sa.String(length=200)),
        _column("revision", sa.String(length=200)),
        _column("digest", sa.String(length=64)),
        _column("source", sa.Text()),
        sa.UniqueConstraint("device_class", "revision", name="uq_form_device_class_revision"),
        sa.UniqueConstraint("digest", name="uq_form_digest"),
    )


def _create_people_and_instruments() -> None:
    _sealed("person", _column("login", sa.String(length=200)), sa.UniqueConstraint("login", name="uq_person_login"))
    _sealed(
        "account_state",
        _to("account_state", "person_id", "person"),
        _column("ordinal", sa.Integer()),
        _column("name", sa.String(length=200)),
        _column("role", _choice("inspector", "approver", "auditor", "administrator", name="role")),
        _column("password_hash", sa.Text()),
        _column("is_active", sa.Boolean(create_constraint=True, name="is_active")),
        sa.UniqueConstraint("person_id", "ordinal", name="uq_account_state_person_id_ordinal"),
    )
    _sealed(
        "instrument",
        _column("kind", sa.String(length=200)),
        _column("name", sa.String(length=200)),
        _column("serial", sa.String(length=64)),
        sa.UniqueConstraint("kind", "serial", name="uq_instrument_kind_serial"),
    )
    _sealed(
        "calibration",
        _to("calibration", "instrument_id", "instrument"),
        _column("certificate", sa.String(length=200)),
        _column("laboratory", sa.String(length=200)),
        _column("calibrated_on", sa.Date()),
        _column("due_on", sa.Date()),
        sa.CheckConstraint("calibrated_on <= due_on", name="ck_calibration_due_after_calibrated"),
        sa.UniqueConstraint(
            "instrument_id",
            "certificate",
            "calibrated_on",
            name="uq_calibration_instrument_id_certificate_calibrated_on",
        ),
    )


def _create_arrivals() -> None:
    _sealed(
        "device",
        _column("maker", sa.String(length=200)),
        _column("serial", sa.String(length=64)),
        sa.UniqueConstraint("maker", "serial", name="uq_device_maker_serial"),
    )
    op.create_index("ix_device_serial", "device", ["serial"])
    _sealed(
        "shipment",
        _column("contract_number", sa.String(length=200)),
        _column("reference", sa.String(length=200)),
        _column("supplier", sa.String(length=200)),
        _column("received_at", sa.DateTime(timezone=True)),
        _to("shipment", "received_by_id", "person"),
        sa.UniqueConstraint("contract_number", "reference", name="uq_shipment_contract_number_reference"),
    )
    _sealed(
        "lot",
        _column("number", sa.String(length=200)),
        _column("device_class", sa.String(length=200)),
        _to("lot", "shipment_id", "shipment"),
        sa.UniqueConstraint("number", name="uq_lot_number"),
        sa.UniqueConstraint("shipment_id", "device_class", name="uq_lot_shipment_id_device_class"),
    )
    _sealed(
        "arrival",
        _to("arrival", "lot_id", "lot"),
        _to("arrival", "device_id", "device"),
        _column("position", sa.Integer()),
        _column("note", sa.Text()),
        _column("is_on_list", sa.Boolean(create_constraint=True, name="is_on_list")),
        sa.UniqueConstraint("lot_id", "device_id", name="uq_arrival_lot_id_device_id"),
        sa.UniqueConstraint("lot_id", "position", name="uq_arrival_lot_id_position"),
    )
    op.create_index("ix_arrival_device_id", "arrival", ["device_id"])


def _create_inspections() -> None:
    _sealed(
        "inspection",
        _to("inspection", "lot_id", "lot"),
        _to("inspection", "device_id", "device"),
        _column("ordinal", sa.Integer()),
        _to("inspection", "form_id", "form"),
        _to("inspection", "contract_id", "contract"),
        _column("opened_at", sa.DateTime(timezone=True)),
        _to("inspection", "opened_by_id", "person"),
        sa.UniqueConstraint("lot_id", "device_id", "ordinal", name="uq_inspection_lot_id_device_id_ordinal"),
    )
    op.create_index("ix_inspection_device_id", "inspection", ["device_id"])
    _sealed(
        "evidence",
        _column("sha256", sa.String(length=64)),
        _column("name", sa.String(length=200)),
        _column("media_type", sa.String(length=200)),
        _column("size_bytes", sa.BigInteger()),
        _column("kept_at", sa.DateTime(timezone=True)),
        _to("evidence", "kept_by_id", "person"),
        sa.CheckConstraint("size_bytes > 0", name="ck_evidence_not_empty"),
    )
    _sealed(
        "entry",
        _to("entry", "inspection_id", "inspection"),
        _column("step_id", sa.String(length=200)),
        _column("revision", sa.Integer()),
        _column("state", _choice("draft", "recorded", "cannot tell", name="state")),
        _column("answers", sa.Text()),
        _column("conditions", sa.Text()),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        _column("recorded_at", sa.DateTime(timezone=True)),
        _to("entry", "recorded_by_id", "person"),
        sa.CheckConstraint("revision >= 1", name="ck_entry_revision_counts_from_one"),
        sa.UniqueConstraint("inspection_id", "step_id", "revision", name="uq_entry_inspection_id_step_id_revision"),
    )
    _sealed(
        "entry_instrument",
        _to("entry_instrument", "entry_id", "entry"),
        _column("position", sa.Integer()),
        _to("entry_instrument", "instrument_id", "instrument"),
        sa.UniqueConstraint("entry_id", "position", name="uq_entry_instrument_entry_id_position"),
    )
    _sealed(
        "entry_evidence",
        _to("entry_evidence", "entry_id", "entry"),
        _column("position", sa.Integer()),
        _column("sha256", sa.String(length=64), _reference("entry_evidence", "sha256", "evidence.sha256")),
        _column("name", sa.String(length=200)),
        _column("role", sa.String(length=200)),
        sa.UniqueConstraint("entry_id", "position", name="uq_entry_evidence_entry_id_position"),
    )
    op.create_index("ix_entry_evidence_sha256", "entry_evidence", ["sha256"])
    _sealed(
        "measurement",
        _column("entry_id", sa.Integer(), _reference("measurement", "entry_id", "entry.id")),
        _column("program_version", sa.String(length=200)),
        _column("transcript", sa.Text()),
    )


def _create_documents() -> None:
    _sealed(
        "signature",
        _to("signature", "inspection_id", "inspection"),
        _column("ordinal", sa.Integer()),
        _column("signed_at", sa.DateTime(timezone=True)),
        _to("signature", "signed_by_id", "person"),
        _column("outcome", _choice("accepted", "rejected", "held", name="outcome")),
        _column("remark", sa.Text()),
        _column("assessment", sa.Text()),
        sa.UniqueConstraint("inspection_id", "ordinal", name="uq_signature_inspection_id_ordinal"),
    )
    _sealed(
        "reopening",
        _to("reopening", "signature_id", "signature"),
        _column("reopened_at", sa.DateTime(timezone=True)),
        _to("reopening", "reopened_by_id", "person"),
        _column("reason", sa.Text()),
        sa.UniqueConstraint("signature_id", name="uq_reopening_signature_id"),
    )
    _sealed(
        "document",
        _column("number", sa.String(length=200)),
        _column("kind", _choice("certificate", "rejection notice", name="kind")),
        _column("year", sa.Integer()),
        _column("sequence", sa.Integer()),
        _to("document", "inspection_id", "inspection"),
        _to("document", "signature_id", "signature"),
        _column("sha256", sa.String(length=64), _reference("document", "sha256", "evidence.sha256")),
        _column("issued_at", sa.DateTime(timezone=True)),
        _to("document", "issued_by_id", "person"),
        sa.UniqueConstraint("kind", "year", "sequence", name="uq_document_kind_year_sequence"),
        sa.UniqueConstraint("number", name="uq_document_number"),
        sa.UniqueConstraint("signature_id", name="uq_document_signature_id"),
    )
    op.create_index("ix_document_inspection_id", "document", ["inspection_id"])
    op.create_index("ix_document_sha256", "document", ["sha256"])
