"""The three kinds of capture: a still picture, a film, a log; each with its name and the digest of its bytes."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
CodeArray = npt.NDArray[np.unsignedinteger[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRounding:
    """To what a JPEG file rounds the cosine transforms of its blocks of 8 x 8 pixels (ITU-T T.81, A.3.4, from memory).

    Parameters
    ----------
    steps : ndarray of shape (8, 8)
        In codes; rows go with the frequency along y. Of a colour picture those of its brightness.
    exposures : ndarray of shape (codes,)
        Exposure of each code.
    """

    steps: FloatArray
    exposures: FloatArray

    def steps_at(self, level: float) -> FloatArray:
        """Return the steps in exposure where it is at `level`, shape (8, 8)."""
        above = int(np.clip(np.searchsorted(self.exposures, level), 1, len(self.exposures) - 1))
        step = float(self.exposures[above] - self.exposures[above - 1])
        return self.steps * step

    def exposure_below_white(self, deviations: float) -> float:
        """Return the exposure so many standard deviations of a pixel's rounding below white.

        The transform is orthonormal, so that of a pixel is the root mean square of all 64 (Parseval), each rounded
        evenly: step / sqrt(12). Where higher frequencies are rounded to nothing it is less.
        """
        white = len(self.exposures) - 1
        deviation = float(np.sqrt(np.mean(self.steps**2) / 12))
        return float(np.interp(white - deviations * deviation, np.arange(white + 1), self.exposures))


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """One frame, linear in exposure.

    Parameters
    ----------
    name : str
        File name, with ``[page]`` after it for a page of several.
    sha256 : str
        Of the file's bytes, hexadecimal.
    exposure : ndarray of shape (rows, cols), float64
        Proportional to exposure. Full scale is 1 for the transfers linear, srgb and power; a table keeps its own scale.
        Colour is Rec. 709 luminance in linear light.
    clipped : ndarray of shape (rows, cols), bool
        True where any channel stands at its highest code.
    bit_depth : int
        Bits per channel of the stored codes: 8 or 16.
    code_step : float
        Exposure difference of one code at half of full scale: the quantisation step.
    rounding : BlockRounding or None
        None where the file keeps codes as they were.
    role : str
        What the frame is to the check: ``scene`` or ``dark``.
    """

    name: str
    sha256: str
    exposure: FloatArray
    clipped: BoolArray
    bit_depth: int
    code_step: float
    rounding: BlockRounding | None = None
    role: str = "scene"


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """A film, read frame by frame: it never stands in memory as a whole.

    Parameters
    ----------
    name, sha256, role
        As in `Still`.
    rows, cols : int
        Size of a frame in pixels.
    open_frames : callable
        Starts a new pass: an iterator over (time in seconds by the file's own time stamps, exposure of shape
        (rows, cols) float64 in 0..1 after the transfer). Passes may be made more than once.
    open_codes : callable
        The same pass in stored codes, several times as fast: an iterator over (time in seconds, luma codes of shape
        (rows, cols), uint8 or uint16). The array is valid until the next frame is asked for.
    exposures : ndarray of shape (codes,), float64
        Exposure of each code: ``exposures[codes]`` is what `open_frames` yields.
    """

    name: str
    sha256: str
    rows: int
    cols: int
    open_frames: Callable[[], Iterator[tuple[float, FloatArray]]]
    open_codes: Callable[[], Iterator[tuple[float, CodeArray]]]
    exposures: FloatArray
    role: str = "scene"


@dataclass(frozen=True, slots=True, kw_only=True)
class Log:
    """A table of numbers, column name (as in the file, lower case, stripped) to values of shape (n,).

    Empty cells are NaN; no other text passes. `notes` say what a person must know of how the file was read.
    """

    name: str
    sha256: str
    columns: Mapping[str, FloatArray] = field(default_factory=dict)
    role: str = "scene"
    notes: tuple[str, ...] = ()


Capture = Still | Film | Log
