"""A small picture of an evidence file, for a page or a certificate: to be recognised, never to be measured."""

import io
import warnings
from pathlib import Path
from typing import Final

import av
import numpy as np
from PIL import Image, ImageOps

from inspect_app.capture import film
from inspect_app.capture._codes import DECODER_FAILURES, hush_decoders
from inspect_app.capture._tiff import read_tiff
from inspect_app.capture.kinds import FloatArray
from inspect_app.errors import UnusableInput

_PIXELS_AT_MOST: Final = 120_000_000
_TIFF_HEADS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_FORMATS: Final = ("PNG", "JPEG", "MPO", "GIF", "BMP", "WEBP", "PPM")  # none that starts another program to be drawn
_DARKEST_PERCENT, _BRIGHTEST_PERCENT = 0.5, 99.5  # stretched to black and white: common practice, no source
_DISPLAY_EXPONENT: Final = 1 / 2.2  # codes that are linear in exposure look too dark on a screen
_BYTE: Final = 255


def preview_png(path: Path, max_px: int) -> bytes | None:
    """Make a small PNG of a picture, or of the first frame of a film.

    Parameters
    ----------
    path : Path
        An evidence file; its name need not say what it is.
    max_px : int
        Longest side of the preview in pixels.

    Returns
    -------
    bytes or None
        A PNG; None where the file holds no picture that can be read, or one of more than 120 million pixels (of a TIFF
        file and of a film, what measuring takes of it).

    Notes
    -----
    Eight-bit pictures keep their tones. Deeper ones are stretched between their 0.5 and 99.5 percentiles and shown
    with an exponent of 1/2.2, so that a frame taken near starlight is not simply black.
    """
    hush_decoders()
    with path.open("rb") as stream:
        is_tiff = stream.read(4) in _TIFF_HEADS
    for reader in (_read_tiff,) if is_tiff else (_read_picture, _read_first_frame):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a broken head may still hold a picture; our own bounds stand below
                picture = reader(path, max_px)
        except (*DECODER_FAILURES, Image.DecompressionBombError, av.FFmpegError, UnusableInput):
            continue
        if picture is not None:
            return _as_png(picture, max_px)
    return None


def _read_tiff(path: Path, max_px: int) -> Image.Image | None:
    return _of_array(next(read_tiff(path, path.name)).values, max_px)


def _read_picture(path: Path, max_px: int) -> Image.Image | None:
    with Image.open(path, formats=_FORMATS) as opened:
        if opened.width * opened.height > _PIXELS_AT_MOST:
            return None
        opened.draft("RGB", (max_px, max_px))
        if opened.mode in ("I;16", "I;16B", "I", "F"):
            return _of_array(np.asarray(opened), max_px)
        return ImageOps.exif_transpose(opened).convert("RGB")


def _read_first_frame(path: Path, max_px: int) -> Image.Image | None:
    frame = film.first_frame(path, path.name)
    return None if frame is None else _of_array(frame.to_ndarray(format="rgb24"), max_px)


def _of_array(array: np.ndarray, max_px: int) -> Image.Image | None:
    """Thin an array of shape (rows, cols) or (rows, cols, channels) to about `max_px` and make it a picture."""
    step = max(1, max(array.shape[:2]) // (2 * max_px))
    thinned = array[::step, ::step]
    if thinned.ndim == 3 and thinned.shape[2] not in (3, 4):
        thinned = thinned[:, :, 0]
    if thinned.ndim == 3:
        thinned = thinned[:, :, :3]
    if thinned.size == 0:
        return None
    if thinned.dtype != np.uint8:
        thinned = _stretched(thinned.astype(np.float64))
    return Image.fromarray(np.ascontiguousarray(thinned))


def _stretched(exposure: FloatArray) -> "np.ndarray[tuple[int, ...], np.dtype[np.uint8]]":
    finite = np.nan_to_num(exposure, nan=0.0, posinf=0.0, neginf=0.0)
    dark, bright = np.percentile(finite, [_DARKEST_PERCENT, _BRIGHTEST_PERCENT])
    span = bright - dark if bright > dark else 1.0
    shown: FloatArray = np.clip((finite - dark) / span, 0, 1) ** _DISPLAY_EXPONENT
    return np.rint(shown * _BYTE).astype(np.uint8)


def _as_png(picture: Image.Image, max_px: int) -> bytes:
    picture.thumbnail((max_px, max_px))
    buffer = io.BytesIO()
    picture.save(buffer, format="PNG", optimize=True)
    return buffer.getvalue()
