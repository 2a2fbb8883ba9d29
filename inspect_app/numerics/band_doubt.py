"""How far the number of a strobe's bands may be off, by what remains of a fit and by what the columns differ by."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from inspect_app.numerics.band_model import FLASH, PARAMETERS, Profile, misfit
from inspect_app.numerics.row_texture import brightness, texture_memory

FloatArray = npt.NDArray[np.float64]

_LEAST_STEP: Final = 1e-5  # of a parameter
_LARGEST_STEP: Final = 0.05
_LONGEST_MEMORY: Final = 0.1  # of the rows: reach of the correlation of what remains
_QUIETEST: Final = 0.05  # of the largest variance of what remains


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """What remains of a fit: how it grows with the light, shape (n,), its autocovariance from lag 0 on, its variance.

    `variance` is that of the mean of many values, times their number.
    """

    growth: FloatArray
    memory: FloatArray
    variance: float


def scatter_of(light: FloatArray, remainder: FloatArray) -> Scatter:
    """Return the scatter of what remains of a fit to the light, both of shape (n,)."""
    growth = _growth(light, remainder)
    memory = _tapered(_autocovariance(remainder / growth)) * len(light) / max(1, len(light) - PARAMETERS - 3)
    memory[np.cumsum(memory < 0) > 0] = 0.0
    return Scatter(growth, memory, max(float(memory[0] + 2 * memory[1:].sum()), 1e-12))


def count_variance(
    seen: Profile, best: optimize.OptimizeResult, scatter: Scatter, differences: FloatArray | None
) -> float:
    """Return the variance of the number of bands: by what remains or by what the columns differ by, whichever is more.

    `differences` are in the unit of the profile's values, shape (strips, n).
    """
    spread = _spread(best.jac, scatter.memory, scatter.growth, seen.noise)
    secants = _secants(seen, best.x, np.sqrt(np.maximum(np.diag(spread), 0.0)))
    spreads = [_spread(secants, scatter.memory, scatter.growth, seen.noise)]
    if differences is not None:
        memory = _tapered(texture_memory(differences, seen.values))
        spreads.append(_spread(secants, memory, brightness(seen.values), seen.noise))
    return max(0.0, *(float(spread[0, 0]) for spread in spreads))


def _growth(light: FloatArray, remainder: FloatArray) -> FloatArray:
    """Return the scatter of what remains at each place over its mean: its variance is a line over the light squared."""
    brightness = (light - light.min()) / max(float(np.ptp(light)), 1e-12)
    line, _ = optimize.nnls(np.stack([np.ones_like(light), brightness**2], axis=1), remainder**2)
    variance = line[0] + line[1] * brightness**2
    variance = np.maximum(variance, max(_QUIETEST * float(variance.max()), 1e-30))
    return np.asarray(np.sqrt(variance / variance.mean()))


def _spread(slopes: FloatArray, memory: FloatArray, growth: FloatArray, noise: float) -> FloatArray:
    """Return the covariance of the parameters, where what remains grows and has the autocovariance `memory`."""
    inverse = np.linalg.pinv(slopes)
    seen, asked = inverse[:, : len(growth)] * growth, inverse[:, len(growth) :]
    return np.asarray(seen @ linalg.matmul_toeplitz(memory, seen.T) + noise**2 * asked @ asked.T)


def _secants(seen: Profile, found: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the slopes of the model over a standard uncertainty to either side: its corners make tangents lie."""
    columns = []
    for number, step in enumerate(np.clip(steps, _LEAST_STEP, _LARGEST_STEP)):
        away = np.zeros_like(found)
        away[number] = 0.0 if number == FLASH and seen.flash is not None else step
        columns.append((misfit(seen, found + away) - misfit(seen, found - away)) / (2 * step))
    return np.stack(columns, axis=1)


def _autocovariance(remainder: FloatArray) -> FloatArray:
    """Return the autocovariance of what remains, from lag 0 on."""
    rows = len(remainder)
    spectrum = np.abs(np.fft.rfft(remainder - remainder.mean(), 2 * rows)) ** 2
    return np.asarray(np.fft.irfft(spectrum)[:rows] / rows)


def _tapered(memory: FloatArray) -> FloatArray:
    """Return an autocovariance that falls to nothing over a tenth of the rows."""
    rows = len(memory)
    longest = max(2, int(_LONGEST_MEMORY * rows))
    return memory * np.maximum(1 - np.arange(rows) / longest, 0.0)
