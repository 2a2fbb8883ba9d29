"""The bar under a picture that says how long something in it is: a round length, in millimetres or in pixels."""

import math
from dataclasses import dataclass
from typing import Final

from inspect_app.quantity import format_limit

SHOWN_MM: Final = 28.0  # side of a part of a picture on paper, as in print.css
_LONGEST_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleBar:
    """How long the bar is on paper, and what length in the picture it stands for."""

    on_paper_mm: float
    label: str


def scale_bar(size_px: float, pixels_per_mm: float | None) -> ScaleBar:
    """Return the longest bar of a round length (1, 2 or 5 times a power of ten) within half of a square picture."""
    unit, size = ("px", size_px) if pixels_per_mm is None else ("mm", size_px / pixels_per_mm)
    longest = size * _LONGEST_SHARE
    power = 10.0 ** math.floor(math.log10(longest))
    length = max(factor * power for factor in (1, 2, 5) if factor * power <= longest)
    return ScaleBar(on_paper_mm=round(length / size * SHOWN_MM, 2), label=format_limit(length, unit))
