"""A study of two readers of the bar target whose figures follow from algebra."""

import math

GAUGE = math.sqrt(4 / 11 + (4 - 4 / 11) / 8)
"""In elements, of `ELEMENTS`.

Readers A and B are one element apart on each of 4 parts, the repeat of each one element up: SS_e = 8 cells × 1/2 = 4
over 8 degrees, SS_o = 4, no interaction. Pooled MS_e' = 4 / 11, and s²_o = (4 - 4/11) / 8.
"""
PERCENT = 100 * GAUGE * math.log(2) / 6
"""Of one reader: an element is ln 2 / 6 of the frequency's logarithm."""


def elements(layout: str = "7") -> bytes:
    """Return the table."""
    rows = [
        f'{layout},{part},{reader},"{part},{at + up}"'
        for part in range(4)
        for reader, at in (("A", 1), ("B", 2))
        for up in (0, 1)
    ]
    return "\n".join(["layout,part,reader,value", *rows, ""]).encode()
