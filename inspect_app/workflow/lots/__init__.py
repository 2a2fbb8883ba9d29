"""Lots: how far each has come, how it is sampled, and its verdict."""
