"""PNG and JPEG files as stored codes, exact to the last bit."""

import struct
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import numpy.typing as npt
from PIL import Image

from inspect_app.capture._codes import (
    DECODER_FAILURES,
    MOST_PIXELS,
    SAVE_AGAIN,
    Codes,
    damaged,
    prove_bits,
    prove_room,
    prove_size,
    without_alpha,
)
from inspect_app.errors import UnusableInput

PNG_HEADER: Final = (
    ">8x4x4sIIBB"  # signature, length, IHDR, width, height, bit depth, colour type (ISO/IEC 15948, 11.2.2)
)
PNG_PALETTE: Final = 3
ORIENTATION_TAG: Final = 0x0112
MOST_PNG_BYTES: Final = 512_000_000
JPEG_CODE_BITS: Final = 8


def read_png(path: Path, name: str, room_pixels: int = MOST_PIXELS) -> Codes:
    """Decode a PNG file; 16 bits a channel stay 16 bits.

    Notes
    -----
    Pillow silently reduces 16-bit colour to 8 bits, so everything but palettes goes through libpng itself.
    """
    with path.open("rb") as file:
        head = file.read(struct.calcsize(PNG_HEADER))
    if len(head) < struct.calcsize(PNG_HEADER) or path.stat().st_size > MOST_PNG_BYTES:
        raise damaged(name)
    first_chunk, cols, rows, bits, colour = struct.unpack(PNG_HEADER, head)
    if first_chunk != b"IHDR":
        raise damaged(name)
    prove_size(name, cols, rows)
    prove_room(name, cols * rows, room_pixels)
    if colour != PNG_PALETTE:
        prove_bits(name, bits)
    try:
        with Image.open(path, formats=["PNG"]) as picture:
            if getattr(picture, "n_frames", 1) > 1:
                raise UnusableInput(name, "it is an animated picture", "Save the frame that is measured by itself.")
            orientation = _orientation(picture)
            values = _expand_palette(picture) if colour == PNG_PALETTE else imagecodecs.png_decode(path.read_bytes())
    except DECODER_FAILURES as error:
        raise damaged(name) from error
    highest = 65535 if values.dtype == np.uint16 else 255
    if values.shape[:2] != (rows, cols):
        raise damaged(name)
    return Codes(
        values=without_alpha(name, values, highest),
        highest=highest,
        bit_depth=highest.bit_length(),
        orientation=orientation,
    )


def read_jpeg(path: Path, name: str, room_pixels: int = MOST_PIXELS) -> Codes:
    """Decode a JPEG file, grey or colour; of a file with several pictures the first."""
    try:
        with Image.open(path, formats=["JPEG", "MPO"]) as picture:
            prove_size(name, picture.width, picture.height)
            prove_room(name, picture.width * picture.height, room_pixels)
            if picture.mode not in ("L", "RGB"):
                raise UnusableInput(name, f"its colours are stored as {picture.mode}, not as grey or RGB", SAVE_AGAIN)
            orientation = _orientation(picture)
            picture.load()
            values, steps = np.asarray(picture), _block_steps(picture)
    except Image.DecompressionBombError as error:
        raise UnusableInput(name, "the picture claims far too many pixels", "Crop it to what is measured.") from error
    except DECODER_FAILURES as error:
        raise damaged(name) from error
    return Codes(values=values, highest=255, bit_depth=JPEG_CODE_BITS, orientation=orientation, block_steps=steps)


def _block_steps(picture: Image.Image) -> npt.NDArray[np.float64] | None:
    """Return the first of the quantisation tables, that of the brightness; None where the file names none of 8 x 8."""
    tables = getattr(picture, "quantization", {})
    first = np.array(next(iter(tables.values()), ()), dtype=np.float64)
    return np.maximum(first, 1.0).reshape(8, 8) if first.size == 64 else None  # a damaged file may say 0


def _expand_palette(picture: Image.Image) -> npt.NDArray[Any]:
    picture.load()
    return np.asarray(picture.convert("RGBA" if "transparency" in picture.info else "RGB"))


def _orientation(picture: Image.Image) -> int:
    """Read the EXIF orientation; a damaged EXIF block says nothing of the picture, so it counts as upright."""
    try:
        return int(picture.getexif().get(ORIENTATION_TAG, 1))
    except DECODER_FAILURES:
        return 1
