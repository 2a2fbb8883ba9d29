"""Bar codes on the photograph of a label: what a scanner would have typed."""

import warnings
from pathlib import Path
from typing import Final

import numpy as np
import zxingcpp
from PIL import Image, ImageOps

from inspect_app.capture._codes import DECODER_FAILURES, set_up_decoders
from inspect_app.errors import NothingToMeasure, UnusableInput

_FORMATS: Final = ("PNG", "JPEG", "MPO", "WEBP")
_PIXELS_AT_MOST: Final = 60_000_000
_NO_LABEL: Final = "Photograph the label from nearer, straight on, without glare; or type the serial."


def read_label(path: Path, name: str) -> tuple[str, ...]:
    """Read the bar codes on a photograph.

    Parameters
    ----------
    path : Path
        A PNG, JPEG or WebP picture.
    name : str
        What to call it.

    Returns
    -------
    tuple of str
        The text of each code, once, in the order in which they are found: linear and two-dimensional ones.

    Raises
    ------
    UnusableInput
        The file is no such picture, or has more than 60 million pixels.
    NothingToMeasure
        No code on it can be read.
    """
    set_up_decoders()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a broken head may still hold a picture
            with Image.open(path, formats=_FORMATS) as opened:
                if opened.width * opened.height > _PIXELS_AT_MOST:
                    raise UnusableInput(name, f"it has {opened.width} x {opened.height} pixels", _NO_LABEL)
                grey = np.ascontiguousarray(ImageOps.exif_transpose(opened).convert("L"))
    except DECODER_FAILURES as error:
        raise UnusableInput(name, "it is no picture that can be read", "Send a PNG, JPEG or WebP photo.") from error
    texts = (code.text.strip() for code in zxingcpp.read_barcodes(grey))
    found = tuple(dict.fromkeys(text for text in texts if text))
    if not found:
        raise NothingToMeasure(name, "no bar code on it can be read", _NO_LABEL)
    return found
