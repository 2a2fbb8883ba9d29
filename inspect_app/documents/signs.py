"""Signs that the typefaces of documents have no picture of, printed as code points: a name in a dispute has to be read.

No other typeface of the machine is asked for them, so that a document looks the same everywhere. What is attached, and
what stands for those who do not see a figure, keeps the signs themselves.
"""

import unicodedata
from collections.abc import Iterator, Set
from itertools import groupby
from operator import itemgetter
from typing import Final
from xml.etree import ElementTree as ET

_NEED_NO_PICTURE: Final = frozenset({"Cc", "Cf", "Zl", "Zp", "Zs"})
_JOIN_WHAT_IS_BEFORE: Final = frozenset({"Cf", "Me", "Mn"})  # joiners, variants and marks are part of a sign

_MAY_BREAK: Final = "\N{ZERO WIDTH SPACE}"  # the renderer breaks words in narrow places only where no element begins


def has_unknown(text: str, known: Set[int]) -> bool:
    """Say whether a text has any sign that is not known."""
    return any(_is_unknown(sign, known) for sign in set(text))


def spelled_out(text: str, known: Set[int]) -> str:
    """Return the text with its unknown signs as code points, such as ``‹U+1F526›``."""
    return "".join(_spelled(part) if is_strange else part for is_strange, part in _stretches(text, known))


def spell_out(element: ET.Element, known: Set[int]) -> None:
    """Set the unknown signs in all text of an element apart as code points that no typed text looks like."""
    for place in reversed(range(len(element))):
        child = element[place]
        spell_out(child, known)
        child.tail, behind = _set_apart(child.tail or "", known)
        element[place + 1 : place + 1] = behind
    element.text, inside = _set_apart(element.text or "", known)
    element[:0] = inside


def _set_apart(text: str, known: Set[int]) -> tuple[str, list[ET.Element]]:
    """Return the text before the first unknown sign, and an element for each stretch of them with what follows it."""
    before, elements = "", list[ET.Element]()
    for is_strange, part in _stretches(text, known):
        if is_strange:
            elements.append(ET.Element("span", {"class": "sign"}))
            elements[-1].text = _spelled(part)
        elif elements:
            elements[-1].tail = f"{_MAY_BREAK}{part}"
        else:
            before = part
    return f"{before}{_MAY_BREAK}" if before and elements else before, elements


def _stretches(text: str, known: Set[int]) -> Iterator[tuple[bool, str]]:
    for is_strange, found in groupby(_told_apart(text, known), key=itemgetter(0)):
        yield is_strange, "".join(sign for _, sign in found)


def _told_apart(text: str, known: Set[int]) -> Iterator[tuple[bool, str]]:
    is_strange = False
    for sign in text:
        goes_on = is_strange and unicodedata.category(sign) in _JOIN_WHAT_IS_BEFORE
        is_strange = goes_on or _is_unknown(sign, known)
        yield is_strange, sign


def _is_unknown(sign: str, known: Set[int]) -> bool:
    return ord(sign) not in known and unicodedata.category(sign) not in _NEED_NO_PICTURE


def _spelled(signs: str) -> str:
    return f"‹{' '.join(f'U+{ord(sign):04X}' for sign in signs)}›"
