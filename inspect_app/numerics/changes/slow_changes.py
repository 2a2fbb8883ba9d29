"""A change that takes many samples, gathered into so few that its whole course can be fitted."""

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_MIDDLE: Final = (0.25, 0.75)  # of the swing
_MOST: Final = 12  # samples in the middle of a change: a ramp of 24, the widest that is fitted
_LEVELS: Final = 0.1  # of the samples, at either end, that show the two levels
_LAST: Final = 0.2  # of the samples after a change: what they went on by tells whether it had ended,
_FEWEST_LAST: Final = 4
_LEFT: Final = 0.08  # of the swing, by which a level is left, and
_CLEAR: Final = 4.0  # scatters of single samples, at least
_GOES_ON: Final = 0.05  # of the swing, and
_SURE: Final = 5.0  # standard uncertainties, at least


class Around(NamedTuple):
    """Samples around one change, as `inspect_app.numerics.changes.transitions.locate` takes them.

    Parameters
    ----------
    times, values : ndarray of shape (n,)
        When each sample's shutter opened, and its mean light.
    near : int
        A sample near the half of the change.
    interval : float
        Usual time between samples.
    opened : ndarray of shape (shutters, n)
        For how long each shutter stands open in each sample.
    """

    times: FloatArray
    values: FloatArray
    near: int
    interval: float
    opened: FloatArray


def gathered(around: Around, least_interval: float = 0.0) -> Around:
    """Return means of two samples, of four and so on, until the middle of the change takes no more than 12.

    Parameters
    ----------
    around : Around
        Samples around one change.
    least_interval : float
        Time between means, at least, in the unit of the times.

    Notes
    -----
    The mean over the open times of neighbours is taken for the mean from the first to the last of them: what a change
    does while the shutter is closed goes on as before and after, if it takes many samples. The middle is counted from
    the half of the change to where a level is reached first, so that flicker on a level is none of it.
    """
    while around.interval < least_interval or _middle(around.values, around.near) > _MOST:
        count = len(around.values) // 2
        times, values = around.times[: 2 * count].reshape(count, 2), around.values[: 2 * count].reshape(count, 2)
        opened = around.opened[:, 1 : 2 * count : 2] + times[:, 1] - times[:, 0]
        near = min(around.near // 2, count - 1)  # of an odd number of samples the last is in no mean
        around = Around(times[:, 0], values.mean(axis=1), near, 2 * around.interval, opened)
    return around


def _middle(values: FloatArray, near: int) -> int:
    """Return how many samples on either side of the half lie between the two levels."""
    few = max(1, int(_LEVELS * len(values)))
    before, after = float(np.median(values[:few])), float(np.median(values[-few:]))
    if after == before:
        return 0
    share = (values - before) / (after - before)
    low, high = np.flatnonzero(share[:near] <= _MIDDLE[0]), np.flatnonzero(share[near:] >= _MIDDLE[1])
    return int(near + high[0] - low[-1]) if low.size and high.size else 0


def next_begins(values: FloatArray, near: int, later: int) -> int:
    """Return the sample before which the change after this one has not begun, no earlier than half way to it.

    Parameters
    ----------
    values : ndarray of shape (n,)
    near, later : int
        Samples near the half of a change and of the next.

    Notes
    -----
    What belongs to the next change is no level of this one: of a display that shows each switch in part first, the
    first step of the next one passed for drift, and no stair was believed. Of 40 traces of one to three such flashes
    halves were held 30 times and within 2.0 samples (p90), so 36 times and within 1.0; with drift told by most of the
    changes, not by any one of them, 57 of 60, within 0.15.
    """
    half = (near + later + 1) // 2
    between = values[(near + half) // 2 : half + 1]
    level, other = float(np.median(between)), float(values[min(later + 1, len(values) - 1)])
    noise = float(np.median(np.abs(np.diff(between)))) / (0.6745 * 2**0.5) if len(between) > 1 else 0.0
    left = np.abs(values[half:later] - level) > max(_LEFT * abs(other - level), _CLEAR * noise)
    still = np.flatnonzero(~left)
    return int(half + still[-1] + 1 if still.size else half)


def goes_on(values: FloatArray, near: int) -> bool:
    """Say whether a change still goes on in the last samples, so that they do not show its second level.

    Parameters
    ----------
    values : ndarray of shape (n,)
    near : int
        A sample near the half of the last change.
    """
    few = int(_LAST * (len(values) - near))
    if few < _FEWEST_LAST or near < 1:
        return False
    earlier, last = values[-2 * few : -few], values[-few:]
    before = float(np.median(values[max(0, near - 3 * few) : near]))
    swing = float(last.mean()) - before
    further = (float(last.mean()) - float(earlier.mean())) * float(np.sign(swing))
    noise = float(np.std(np.diff(values[-2 * few :]))) / 2**0.5
    return bool(further > max(_GOES_ON * abs(swing), _SURE * noise * (2 / few) ** 0.5))
