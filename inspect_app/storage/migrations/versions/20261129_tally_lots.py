"""Tally lots: how many devices of each stand where, so that no page counts the whole fleet.

Tallies are derived from what stands in the record already, and written after the last migration; the audit chain does
not seal them, `inspect-app verify` counts again.
"""

import sqlalchemy as sa
from alembic import op

revision: str = "20261129_tally_lots"
down_revision: str | None = "20261129_save_views"

_NUMBERS = (
    "devices",
    "inspected",
    "accepted",
    "rejected",
    "held",
    "documented",
    "passes",
    "signed",
    "first_decided",
    "first_rejected",
    "nonconformities",
    "open_nonconformities",
)


def upgrade() -> None:
    """Create the table; a tally is replaced, so no trigger keeps it append-only."""
    op.create_table(
        "lot_tally",
        sa.Column("lot_id", sa.Integer(), autoincrement=False, nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in _NUMBERS),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name="fk_lot_tally_lot_id_lot"),
        sa.PrimaryKeyConstraint("lot_id", name="pk_lot_tally"),
    )
