"""Trust tokens: programs act for people, as far as a token goes; a request sent twice is answered once.

A token is kept by the digest of its secret, which is shown once. What was answered to a request is kept under the key
that the program chose, so that a request that is sent again after a broken connection does nothing twice.
"""

import sqlalchemy as sa
from alembic import op

from inspect_app.storage import triggers

revision: str = "20261128_trust_tokens"
down_revision: str | None = "20261128_link_devices"


def _sealed(table: str) -> tuple[sa.Column[int], sa.ForeignKeyConstraint]:
    return (
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["event_id"], ["event.id"], name=f"fk_{table}_event_id_event", initially="DEFERRED", deferrable=True
        ),
    )


def upgrade() -> None:
    """Create the tables with the triggers that keep them append-only."""
    op.create_table(
        "token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("scopes", sa.String(length=200), nullable=False),
        sa.Column("hint", sa.String(length=200), nullable=False),
        sa.Column("secret_digest", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        *_sealed("token"),
        sa.CheckConstraint("made_at < expires_at", name="ck_token_expires_after_made"),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_token_person_id_person"),
        sa.PrimaryKeyConstraint("id", name="pk_token"),
        sa.UniqueConstraint("secret_digest", name="uq_token_secret_digest"),
    )
    op.create_table(
        "token_end",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_by_id", sa.Integer(), nullable=True),
        *_sealed("token_end"),
        sa.ForeignKeyConstraint(["token_id"], ["token.id"], name="fk_token_end_token_id_token"),
        sa.ForeignKeyConstraint(["revoked_by_id"], ["person.id"], name="fk_token_end_revoked_by_id_person"),
        sa.PrimaryKeyConstraint("id", name="pk_token_end"),
        sa.UniqueConstraint("token_id", name="uq_token_end_token_id"),
    )
    op.create_table(
        "answered_request",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("request_digest", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("location", sa.Text(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("body_digest", sa.String(length=64), nullable=False),
        *_sealed("answered_request"),
        sa.ForeignKeyConstraint(["token_id"], ["token.id"], name="fk_answered_request_token_id_token"),
        sa.PrimaryKeyConstraint("id", name="pk_answered_request"),
        sa.UniqueConstraint("token_id", "key", name="uq_answered_request_token_id_key"),
    )
    tables = ("token", "token_end", "answered_request")
    for table in tables:
        op.create_index(f"ix_{table}_event_id", table, ["event_id"])
    triggers.create(op.get_bind(), [(table, "id") for table in tables])
