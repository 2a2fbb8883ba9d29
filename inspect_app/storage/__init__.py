"""The record: tables, evidence and the audit chain; the only home of SQLAlchemy."""
