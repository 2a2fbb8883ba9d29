"""Captures and logs with exactly known answers, made for the tests."""
