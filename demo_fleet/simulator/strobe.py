"""A field under a strobe, seen through a rolling shutter."""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STROBE_HZ: Final = 400.0
DUTY: Final = 0.25
OPEN_MS: Final = 0.3  # exposure time of a row
AMBIENT: Final = 0.06
FALL_OFF: Final = 0.15


def strobe_field(rows: int, cols: int, readout_ms: float, random: np.random.Generator) -> FloatArray:
    """Return the light on every pixel, at most 1: bright bands where the strobe was lit while a row was open."""
    period_ms = 1000 / STROBE_HZ
    start_ms = random.uniform(0, period_ms) + np.arange(rows) * readout_ms / rows
    lit = (_lit_until(start_ms + OPEN_MS, period_ms) - _lit_until(start_ms, period_ms)) / OPEN_MS
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    return np.asarray((1 - FALL_OFF * (x**2 + y**2) / 2) * (AMBIENT + (1 - AMBIENT) * lit[:, np.newaxis]))


def _lit_until(moment_ms: FloatArray, period_ms: float) -> FloatArray:
    turns = np.floor(moment_ms / period_ms)
    return np.asarray(turns * DUTY * period_ms + np.minimum(moment_ms - turns * period_ms, DUTY * period_ms))
