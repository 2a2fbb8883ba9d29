"""How often a light blinks in a film, to begin with: likely rates, and the shape of a blink."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_wave import PARTLY, Wave, is_partly_lit

FloatArray = npt.NDArray[np.float64]

HIGHEST: Final = 0.48
"""Blinks per frame: at half a blink the light and its mirror image in time look alike (Nyquist)."""

FEWEST_BLINKS: Final = 1.75
_BLOCK_BLINKS: Final = 6.0  # a block of the search is so long, so that few frames are missing in it
_SHORTEST_BLOCK: Final = 24
_SEARCH_STEP: Final = 0.2  # of the resolution of a block
_PEAKS: Final = 4
_SEARCHED_FRAMES: Final = 2000
_LESSER: Final = 0.2  # of the highest peak's power
_AROUND: Final = 0.025  # by which a peak may be off the rate
_WINDOW_FRAMES: Final = 150
_WINDOW_BLINKS: Final = 6.0


def likely_rates(share: FloatArray, expected: float | None) -> list[float]:
    """Return likely blinks per frame: around peaks of the power in blocks that are short enough to have few gaps.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    expected : float or None
        Blinks per frame by the file's own clock, likely too.
    """
    share = share[:_SEARCHED_FRAMES]
    frames = len(share)
    lowest = FEWEST_BLINKS / frames
    rates, rate = [], lowest
    while rate < HIGHEST:
        rates.append(rate)
        rate += _SEARCH_STEP / min(frames, max(_SHORTEST_BLOCK, _BLOCK_BLINKS / rate))
    power = np.array([_power(share, rate) for rate in rates])
    peaks = [k for k in range(len(rates)) if power[k] == power[max(0, k - 3) : k + 4].max() and power[k] > 0]
    likely = [rates[k] for k in sorted(peaks, key=lambda k: -power[k])[:_PEAKS] if power[k] > _LESSER * power.max()]
    if expected is not None and lowest < expected < HIGHEST:
        likely.append(expected)
    return [near for rate in likely for near in _around(rate, window_of(share, rate))]


def _around(rate: float, size: float) -> list[float]:
    """Return rates near one, so close that over `size` frames the next one is off by half a frame."""
    count = max(2, int(_AROUND * size / 0.5))
    return [rate * (1 + _AROUND * k / count) for k in range(-count, count + 1)]


def _power(share: FloatArray, rate: float) -> float:
    """Return the mean power at a rate, over blocks."""
    size = int(min(len(share), max(_SHORTEST_BLOCK, _BLOCK_BLINKS / rate)))
    count = max(1, 2 * (len(share) // size) - 1)
    starts = np.linspace(0, len(share) - size, count).astype(int)
    taper = np.hanning(size)
    wave = taper * np.exp(-2j * np.pi * rate * np.arange(size))
    blocks = np.stack([share[start : start + size] for start in starts])
    blocks = blocks - (blocks @ taper / taper.sum())[:, None]
    return float(np.mean(np.abs(blocks @ wave) ** 2) / taper.sum() ** 2)


def first_wave(share: FloatArray, rate: float) -> Wave:
    """Return a blink as wide as the mean over whole blinks, with ramps by how many frames are partly lit."""
    whole = max(1, round(np.floor(len(share) * rate) / rate))
    duty = float(np.clip(share[:whole].mean(), 0.02, 0.98))
    partly = float(np.mean(is_partly_lit(share)))
    opened = float(np.clip(partly / (1 - 2 * PARTLY) / 2, 0.05 * rate, rate))
    return Wave(rate=rate, width=max(duty, opened), ramp=min(duty, opened, 1 - max(duty, opened)))


def window_of(share: FloatArray, rate: float) -> int:
    """Return how many frames to begin with: some blinks, or all of the film."""
    return int(min(len(share), max(_WINDOW_FRAMES, _WINDOW_BLINKS / rate)))
