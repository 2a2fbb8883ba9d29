"""Light that ripples in step with a display's refresh: its ripple, told from the level that holds, and divided out."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_FEWEST: Final = 20  # lit samples
_MOST: Final = 100  # lit samples looked at
_PERIODS: Final = (2.1, 20.0)  # samples: faster ripple is not told from slower, slower from drift
_LEAST_PERIODS: Final = 2.5  # that are seen
_PADDING: Final = 8  # frequencies looked at, to each that so many samples tell apart
_CLOSER: Final = 9  # frequencies looked at around the best, twice over
_HARMONICS: Final = 3
_EXPLAINED: Final = 0.5  # of the variance of the lit side, by the first harmonic alone,
_BY_CHANCE: Final = 1e-4  # and so much of it as white noise shows more rarely at any frequency


@dataclass(frozen=True, slots=True)
class _Fit:
    """Frequency, coefficients of level, trend, cosines and sines, the squares that are left, and a merit (BIC)."""

    frequency: float
    coefficients: FloatArray
    left: float
    merit: float


def ripple(times: FloatArray, values: FloatArray, lit: slice) -> FloatArray | None:
    """Return the ripple of a level that holds, at all times; None where there is none.

    Parameters
    ----------
    times : ndarray of shape (n,)
        Of the samples, in their usual interval.
    values : ndarray of shape (n,)
        Mean light of each sample.
    lit : slice
        Samples in which the level holds.

    Returns
    -------
    ndarray of shape (n,)
        In the unit of `values`; of mean 0 over a period.

    Notes
    -----
    Level, trend and up to three harmonics are fitted by least squares at every frequency, as many as the Bayesian
    information criterion wants (Schwarz 1978, from memory). It is noise where the first harmonic alone explains less
    than half of the variance, or so little that white noise does so more often than once in ten thousand: of n samples,
    one frequency explains a share s with a probability of (1 - s)^((n - 4) / 2) (from memory), n of them are tried.
    Of 12 000 levels of white noise, 20 to 100 samples, 1 was taken for ripple, of 2000 decays none, of 2000 random
    walks 14.
    Breaks down for periods of less than 2.1 samples: their beats with the sampling are as slow as drift.

    Examples
    --------
    >>> times = np.arange(50.0)
    >>> found = ripple(times, 3 + np.sin(2 * np.pi * times / 3.3), slice(10, 50))
    >>> bool(np.allclose(found[:10], np.sin(2 * np.pi * times[:10] / 3.3), atol=0.03))
    True
    """
    own = slice(lit.start, min(lit.stop, lit.start + _MOST))
    near, level = times[own] - times[own].mean(), values[own]
    count = len(level)
    if count < _FEWEST:
        return None
    span = float(np.ptp(near)) * count / (count - 1)
    step = 1 / (_PADDING * span)
    slowest = max(1 / _PERIODS[1], _LEAST_PERIODS / span)
    first = _best(near, level, np.arange(slowest, 1 / _PERIODS[0], step), 1)
    steady = np.polyval(np.polyfit(near, level, 1), near)
    left = first.left / max(float(np.sum((level - steady) ** 2)), 1e-30)
    if left > 1 - _EXPLAINED or count * left ** ((count - 4) / 2) > _BY_CHANCE:
        return None
    closer = first.frequency + step * np.linspace(-1, 1, _CLOSER)
    best = min((_best(near, level, closer, order) for order in range(1, _HARMONICS + 1)), key=lambda fit: fit.merit)
    order = len(best.coefficients) // 2 - 1
    best = _best(near, level, best.frequency + 2 * step / (_CLOSER - 1) * np.linspace(-1, 1, _CLOSER), order)
    waves = _design(times - times[own].mean(), np.array([best.frequency]), order)[0]
    return np.asarray(waves[:, 2:] @ best.coefficients[2:])


def _design(times: FloatArray, frequencies: FloatArray, harmonics: int) -> FloatArray:
    """Return level, trend, cosines and sines at all times, shape (frequencies, n, 2 + 2 x harmonics)."""
    angles = 2 * np.pi * frequencies[:, None, None] * times[:, None] * np.arange(1, harmonics + 1)
    level = np.broadcast_to(np.stack([np.ones_like(times), times], axis=1), (len(frequencies), len(times), 2))
    return np.concatenate([level, np.cos(angles), np.sin(angles)], axis=2)


def _best(times: FloatArray, values: FloatArray, frequencies: FloatArray, harmonics: int) -> _Fit:
    """Return the likeliest ripple of so many harmonics."""
    design = _design(times, frequencies, harmonics)
    across = design.transpose(0, 2, 1)
    stiffness = across @ design
    stiffness += 1e-9 * len(times) * np.eye(stiffness.shape[1])
    solved = np.linalg.solve(stiffness, across @ values[:, None])
    left = np.sum((values - (design @ solved)[..., 0]) ** 2, axis=1)
    at = int(left.argmin())
    merit = len(values) * np.log(max(float(left[at]), 1e-30)) + 2 * harmonics * np.log(len(values))
    return _Fit(float(frequencies[at]), np.asarray(solved[at, :, 0], dtype=np.float64), float(left[at]), float(merit))
