"""Edges: found in a picture, fitted as surfaces, and their response in space."""
