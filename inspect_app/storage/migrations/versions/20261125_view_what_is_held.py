"""View what is held: the dock asks for signatures by their outcome, among very many of them."""

from alembic import op

revision: str = "20261125_view_what_is_held"
down_revision: str | None = "20261125_track_nonconformities"


def upgrade() -> None:
    """Create the index; no table is rebuilt, so its triggers stay."""
    op.create_index("ix_signature_outcome", "signature", ["outcome"])
