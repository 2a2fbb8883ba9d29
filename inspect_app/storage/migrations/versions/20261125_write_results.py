"""Write results in columns: what signed inspections say, in tables fit for questions about the whole fleet.

Their rows are derived from what stands in the record already, and written after the last migration; the audit chain
does not seal them, `inspect-app verify` derives them again.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

from inspect_app.storage import triggers

revision: str = "20261125_write_results"
down_revision: str | None = "20261125_withdraw_documents"

_FINDINGS = ("conforming", "nonconforming", "inconclusive", "not measured", "conditional pass", "conditional fail")
_SEARCHED = (
    ("signed_at",),
    ("outcome", "signed_at"),
    ("device_class", "signed_at"),
    ("device_class", "outcome", "signed_at"),
    ("supplier", "signed_at"),
    ("supplier", "outcome", "signed_at"),
    ("contract_number", "signed_at"),
    ("contract_number", "outcome", "signed_at"),
    ("lot_id", "signed_at"),
    ("signed_by_id", "signed_at"),
    ("device_id", "lot_id"),
)


def upgrade() -> None:
    """Create the tables with their indexes and triggers."""
    _create_characteristic()
    _create_result()
    _create_device_verdict()
    _create_instrument_use()
    keys = ("characteristic", "id"), ("result", "id"), ("device_verdict", "signature_id"), ("instrument_use", "id")
    triggers.create(op.get_bind(), keys)


def _create_characteristic() -> None:
    names = ("device_class", "check_name", "quantity_name", "condition", "unit")
    op.create_table(
        "characteristic",
        _column("id", sa.Integer()),
        *(_column(name, sa.Text() if name == "condition" else sa.String(length=200)) for name in names),
        sa.PrimaryKeyConstraint("id", name="pk_characteristic"),
        sa.UniqueConstraint(*names, name="uq_characteristic_whole"),
    )


def _create_result() -> None:
    finding = sa.Enum(*_FINDINGS, name="finding", native_enum=False, create_constraint=True, length=32)
    op.create_table(
        "result",
        _column("id", _counted()),
        *_to("result", "signature_id", "signature"),
        *_to("result", "entry_id", "entry"),
        _column("ordinal", sa.Integer()),
        *_to("result", "characteristic_id", "characteristic"),
        *_to("result", "device_id", "device"),
        _column("measured_at", sa.DateTime(timezone=True)),
        _column("value", sa.Float(53)),
        _column("standard_uncertainty", sa.Float(53)),
        _column("degrees_of_freedom", sa.Float(53), nullable=True),
        _column("finding", finding, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_result"),
    )
    _index("result", "signature_id")
    _index("result", "device_id", "characteristic_id", "measured_at")
    _index("result", "characteristic_id", "measured_at")
    _index("result", "characteristic_id", "value")


def _create_device_verdict() -> None:
    outcome = sa.Enum(
        "accepted", "rejected", "held", name="outcome", native_enum=False, create_constraint=True, length=32
    )
    op.create_table(
        "device_verdict",
        *_to("device_verdict", "signature_id", "signature"),
        *_to("device_verdict", "inspection_id", "inspection"),
        *_to("device_verdict", "device_id", "device"),
        *_to("device_verdict", "lot_id", "lot"),
        *(_column(name, sa.String(length=200)) for name in ("device_class", "supplier", "contract_number")),
        _column("outcome", outcome),
        _column("signed_at", sa.DateTime(timezone=True)),
        *_to("device_verdict", "signed_by_id", "person"),
        sa.PrimaryKeyConstraint("signature_id", name="pk_device_verdict"),
    )
    for columns in _SEARCHED:
        _index("device_verdict", *columns)


def _create_instrument_use() -> None:
    op.create_table(
        "instrument_use",
        _column("id", _counted()),
        *_to("instrument_use", "signature_id", "signature"),
        *_to("instrument_use", "instrument_id", "instrument"),
        _column("last_used_at", sa.DateTime(timezone=True)),
        sa.PrimaryKeyConstraint("id", name="pk_instrument_use"),
    )
    _index("instrument_use", "signature_id")
    _index("instrument_use", "instrument_id", "last_used_at")


def _column(name: str, kind: Any, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=nullable)


def _counted() -> Any:
    return sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _to(table: str, name: str, referred: str) -> tuple[SchemaItem, SchemaItem]:
    constraint = f"fk_{table}_{name}_{referred}"
    return _column(name, sa.Integer()), sa.ForeignKeyConstraint([name], [f"{referred}.id"], name=constraint)


def _index(table: str, *columns: str) -> None:
    op.create_index(f"ix_{table}_{'_'.join(columns)}", table, list(columns))
