"""Acceptance inspection of delivered low-light imaging equipment."""

__version__ = "0.1.0"
