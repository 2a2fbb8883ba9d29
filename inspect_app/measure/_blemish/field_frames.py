"""Bright and dark frames of one field, stacked to one picture each."""

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.capture import BlockRounding, Capture, FloatArray, Still
from inspect_app.errors import UnusableInput

PILE_SHARE, PILE_RATIO = 0.01, 5  # of the pixels at the highest code, and over those at the next: noise has a tail
PILE_THIN = 4  # one pixel in 16 tells


@dataclass(frozen=True, slots=True, kw_only=True)
class Frames:
    """The mean bright frame less the mean dark frame, and the mean dark frame.

    `bright`, `dark` and `saturated` have shape (rows, cols); `dark` is None where there is none. `code_step` is the
    quantisation step in exposure; `rounding` what a JPEG file rounds to; `name` that of the first bright frame.
    """

    bright: FloatArray
    dark: FloatArray | None
    saturated: npt.NDArray[np.bool_]
    code_step: float
    rounding: BlockRounding | None
    name: str
    bright_frames: int
    dark_frames: int


def stacked(captures: Sequence[Capture]) -> Frames:
    """Stack the frames of a scene, and the dark frames.

    Raises
    ------
    UnusableInput
        No bright frame, or frames of different size.
    """
    bright = [taken for taken in captures if isinstance(taken, Still) and taken.role == "scene"]
    dark = [taken for taken in captures if isinstance(taken, Still) and taken.role == "dark"]
    if not bright:
        raise UnusableInput("blemish", "no bright field was given", "Give one capture of an evenly lit field or more.")
    rows, cols = bright[0].exposure.shape
    for still in (*bright, *dark):
        if still.exposure.shape != (rows, cols):
            size = f"{still.exposure.shape[1]} × {still.exposure.shape[0]}"
            first = f"{cols} × {rows} of {bright[0].name}"
            raise UnusableInput(still.name, f"its size {size} differs from {first}", "Give frames of one camera mode.")
    mean = _mean(bright)
    dark_mean = _mean(dark) if dark else None
    return Frames(
        bright=mean if dark_mean is None else mean - dark_mean,
        dark=dark_mean,
        saturated=functools.reduce(np.logical_or, [_saturated(still) for still in bright]),
        code_step=bright[0].code_step,
        rounding=bright[0].rounding,
        name=bright[0].name,
        bright_frames=len(bright),
        dark_frames=len(dark),
    )


def _saturated(still: Still) -> npt.NDArray[np.bool_]:
    """Return where a still is saturated: at the highest code of its file, or where a camera of fewer bits piles up."""
    thin = still.exposure[::PILE_THIN, ::PILE_THIN]
    highest = thin.max()
    below = thin[thin < highest]
    at_highest = thin.size - below.size
    at_next = np.count_nonzero(below == below.max()) if below.size else 0
    if at_highest < PILE_SHARE * thin.size or at_highest < PILE_RATIO * at_next:
        return still.clipped
    saturated: npt.NDArray[np.bool_] = still.clipped | (still.exposure >= highest)
    return saturated


def _mean(stills: Sequence[Still]) -> FloatArray:
    if len(stills) == 1:
        return stills[0].exposure
    total = stills[0].exposure.copy()
    for still in stills[1:]:
        total += still.exposure
    total /= len(stills)
    return total
