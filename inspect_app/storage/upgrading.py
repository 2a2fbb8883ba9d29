"""The schema brought to the newest migration, and what is derived from the sealed rows written after it.

Migrations change the structure alone. What is derived is written once the last of them has run, by the code and for
the tables of today: between two of them it would ask for columns that only a later one brings.
"""

from sqlalchemy.orm import Session

from inspect_app.storage import results, tallies
from inspect_app.storage.database import Database, alembic_config, plain_errors


def upgrade(database: Database) -> None:
    """Bring the schema to the newest migration, all or nothing; an empty database gets all of it."""
    from alembic import command  # noqa: PLC0415 (half a second to import, and needed once in a record's life)

    with plain_errors(database.engine), database.engine.execution_options(writes=True).begin() as connection:
        command.upgrade(alembic_config(connection), "head")
        with Session(connection) as session:
            results.fill(session)
            tallies.fill(session)
            session.flush()
