"""Light of a lamp that blinks, as shares of the way between its two levels, which may drift."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import signal

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_LEVEL_SHARE: Final = 0.02  # of the frames: darker and brighter ones are outliers
_BEYOND: Final = 0.2  # of the swing, by which an outlier counts
_SETTLED: Final = 0.06  # of the swing, by which two frames at one level may differ
_FEWEST_RUNS: Final = 8  # at one level: fewer show no drift
_MOST_UNSETTLED: Final = 0.3  # of the runs: more are of a lamp so fast that its level seldom shows
_COURSE_RUNS: Final = 11  # over which the level is a parabola
_DRIFTS: Final = 0.02  # of the swing, by which a level goes up and down (sd), and
_ABOVE_NOISE: Final = 3.0  # times the noise of one run


def shares_of_swing(light: FloatArray) -> FloatArray | None:
    """Return how far each frame is from the dark level to the bright one.

    Parameters
    ----------
    light : ndarray of shape (n,)
        Brightness, frame by frame.

    Returns
    -------
    ndarray of shape (n,) or None
        Between -0.2 and 1.2; None where all frames are alike.

    Notes
    -----
    A level is that of nearly the darkest and nearly the brightest frames, but where it drifts, as a lamp does that
    warms up, runs on a battery or is seen by a camera that sets its gain, it follows the runs of frames at that level:
    the brightest settled frame of each (darkest, of the dark level), through 11 of which at a time goes a parabola
    (Savitzky and Golay, Anal. Chem. 36, 1627 (1964), from memory). A frame is settled that is like one beside it.
    Breaks down where a lamp blinks so fast that it is seldom seen at a level, and where it blinks less than eight
    times: there drift stays in.

    Examples
    --------
    >>> on = np.tile([0.0, 0.0, 0.0, 1.0, 1.0, 1.0], 20)
    >>> shares = shares_of_swing(on * np.linspace(1.0, 0.6, 120))
    >>> bool(shares[on > 0].min() > 0.98)
    True
    """
    low, high = (float(level) for level in np.quantile(light, [_LEVEL_SHARE, 1 - _LEVEL_SHARE]))
    if high <= low:
        return None
    middle, swing = (low + high) / 2, high - low
    bright = _course(light, light > middle, swing)
    dark = _course(-light, light <= middle, swing)
    top, bottom = high if bright is None else bright, low if dark is None else -dark
    return np.asarray(np.clip((light - bottom) / np.maximum(top - bottom, swing * _BEYOND), -_BEYOND, 1 + _BEYOND))


def _course(light: FloatArray, is_there: BoolArray, swing: float) -> FloatArray | None:
    """Return the level of the frames that are there over time, their highest; None where it does not drift."""
    alike = (np.abs(np.diff(light)) < _SETTLED * swing) & is_there[1:] & is_there[:-1]
    settled = np.append(alike, False) | np.insert(alike, 0, False)
    edges = np.flatnonzero(np.diff(is_there.astype(np.int8), prepend=0, append=0))
    runs = [slice(*ends) for ends in zip(edges[::2], edges[1::2], strict=True)]
    shown = [run for run in runs if settled[run].any()]
    if len(shown) < max(_FEWEST_RUNS, (1 - _MOST_UNSETTLED) * len(runs)):
        return None
    levels = np.array([light[run][settled[run]].max() for run in shown])
    most = len(levels) - (len(levels) + 1) % 2  # an odd count
    smooth = signal.savgol_filter(levels, min(_COURSE_RUNS, most), 2)
    noise = float(np.median(np.abs(np.diff(levels, 2)))) / 0.6745 / 6**0.5
    if float(smooth.std()) < max(_DRIFTS * swing, _ABOVE_NOISE * noise):
        return None
    middles = [(run.start + run.stop - 1) / 2 for run in shown]
    return np.interp(np.arange(len(light)), middles, smooth)
