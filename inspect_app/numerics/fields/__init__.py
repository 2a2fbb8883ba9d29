"""Bright fields: where they lie, their border and rim, and the smooth part of their light."""
