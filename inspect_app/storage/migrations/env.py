"""Runs the migrations on the connection that `storage.database` hands over."""

from alembic import context

from inspect_app.storage.tables import Row

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Row.metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
