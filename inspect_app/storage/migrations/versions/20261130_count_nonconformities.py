"""Let nonconformities be counted over indexes: by check and quantity, and by class as it was changed afterwards."""

from alembic import op

revision: str = "20261130_count_nonconformities"
down_revision: str | None = "20261129_tally_lots"


def upgrade() -> None:
    """Create the indexes."""
    for table, *columns in (
        ("nonconformity", "check_name", "quantity_name"),
        ("nonconformity", "severity"),
        ("nonconformity_act", "severity"),
    ):
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)
