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


GOOD, GOOD_REJECTED, BAD, BAD_ACCEPTED = 50, 5, 50, 10
"""Looks of `looks` at 25 good and 25 bad items by two readers, and how many of them were wrong."""


def looks(tag: str = "") -> bytes:
    """Return a table of looks whose items are known: Bea is wrong of five good items and of ten bad ones."""
    items = (
        [("pass", "pass", "pass")] * 20
        + [("pass", "fail", "pass")] * 5
        + [("fail", "pass", "fail")] * 10
        + [("fail", "fail", "fail")] * 15
    )
    rows = [
        f"{tag}{number},{reader},{verdict},{reference}"
        for number, (ann, bea, reference) in enumerate(items)
        for reader, verdict in (("Ann", ann), ("Bea", bea))
    ]
    return "\n".join(["item,reader,verdict,reference", *rows, ""]).encode()
