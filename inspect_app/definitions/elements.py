"""Limits that are elements of the 1951 bar target, which trade and contracts call by rounded numbers."""

import math
import re
from typing import Final

from inspect_app.definitions.toml_source import Table

ELEMENTS: Final = range(1, 7)
GROUPS: Final = range(-5, 13)

# Two neighbours are 12 % apart and printed tables keep two or three digits, so that a number this near to an element
# and yet not equal to it is that element's printed name: 72 is 6,2 (71.84), 57 is 5,6 (57.02), 45 is 5,4 (45.25).
_NOMINAL: Final = 0.01
_EQUAL: Final = 1e-9
_GROUP_AND_ELEMENT = re.compile(r"\s*(-?\d{1,2})\s*,\s*(\d)\s*")


def element_lp_mm(group: int, element: int) -> float:
    """Return what an element resolves, in lp/mm: 2 ** (group + (element - 1) / 6) (MIL-STD-150A)."""
    return float(2 ** (group + (element - 1) / len(ELEMENTS)))


def read_element(table: Table, name: str, text: str) -> float:
    """Return the lp/mm of an element written ``group,element``.

    Raises
    ------
    UnusableInput
        The text is no element.
    """
    match = _GROUP_AND_ELEMENT.fullmatch(text)
    group, element = (int(match[1]), int(match[2])) if match else (0, 0)
    if element not in ELEMENTS or group not in GROUPS:
        raise table.error(name, f"'{text}' is no element of the target", 'Write group and element, like "6,2".')
    return element_lp_mm(group, element)


def prove_not_nominal(table: Table, name: str, lp_mm: float) -> None:
    """Refuse a number that is the rounded name of an element, and would reject or pass the element by its rounding.

    Raises
    ------
    UnusableInput
        Names the element that is probably meant.
    """
    for group in GROUPS:
        for element in ELEMENTS:
            exact = element_lp_mm(group, element)
            if math.isclose(lp_mm, exact, rel_tol=_NOMINAL) and not math.isclose(lp_mm, exact, rel_tol=_EQUAL):
                raise table.error(
                    name,
                    f"{lp_mm:g} lp/mm is the rounded name of element {group},{element}, which is {exact:.4f}",
                    f'Write {name}_element = "{group},{element}" instead.',
                )
