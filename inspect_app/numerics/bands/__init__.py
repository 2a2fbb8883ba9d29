"""Bands that a strobe draws across a rolling shutter: told from what else may stand in a picture, and fitted."""
