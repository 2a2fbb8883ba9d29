"""Texts that people type or scan: one line, no control characters, not too long."""

import re
import unicodedata
from typing import Final

from inspect_app.errors import UnusableInput

LONGEST_LINE: Final = 200
LONGEST_SERIAL: Final = 64
LONGEST_REMARK: Final = 4000
_SPACES = re.compile(r"\s+")


def clean_line(where: str, text: str, *, longest: int = LONGEST_LINE) -> str:
    """Return a line without spaces at its ends and with single spaces inside.

    Raises
    ------
    UnusableInput
        It is empty, too long, or holds control characters.
    """
    line = _SPACES.sub(" ", text.strip())
    if not line:
        raise UnusableInput(where, "it is empty", "Type it.")
    if any(unicodedata.category(character) == "Cc" for character in line):
        raise UnusableInput(where, "it holds control characters", "Scan or type it again.")
    if len(line) > longest:
        raise UnusableInput(where, f"it has {len(line)} characters, {longest} are allowed", "Shorten it.")
    return line


def clean_remark(where: str, text: str | None) -> str:
    """Return a remark of any number of lines, perhaps empty; control characters other than line ends go.

    Raises
    ------
    UnusableInput
        It is too long.
    """
    lines = (text or "").replace("\r\n", "\n").strip()
    kept = "".join(mark for mark in lines if mark in "\n\t" or unicodedata.category(mark) != "Cc")
    if len(kept) > LONGEST_REMARK:
        raise UnusableInput(where, f"it has {len(kept)} characters, {LONGEST_REMARK} are allowed", "Shorten it.")
    return kept


def clean_reason(text: str | None, remedy: str) -> str:
    """Return a reason, which must not be empty.

    Raises
    ------
    UnusableInput
        It is empty or too long.
    """
    reason = clean_remark("reason", text)
    if not reason:
        raise UnusableInput("reason", "it is empty", remedy)
    return reason


def normalise_serial(text: str) -> str:
    """Return a serial number in the one spelling that the record uses: upper case, single spaces.

    Raises
    ------
    UnusableInput
        It is empty, too long, or holds control characters.

    Examples
    --------
    >>> normalise_serial("  qd-00412 ")
    'QD-00412'
    """
    composed = unicodedata.normalize("NFKC", text)
    return clean_line(f"serial '{text.strip()[:40]}'", composed, longest=LONGEST_SERIAL).upper()


def same_words(text: str) -> str:
    """Return a text by which two spellings of the same words are equal."""
    return _SPACES.sub(" ", text.strip()).casefold()
