"""Spots and odd pixels of a bright field, in the texture that surrounds them."""
