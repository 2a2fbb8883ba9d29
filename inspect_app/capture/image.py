"""Still pictures: PNG, TIFF and JPEG files become frames proportional to exposure."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture._codes import MOST_PIXELS, Codes
from inspect_app.capture._raster import read_jpeg, read_png
from inspect_app.capture._tiff import read_tiff
from inspect_app.capture.kinds import BlockRounding, FloatArray, Still
from inspect_app.capture.transfer import Decoder, decoder
from inspect_app.errors import UnusableInput

RED, GREEN, BLUE = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, item 3.2: luminance of linear red, green and blue

PIXELS_AT_ONCE: Final = 250_000  # bounds the working memory of the conversion


def read_image(
    path: Path, *, name: str, role: str, transfer: str, sha256: str, form: str, room_pixels: int = MOST_PIXELS
) -> tuple[Still, ...]:
    """Read a picture file as one still a page.

    Parameters
    ----------
    path : Path
        The file.
    name, role, sha256 : str
        As in `Still`.
    transfer : str
        As `decoder` takes it.
    form : str
        What the file's first bytes say it is: ``png``, ``tiff`` or ``jpeg``.
    room_pixels : int
        How many pixels may still be read beside those that were read before.

    Returns
    -------
    tuple of Still
        One, or one for each page of a TIFF file with several, named ``file.tif[1]``, ``file.tif[2]`` and so on. A
        picture that says how the camera was held is turned upright.

    Raises
    ------
    UnusableInput
        The picture is damaged, too large or of a kind that holds no plain camera codes (transparent, CMYK, raw,
        floating point, fewer than 8 bits), or the transfer does not cover its codes.
    """
    decode = decoder(transfer)
    frames: Iterable[Codes]
    if form == "tiff":
        frames = read_tiff(path, name, room_pixels)
    else:
        frames = ((read_png if form == "png" else read_jpeg)(path, name, room_pixels),)
    stills = [_still(codes, decode, name, role, sha256) for codes in frames]
    if len(stills) == 1:
        return tuple(stills)
    return tuple(replace(still, name=f"{name}[{page}]") for page, still in enumerate(stills, start=1))


def _still(codes: Codes, decode: Decoder, name: str, role: str, sha256: str) -> Still:
    values = _upright(codes.values, codes.orientation)
    lowest = int(values.min())
    curve = decode(np.arange(lowest, int(values.max()) + 1), codes.highest)
    exposure, clipped = _expose(values, curve, lowest, codes.highest)
    return Still(
        name=name,
        sha256=sha256,
        exposure=exposure,
        clipped=clipped,
        bit_depth=codes.bit_depth,
        code_step=_code_step(decode, codes.highest, curve),
        rounding=_rounding(codes, np.concatenate([np.zeros(lowest), curve])),
        role=role,
    )


def _rounding(codes: Codes, exposures: FloatArray) -> BlockRounding | None:
    if codes.block_steps is None or len(exposures) < 2:
        return None
    lies_on_its_side = codes.orientation >= 5
    return BlockRounding(steps=codes.block_steps.T if lies_on_its_side else codes.block_steps, exposures=exposures)


def _upright(values: npt.NDArray[Any], orientation: int) -> npt.NDArray[Any]:
    """Turn and mirror as EXIF asks (CIPA DC-008, tag 0112: where row 0 and column 0 are)."""
    if orientation in (2, 7):
        values = np.fliplr(values)
    elif orientation in (4, 5):
        values = np.flipud(values)
    if orientation in (5, 6, 7):
        return np.rot90(values, -1)
    if orientation == 8:
        return np.rot90(values, 1)
    return np.rot90(values, 2) if orientation == 3 else values


def _expose(
    values: npt.NDArray[Any], curve: FloatArray, lowest: int, highest: int
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    rows, cols = values.shape[:2]
    channels = values[..., np.newaxis] if values.ndim == 2 else values
    weights = (1.0,) if values.ndim == 2 else (RED, GREEN, BLUE)
    curves = [weight * np.concatenate([np.zeros(lowest), curve]) for weight in weights]
    exposure = np.empty((rows, cols))
    clipped = np.empty((rows, cols), dtype=np.bool_)
    step = max(1, PIXELS_AT_ONCE // cols)
    for start in range(0, rows, step):
        block = channels[start : start + step]
        part = exposure[start : start + step]
        # "clip" spares numpy's copy through a checked buffer; no code lies outside the curve.
        np.take(curves[0], block[..., 0], out=part, mode="clip")
        for channel in range(1, len(curves)):
            part += curves[channel][block[..., channel]]
        clipped[start : start + step] = (block == highest).any(axis=2)
    return exposure, clipped


def _code_step(decode: Decoder, highest: int, curve: FloatArray) -> float:
    """Return the exposure of one code at half of full scale; where a table ends earlier, the mean step of the frame."""
    try:
        whole = decode(np.arange(highest + 1), highest)
    except UnusableInput:
        return float((curve[-1] - curve[0]) / max(1, len(curve) - 1))
    place = int(np.searchsorted(whole, whole[-1] / 2))
    place = min(max(place, 1), highest)
    return float(whole[place] - whole[place - 1])
