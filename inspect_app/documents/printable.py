"""Text from people, made fit to print: without what no file may hold, what would turn lines around, or overflow."""

import re
from typing import Final

# XML 1.0, production 2: everything else can be in no XML document, lone surrogates of broken file names among it.
_NOT_IN_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
# Unicode 15, annex 9, 2.1 to 2.5: these let a name turn around the words that follow it.
_TURNS_LINES: Final = re.compile("[\u202a-\u202e\u2066-\u2069]")
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=[^\s\d,;.]{1,7}(?:[\s,;.]|$))| (?=±)|(?<=±) |(?<=[≤≥=]) ")


def printable(text: str) -> str:
    """Return the text without control characters that no document may hold or that change the direction of others."""
    return _TURNS_LINES.sub("", _NOT_IN_XML.sub("", text))


def shortened(text: str, most: int) -> str:
    """Return the text, cut to at most so many letters with an ellipsis as the last."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def unbroken(text: str) -> str:
    """Return the text with spaces that no line breaks at between a number, its uncertainty and its unit."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def sentence(text: str) -> str:
    """Return the text with a capital at its beginning, and all else as it is."""
    return text[:1].upper() + text[1:]
