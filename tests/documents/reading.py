"""Reads documents back with poppler."""

import re
import subprocess


def text_of(pdf: bytes, *options: str) -> str:
    """Return the text of a PDF, each run of white space as one space."""
    read = subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, check=True)
    return re.sub(r"\s+", " ", read.stdout.decode())
