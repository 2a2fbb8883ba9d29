"""Read films frame by frame: time stamps from the file, codes from the luma plane, memory for one frame only."""

import functools
import math
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, NamedTuple

import av
import av.error
import numpy as np

from inspect_app.capture.kinds import CodeArray, Film, FloatArray
from inspect_app.capture.transfer import decoder
from inspect_app.errors import UnusableInput

LARGEST_FRAME_PX: Final = 40_000_000
"""Above an 8K frame: a header that claims more is a mistake or an attack."""

_COARSE_CLOCK_S: Final = Fraction(1, 1000)  # the step of Matroska's and WebM's clock, in which two fast frames may lie
_CONTAINERS: Final = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpeg,mpegts,mpegvideo,ogg,asf,flv,mxf,nut,gif"
"""Only self-contained files: play lists and image sequences could make the decoder open other files or addresses."""

_FULL_RANGE: Final = 2  # AVColorRange JPEG
_STUDIO_BLACK: Final = 16  # of 255, ITU-R BT.709-6, 4.6 (from memory)
_STUDIO_WHITE: Final = 235
_LUMA_FIRST: Final = ("yuv", "gray", "nv", "p0")
_REMEDY: Final = "Export the film again as MP4 (H.264) and use that file."


def read_film(path: Path, *, name: str, role: str, transfer: str, sha256: str) -> Film:
    """Open a film and prove that its first frame can be read.

    Parameters
    ----------
    path : Path
        The file; its content decides what it is, not its name.
    name, role, sha256 : str
        Passed on to the `Film`.
    transfer : str
        How codes become exposure, as `inspect_app.capture.transfer.decoder` takes it.

    Returns
    -------
    Film
        Nothing of it stands in memory: each call of `open_frames` or `open_codes` decodes the file anew.

    Raises
    ------
    UnusableInput
        The file holds no film, is damaged or cut short, claims an absurd size, has no time stamps, or is a GIF.

    Notes
    -----
    Codes are luma (8 bits, or 16 where the film has more): the luma plane is taken as it lies, without the scaler,
    which is about three times as fast and loses no code. Studio range (16 to 235) and full range are told apart by the
    file's own flag; without one, luma with chroma beside it is studio range. RGB films become 8-bit luma first. Where
    two frames share one stamp of a clock that counts milliseconds, the second is taken to be half of one later.
    A film is cut short where frames are fewer than its header counts and end before it does: an AVI counts the frames
    that its camera dropped, too.
    Coordinates are those of the stored frame: a rotation flag is not applied.
    """
    first = first_frame(path, name)
    if first is None:
        raise UnusableInput(name, "the film holds no frame that can be read", _REMEDY)
    exposures = _exposure_table(first, transfer)
    rows, cols = first.height, first.width

    def open_codes() -> Iterator[tuple[float, CodeArray]]:
        yield from _pass(path, name, rows, cols)

    def open_frames() -> Iterator[tuple[float, FloatArray]]:
        for time_s, codes in open_codes():
            yield time_s, exposures[codes]

    return Film(
        name=name,
        sha256=sha256,
        rows=rows,
        cols=cols,
        open_frames=open_frames,
        role=role,
        open_codes=open_codes,
        exposures=exposures,
    )


def first_frame(path: Path, name: str) -> Any:
    """Return the first frame of a film as its decoder gives it; None where there is none.

    Raises
    ------
    UnusableInput
        As of `read_film`.
    """
    with _open(path, name) as container:
        return next(_frames(container, name), None)


