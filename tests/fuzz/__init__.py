"""Fuzzing of `measure`: whole captures of every kind, the ways to damage them, and what must come of it."""
