"""Reads documents back with poppler and pikepdf."""

import io
import re
import subprocess

import pikepdf


def text_of(pdf: bytes, *options: str) -> str:
    """Return the text of a PDF, each run of white space as one space."""
    read = subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, check=True)
    return re.sub(r"\s+", " ", read.stdout.decode())


def pages_of(pdf: bytes) -> list[str]:
    """Return the text of each page."""
    return [text_of(pdf, "-f", str(page), "-l", str(page)) for page in range(1, page_count(pdf) + 1)]


def page_count(pdf: bytes) -> int:
    """Return how many pages there are."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return len(opened.pages)


def fonts_of(pdf: bytes) -> list[list[str]]:
    """Return the columns that poppler tells of each font: name, …, embedded, subset, with Unicode map, object."""
    read = subprocess.run(["pdffonts", "-"], input=pdf, capture_output=True, check=True)
    return [line.split() for line in read.stdout.decode().splitlines()[2:]]