def _open(path: Path, name: str) -> Any:
    with path.open("rb") as stream:
        if stream.read(4) == b"GIF8":
            raise UnusableInput(
                name, "a GIF keeps time in hundredths of a second only", "Use the camera's own film file (MP4, MOV)."
            )
    options = {"protocol_whitelist": "file", "format_whitelist": _CONTAINERS}
    try:
        container = av.open(f"file:{path.resolve()}", options=options, metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise UnusableInput(name, "it is not a film that can be read, or it is cut short", _REMEDY) from error
    try:
        _prove_stream(container, name)
    except UnusableInput:
        container.close()
        raise
    return container


def _prove_stream(container: Any, name: str) -> None:
    if not container.streams.video:
        raise UnusableInput(name, "the file holds no picture track", "Choose the film itself.")
    stream = container.streams.video[0]
    context = stream.codec_context
    if context is None:
        raise UnusableInput(name, "the film's coding is not known here", _REMEDY)
    if context.width * context.height > LARGEST_FRAME_PX:
        raise UnusableInput(
            name, f"frames of {context.width} × {context.height} pixels are too large", "Crop the film and use that."
        )


def _frames(container: Any, name: str) -> Iterator[Any]:
    try:
        yield from container.decode(container.streams.video[0])
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise UnusableInput(name, "the film is damaged or cut short", _REMEDY) from error


def _pass(path: Path, name: str, rows: int, cols: int) -> Iterator[tuple[float, CodeArray]]:
    count, last_s = 0, -math.inf
    with _open(path, name) as container:
        stream = container.streams.video[0]
        expected, ticks, per_tick = stream.frames, stream.time_base.numerator, stream.time_base.denominator
        half_tick_s = ticks / per_tick / 2 if stream.time_base >= _COARSE_CLOCK_S else 0.0
        for frame in _frames(container, name):
            _prove_frame(frame, name, count, rows, cols)
            time_s = frame.pts * ticks / per_tick  # fractions take a twentieth of what decoding takes
            if time_s == last_s:
                time_s += half_tick_s
            if time_s <= last_s:
                raise UnusableInput(name, f"the clock of the film stands still or runs back at frame {count}", _REMEDY)
            yield time_s, _luma(frame)
            count, last_s = count + 1, time_s
        lasts_s = float((stream.duration or 0) * stream.time_base)
        starts_s = float((stream.start_time or 0) * stream.time_base)
    ends_early = not lasts_s or (last_s - starts_s) * (1 + 1 / max(count - 1, 1)) < 0.98 * lasts_s
    if expected and count < 0.98 * expected - 2 and ends_early:
        raise UnusableInput(name, f"the film is cut short: {count} of {expected} frames are there", _REMEDY)


def _prove_frame(frame: Any, name: str, count: int, rows: int, cols: int) -> None:
    if (frame.height, frame.width) != (rows, cols):
        raise UnusableInput(name, f"the size of the picture changes at frame {count}", _REMEDY)
    if frame.is_corrupt:
        raise UnusableInput(name, f"frame {count} is damaged", _REMEDY)
    if frame.pts is None:
        raise UnusableInput(name, f"frame {count} has no time stamp", _REMEDY)


class _Plane(NamedTuple):
    """How the first plane of a format holds its codes: their type, and by how many bits they are shifted up."""

    stored: type[np.unsignedinteger[Any]]
    shift: int


@functools.cache
def _luma_plane(format_name: str) -> _Plane | None:
    """Return how the first plane of a format holds luma; None where it does not. Kept: asking costs as much a frame."""
    if not format_name.startswith(_LUMA_FIRST) or format_name.endswith("be"):
        return None
    is_wide = av.VideoFormat(format_name).components[0].bits > 8
    return _Plane(np.uint16 if is_wide else np.uint8, 6 if format_name.startswith("p0") else 0)


def _luma(frame: Any) -> CodeArray:
    """Return the luma codes of a frame, shape (rows, cols), without copying where the film holds luma."""
    held = _luma_plane(frame.format.name)
    if held is None:
        return np.asarray(frame.reformat(format="gray").to_ndarray(), dtype=np.uint8)
    plane = frame.planes[0]
    stored: CodeArray = np.frombuffer(plane, held.stored)
    per_row = plane.line_size // stored.itemsize
    codes = stored[: per_row * frame.height].reshape(frame.height, per_row)[:, : frame.width]
    return codes >> held.stored(held.shift) if held.shift else codes


def _exposure_table(frame: Any, transfer: str) -> FloatArray:
    """Return the exposure of every code, shape (2 ** bits,); a table of the user's speaks of codes as stored."""
    is_luma = _luma_plane(frame.format.name) is not None
    bits = frame.format.components[0].bits if is_luma else 8
    codes = np.arange(2**bits, dtype=np.float64)
    is_studio = is_luma and frame.format.name.startswith(("yuv4", "nv", "p0")) and frame.color_range != _FULL_RANGE
    if is_studio and not transfer.startswith("table:"):
        black, white = _STUDIO_BLACK * 2 ** (bits - 8), _STUDIO_WHITE * 2 ** (bits - 8)
        return decoder(transfer)(np.clip(codes - black, 0.0, white - black), white - black)
    return decoder(transfer)(codes, 2**bits - 1)
