"""Stored codes on their way from a decoder to exposure, and the size that a picture may have."""

import logging
import struct
import zlib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFile

from inspect_app.errors import UnusableInput

# At 9 bytes a pixel for exposure and clipping these keep what is measured at once within about 1 GiB.
MOST_FRAME_PIXELS: Final = 64_000_000
MOST_PIXELS: Final = 96_000_000

FEWEST_BITS: Final = 8
MOST_BITS: Final = 16
SAVE_AGAIN: Final = "Save it as an 8 or 16-bit grey or colour PNG or TIFF."
COPY_AGAIN: Final = "Copy it from the camera again; if it stays so, take the picture again."

# A decoder that is fed damaged bytes may stumble anywhere; this is all that Pillow, tifffile and imagecodecs raise.
DECODER_FAILURES: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
    Image.DecompressionBombError,
)
DECODER_LOGS: Final = ("tifffile", "imagecodecs", "PIL")


def set_up_decoders() -> None:
    """Have damaged files refused, and by one line of ours alone: the decoders' own remarks stay off the error stream.

    The printing library sets Pillow to fill what is missing of a cut file with grey, and to pass over a flood of text.
    """
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    for library in DECODER_LOGS:
        logging.getLogger(library).setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Codes:
    """One decoded frame: codes of shape (rows, cols) or (rows, cols, 3), whole numbers from 0 to `highest`.

    `orientation` is the EXIF value 1 to 8: how the codes must be turned to stand as they were seen. `block_steps` of
    shape (8, 8), or None: to what the transforms of its blocks are rounded.
    """

    values: npt.NDArray[Any]
    highest: int
    bit_depth: int
    orientation: int = 1
    block_steps: npt.NDArray[np.float64] | None = None


def prove_size(name: str, cols: int, rows: int) -> None:
    """Refuse a frame that is empty or too large, by what its header says, before it is decoded."""
    if cols < 1 or rows < 1:
        raise UnusableInput(name, f"the picture is {cols} x {rows} pixels, so it is empty", COPY_AGAIN)
    if cols * rows > MOST_FRAME_PIXELS:
        raise UnusableInput(
            name,
            f"the picture is {cols} x {rows} pixels, more than the {MOST_FRAME_PIXELS // 1_000_000} million taken here",
            "Crop it to the part that is measured.",
        )


def prove_room(name: str, pixels: int, room_pixels: int) -> None:
    """Refuse a file that, with what was read before it, would take too much memory."""
    if pixels > room_pixels:
        total = MOST_PIXELS - room_pixels + pixels
        raise UnusableInput(
            name,
            f"with it {total / 1e6:.0f} million pixels would be measured at once, "
            f"more than the {MOST_PIXELS // 1_000_000} million taken here",
            "Give fewer captures or pages, or crop them to the part that is measured.",
        )


def prove_bits(name: str, bits: int) -> None:
    """Refuse codes that are too coarse for exposure, or finer than any check expects."""
    if bits < FEWEST_BITS:
        raise UnusableInput(name, f"it has {bits} bit a channel, too few to tell exposures apart", SAVE_AGAIN)
    if bits > MOST_BITS:
        raise UnusableInput(name, f"it has {bits} bits a channel, more than the 16 that are taken", SAVE_AGAIN)


def without_alpha(name: str, values: npt.NDArray[Any], highest: int) -> npt.NDArray[Any]:
    """Drop a last channel that is opaque throughout; refuse one that hides a part of the picture.

    Parameters
    ----------
    values : ndarray of shape (rows, cols) or (rows, cols, channels)
        With 1 to 4 channels; the second or fourth is opacity.
    """
    if values.ndim == 2:
        return values
    channels = values.shape[2]
    if channels in (2, 4):
        if np.any(values[..., -1] != highest):
            raise UnusableInput(name, "parts of the picture are transparent", "Save it without transparency.")
        channels -= 1
    if channels not in (1, 3):
        raise UnusableInput(name, f"it has {channels} colour channels, not 1 or 3", SAVE_AGAIN)
    return values[..., 0] if channels == 1 else values[..., :3]


def damaged(name: str) -> UnusableInput:
    """Return the error for a file whose picture cannot be decoded."""
    return UnusableInput(name, "its picture is damaged or cut short", COPY_AGAIN)
