"""Labels with a bar code of Code 39, drawn from its published table."""

import numpy as np
from PIL import Image

# Code 39 (ISO/IEC 16388, from memory): nine elements of a character, bars and spaces in turn, w wide and n narrow.
CODE_39 = {
    "0": "nnnwwnwnn", "1": "wnnwnnnnw", "2": "nnwwnnnnw", "7": "nnnwnnwnw",
    "M": "wnwnnnnwn", "T": "nnnnwnwwn", "-": "nwnnnnwnw", "*": "nwnnwnwnn",
}  # fmt: skip


def label(text, narrow_px=3, height_px=120):
    """Draw a text as Code 39 on a white label: the start and stop character around it, wide is three times narrow."""
    modules = []
    for character in f"*{text}*":
        for place, width in enumerate(CODE_39[character]):
            modules += [place % 2 == 0] * (narrow_px * (3 if width == "w" else 1))
        modules += [False] * narrow_px
    bars = np.where(np.array(modules), 0, 255).astype(np.uint8)
    drawn = np.full((height_px + 80, bars.size + 120), 255, np.uint8)
    drawn[40:-40, 60:-60] = bars
    return Image.fromarray(drawn)
