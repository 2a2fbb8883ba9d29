"""Alembic's place: how the schema came to be."""
