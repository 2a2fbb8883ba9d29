"""A small picture of an evidence file, for a page or a certificate: to be recognised, never to be measured."""

import contextlib
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import av
import numpy as np
from PIL import Image, ImageOps

from inspect_app.capture import film
from inspect_app.capture._codes import DECODER_FAILURES, set_up_decoders
from inspect_app.capture._tiff import read_tiff
from inspect_app.capture.kinds import FloatArray
from inspect_app.errors import UnusableInput

_PIXELS_AT_MOST: Final = 120_000_000
_TIFF_HEADS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_FORMATS: Final = ("PNG", "JPEG", "MPO", "GIF", "BMP", "WEBP", "PPM")  # none that starts another program to be drawn
_DARKEST_PERCENT, _BRIGHTEST_PERCENT = 0.5, 99.5  # stretched to black and white: common practice, no source
_DISPLAY_EXPONENT: Final = 1 / 2.2  # codes that are linear in exposure look too dark on a screen
_BYTE: Final = 255
_UNREADABLE: Final = (*DECODER_FAILURES, av.FFmpegError, UnusableInput)
_SAME_MS: Final = 1e-3  # time stamps are whole ticks of a time base; this is far below any
_ORIENTATION_TAG: Final = 274  # TIFF 6.0 and EXIF; from 5 on rows and columns change places
_FIRST_TURNED: Final = 5


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
    picture = _picture(path, max_px)
    return None if picture is None else _as_png(picture, max_px)


def crop_png(path: Path, x_px: float, y_px: float, size_px: float, side_px: int) -> bytes | None:
    """Make a PNG of a square part of a picture, or of the first frame of a film, enlarged without smoothing.

    Parameters
    ----------
    path : Path
        An evidence file.
    x_px, y_px : float
        Centre of the part; the centre of the first pixel is (0, 0). The part is moved to lie inside the picture.
    size_px : float
        Its side in pixels of the file.
    side_px : int
        Its side in pixels of the PNG.

    Returns
    -------
    bytes or None
        A PNG; None where the file holds no picture that can be read, or a smaller one.
    """
    picture = _picture(path, _PIXELS_AT_MOST)
    size = max(1, round(size_px))
    if picture is None or min(picture.size) < size:
        return None
    left = min(max(round(x_px + 0.5 - size / 2), 0), picture.width - size)
    top = min(max(round(y_px + 0.5 - size / 2), 0), picture.height - size)
    part = picture.crop((left, top, left + size, top + size))
    return _as_png(part.resize((side_px, side_px), Image.Resampling.NEAREST), side_px)


def _picture(path: Path, max_px: int) -> Image.Image | None:
    set_up_decoders()
    for reader in (_read_tiff,) if _is_tiff(path) else (_read_picture, _read_first_frame):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a broken head may still hold a picture; our own bounds stand below
                picture = reader(path, max_px)
        except _UNREADABLE:
            continue
        if picture is not None:
            return picture
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame of a film as a small picture: its number from 0, its time from the first frame, and a PNG."""

    number: int
    time_ms: float
    png: bytes


def picture_size(path: Path) -> tuple[int, int] | None:
    """Return width and height in pixels of a picture as measured, or of a film's frames; None where it is neither.

    Parameters
    ----------
    path : Path
        An evidence file; its name need not say what it is.
    """
    set_up_decoders()
    for reader in (_tiff_size,) if _is_tiff(path) else (_raster_size, _film_size):
        with contextlib.suppress(*_UNREADABLE), warnings.catch_warnings():
            warnings.simplefilter("ignore")  # as for the preview
            return reader(path)
    return None


def film_frame(path: Path, number: int, max_px: int, at_ms: float | None = None) -> Frame | None:
    """Return one frame of a film, or its last one where it has fewer; None where the file is no film.

    Parameters
    ----------
    path : Path
        An evidence file.
    number : int
        From 0.
    max_px : int
        Longest side of the picture.
    at_ms : float, optional
        Time from the first frame, in ms; the first frame at or after it is returned instead.

    Notes
    -----
    Frames are counted from the first one that can be decoded, as they are when they are measured; nothing is skipped.
    """
    try:
        with av.open(str(path)) as container:
            if not container.streams.video:
                return None
            start_s, time_ms, found, count = 0.0, 0.0, None, -1
            for count, frame in enumerate(container.decode(video=0)):
                start_s = (frame.time or 0.0) if count == 0 else start_s
                found, time_ms = frame, 1000 * ((frame.time or 0.0) - start_s)
                if (count >= number) if at_ms is None else (time_ms >= at_ms - _SAME_MS):
                    break
            picture = None if found is None else _of_array(found.to_ndarray(format="rgb24"), max_px)
            return None if picture is None else Frame(number=count, time_ms=time_ms, png=_as_png(picture, max_px))
    except _UNREADABLE:
        return None


def _is_tiff(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(4) in _TIFF_HEADS


def _tiff_size(path: Path) -> tuple[int, int]:
    rows, cols = next(read_tiff(path, path.name)).values.shape[:2]
    return cols, rows


def _raster_size(path: Path) -> tuple[int, int]:
    with Image.open(path, formats=_FORMATS) as opened:
        is_turned = int(opened.getexif().get(_ORIENTATION_TAG, 1)) >= _FIRST_TURNED
        return (opened.height, opened.width) if is_turned else (opened.width, opened.height)


def _film_size(path: Path) -> tuple[int, int]:
    with av.open(str(path)) as container:
        if not container.streams.video:
            raise ValueError(f"{path.name} holds no pictures")
        video = container.streams.video[0].codec_context
        return video.width, video.height


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
