"""A blinking light in a film whose frames do not follow one another evenly: its wave over the file's own times."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_rates import FEWEST_BLINKS, HIGHEST, first_wave
from inspect_app.numerics.blinks.blink_wave import GapPath, IntArray, WaveFit, fit_wave

FloatArray = npt.NDArray[np.float64]

_STEP: Final = 0.2  # of the resolution of the whole film
_FOLLOWED: Final = 3


def by_stamps(share: FloatArray, shown: IntArray, away: FloatArray) -> list[tuple[WaveFit, GapPath]]:
    """Fit waves over the times of a film whose frames are uneven.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    shown : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next by the file's clock.
    away : ndarray of shape (n,)
        By how many frames each was shot off its number.

    Returns
    -------
    list of tuple of WaveFit and GapPath
        From the rates of the highest power, at most three. Gaps are as the file has them: over times that are known,
        a missing frame moves no other.
    """
    path = GapPath(np.concatenate([[0], shown]).astype(np.int64), 0.0, away)
    return [(fit_wave(share, path, first_wave(share, rate)), path) for rate in _rates(share, path.places)]


def _rates(share: FloatArray, places: FloatArray) -> list[float]:
    """Return the rates of the highest peaks of the power over all of the film, in blinks per frame."""
    length = float(np.ptp(places))
    rates = np.arange(FEWEST_BLINKS, HIGHEST * length, _STEP) / length
    swing = (share - share.mean()) * np.hanning(len(share))
    power = np.array([abs(swing @ np.exp(-2j * np.pi * rate * places)) for rate in rates])
    peaks = [k for k in range(len(rates)) if power[k] == power[max(0, k - 5) : k + 6].max()]
    return [float(rates[k]) for k in sorted(peaks, key=lambda k: -power[k])[:_FOLLOWED]]
