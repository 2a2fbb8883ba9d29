"""Noise and fixed pattern of a few even frames."""
