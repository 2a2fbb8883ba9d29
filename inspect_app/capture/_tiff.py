"""TIFF files, page by page, with every count proved against the file's size before it is believed."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt
import tifffile

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

MOST_PAGES: Final = 1000
MOST_TAGS: Final = 4096

# TIFF 6.0, section 2, and the BigTIFF types 16 to 18: bytes of one value of each type.
TYPE_BYTES: Final = {
    1: 1,
    2: 1,
    3: 2,
    4: 4,
    5: 8,
    6: 1,
    7: 1,
    8: 2,
    9: 4,
    10: 8,
    11: 4,
    12: 8,
    13: 4,
    16: 8,
    17: 8,
    18: 8,
}
# None, LZW, Deflate (twice), PackBits, Zstandard: lossless, and decoded into a buffer of the size that the page states.
COMPRESSIONS: Final = {1, 5, 8, 32946, 32773, 50000}

WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE = 0, 1, 2, 3
UNSIGNED: Final = 1
MOST_CHANNELS: Final = 4
REDUCED: Final = 1
ORIENTATION_TAG: Final = 274
DNG_VERSION_TAG: Final = 50706


@dataclass(frozen=True, slots=True)
class _Layout:
    """How numbers are written in this file: struct codes and bytes of its offsets and counts."""

    order: str
    is_big: bool

    @property
    def offset(self) -> str:
        return self.order + ("Q" if self.is_big else "I")

    @property
    def tag_count(self) -> str:
        return self.order + ("Q" if self.is_big else "H")

    @property
    def entry(self) -> str:
        return self.order + ("HHQ8x" if self.is_big else "HHI4x")


def read_tiff(path: Path, name: str, room_pixels: int = MOST_PIXELS) -> Iterator[Codes]:
    """Decode the pages of a TIFF file in turn; reduced copies (thumbnails) are passed over.

    Raises
    ------
    UnusableInput
        The file is damaged, too large, or of a kind that holds no plain picture.
    """
    _prove_structure(path, name)
    try:
        with tifffile.TiffFile(path) as file:
            pages = [page for page in file.pages if isinstance(page, tifffile.TiffPage)]
            full = [page for page in pages if not page.subfiletype & REDUCED] or pages
            _prove_pages(full, name, room_pixels)
            size_bytes = path.stat().st_size
            for page in full:
                yield _page_codes(page, name, size_bytes)
    except DECODER_FAILURES as error:
        raise damaged(name) from error


def _prove_structure(path: Path, name: str) -> None:
    """Walk the chain of directories, so that no tag can ask for more bytes than the file has."""
    with path.open("rb") as file:
        try:
            _walk(file, name, path.stat().st_size)
        except struct.error as error:
            raise damaged(name) from error


def _walk(file: BinaryIO, name: str, size_bytes: int) -> None:
    head = file.read(4)
    layout = _Layout("<" if head[:2] == b"II" else ">", is_big=head[2:4] in (b"+\0", b"\0+"))
    if layout.is_big:
        file.seek(8)
    seen: set[int] = set()
    (position,) = _unpack(file, layout.offset)
    while position:
        if position in seen or position >= size_bytes:
            raise damaged(name)
        seen.add(position)
        if len(seen) > MOST_PAGES:
            raise UnusableInput(name, f"it has more than {MOST_PAGES} pages", "Save the pages that are measured apart.")
        file.seek(position)
        (tags,) = _unpack(file, layout.tag_count)
        if not 0 < tags <= MOST_TAGS:
            raise damaged(name)
        for _ in range(tags):
            _, kind, count = _unpack(file, layout.entry)
            if count * TYPE_BYTES.get(kind, 1) > size_bytes:
                raise damaged(name)
        (position,) = _unpack(file, layout.offset)
    if not seen:
        raise damaged(name)


def _unpack(file: BinaryIO, form: str) -> tuple[int, ...]:
    return struct.unpack(form, file.read(struct.calcsize(form)))


def _prove_pages(pages: list[tifffile.TiffPage], name: str, room_pixels: int) -> None:
    for page in pages:
        prove_size(name, page.imagewidth, page.imagelength)
    prove_room(name, sum(page.imagewidth * page.imagelength for page in pages), room_pixels)


def _page_codes(page: tifffile.TiffPage, name: str, size_bytes: int) -> Codes:
    _prove_kind(page, name)
    ends = zip(page.dataoffsets, page.databytecounts, strict=True)
    if not page.dataoffsets or any(start <= 0 or count <= 0 or start + count > size_bytes for start, count in ends):
        raise damaged(name)
    bits = int(page.bitspersample)
    highest = 2**bits - 1
    values = page.asarray()
    if page.planarconfig == 2 and values.ndim == 3:
        values = np.moveaxis(values, 0, 2)
    if page.photometric == PALETTE:
        return Codes(values=_through_palette(page, name, values), highest=65535, bit_depth=16)
    values = without_alpha(name, values, highest)
    if page.photometric == WHITE_IS_ZERO:
        values = highest - values
    orientation = page.tags.valueof(ORIENTATION_TAG, default=1)
    return Codes(values=values, highest=highest, bit_depth=bits, orientation=int(orientation))


def _through_palette(page: tifffile.TiffPage, name: str, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    palette = page.colormap
    if palette is None or values.ndim != 2:
        raise damaged(name)
    return np.asarray(palette)[:, values].transpose(1, 2, 0)


def _prove_kind(page: tifffile.TiffPage, name: str) -> None:
    if DNG_VERSION_TAG in page.tags:
        raise UnusableInput(name, "it is a camera's raw file", SAVE_AGAIN)
    if page.imagedepth > 1:
        raise UnusableInput(name, "it holds a volume, not a picture", SAVE_AGAIN)
    if page.photometric not in (WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, PALETTE):
        colour = getattr(page.photometric, "name", str(page.photometric))
        raise UnusableInput(name, f"its colours are stored as {colour}, not as grey or RGB", SAVE_AGAIN)
    if page.sampleformat != UNSIGNED:
        raise UnusableInput(name, "it holds signed or floating-point numbers, not camera codes", SAVE_AGAIN)
    if not 1 <= page.samplesperpixel <= MOST_CHANNELS:  # asked before they are decoded: a damaged tag may ask for 65535
        raise UnusableInput(name, f"it has {page.samplesperpixel} colour channels, not 1 or 3", SAVE_AGAIN)
    if not isinstance(page.bitspersample, int):
        raise UnusableInput(name, "its channels have different numbers of bits", SAVE_AGAIN)
    prove_bits(name, page.bitspersample)
    if page.compression not in COMPRESSIONS:
        way = getattr(page.compression, "name", str(page.compression))
        raise UnusableInput(name, f"its compression ({way}) is not taken in a TIFF", "Save it with LZW or none.")
