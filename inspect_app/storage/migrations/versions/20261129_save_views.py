"""Let people name the address of a list, with all that is asked of it, and find it again.

Each keeps their own. A view that is renamed or deleted gets a newer row, as everything here does.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers
from inspect_app.storage.migrations.sealed_tables import column, create, to

revision: str = "20261129_save_views"
down_revision: str | None = "20261128_trust_tokens"


def upgrade() -> None:
    """Create the table with the triggers that keep it append-only."""
    create(
        "saved_view",
        to("saved_view", "person_id", "person"),
        column("ordinal", sa.Integer()),
        column("name", sa.String(200)),
        column("address", sa.Text(), nullable=True),
        column("saved_at", sa.DateTime(timezone=True)),
        sa.UniqueConstraint("person_id", "ordinal", name="uq_saved_view_person_id_ordinal"),
    )
    triggers.create(op.get_bind(), [("saved_view", "id")])
