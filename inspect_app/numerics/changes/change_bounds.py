"""Between which instants a change goes through half of its way, and by when it has begun, whatever its shape is."""

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_SURE: Final = 5.0  # standard deviations of the levels by which a sample must lie off, and
_LEAST: Final = 0.03  # of the swing: what coding leaves
_BEGUN: Final = 0.1  # of the swing, and twice what is sure: there a change has begun; less is drift and sway too
_FEWEST: Final = 3  # samples of a level
_ROOM: Final = 3.0  # intervals between bounds, at most
_OFF: Final = 0.05  # intervals by which a fit may lie beyond its bounds


class Bounds(NamedTuple):
    """Bounds of one change for each shutter, shape (shutters,); infinite where the samples set none.

    Parameters
    ----------
    after, before : ndarray
        Between these it has gone half of its way.
    begun : ndarray
        By then it has begun.
    """

    after: FloatArray
    before: FloatArray
    begun: FloatArray


def bounds_of(times: FloatArray, values: FloatArray, near: int, opened: FloatArray) -> Bounds:
    """Return what the samples around one change say of it without any shape.

    Parameters
    ----------
    times, values : ndarray of shape (n,)
        When each sample's shutter opened, and its mean light.
    near : int
        A sample near the half of the change.
    opened : ndarray of shape (shutters, n)
        For how long each shutter stands open in each sample.

    Notes
    -----
    A change that only goes on is below its half when a sample begins whose mean is below, and above when one ends whose
    mean is above; it has begun when a sample ends that lies off the level before by a tenth of the swing, and so do all
    after it.

    Examples
    --------
    >>> light = np.array([0.0] * 20 + [0.2, 0.2, 0.9] + [1.0] * 20)
    >>> found = bounds_of(np.arange(43.0), light, 22, np.ones((1, 43)))
    >>> float(found.after[0]), float(found.before[0]), float(found.begun[0])
    (21.0, 23.0, 21.0)
    """
    none = np.full(len(opened), np.inf)
    early, late = values[: max(_FEWEST, near // 2)], values[-max(_FEWEST, (len(values) - near) // 2) :]
    low, swing = float(np.median(early)), float(np.median(late)) - float(np.median(early))
    margin = _LEAST + _SURE * max(float(early.std()), float(late.std())) / (abs(swing) or np.inf)
    share = (values - low) / (swing or np.inf)
    above = np.flatnonzero(share > 0.5 + margin)
    if not above.size:
        return Bounds(-none, none, none)
    passed = int(above[0])
    below, still = (np.flatnonzero(share[:passed] < level) for level in (0.5 - margin, max(_BEGUN, 2 * margin)))
    begun = int(still[-1]) + 1 if still.size else 0
    after = np.full(len(opened), times[below[-1]]) if below.size else -none
    return Bounds(after, times[passed] + opened[:, passed], times[begun] + opened[:, begun])


def bounded(instants: FloatArray, bounds: Bounds) -> FloatArray:
    """Return instants of fitted shapes, put within bounds where they lie beyond them.

    Parameters
    ----------
    instants : ndarray of shape (shutters, kinds, 4)
        Onset, half, and their standard deviations, in intervals.
    bounds : Bounds
        In intervals.

    Notes
    -----
    A half beyond its bounds is taken as anywhere between them (rectangular), an onset that is too late as half an
    interval before the change had begun, give or take as much. Of 30 traces of displays whose two steps settle by a
    decay, halves came within 1.6 samples (p90), so within 0.8; 436 films that shapes explain read the same.
    """
    after, before, begun = (each[:, None] for each in bounds)
    onset, half, onset_sd, half_sd = np.moveaxis(instants, -1, 0)
    room = np.minimum(before - after, _ROOM)
    inside = np.where(half > before + _OFF, before - room / 2, np.where(half < after - _OFF, after + room / 2, half))
    half_sd = np.where(inside != half, room / 12**0.5, half_sd)
    is_late = onset > begun + _OFF
    onset_sd = np.where(is_late, np.maximum(onset_sd, 0.5), onset_sd)
    onset = np.where(is_late, begun - 0.5, onset)
    return np.stack([onset, inside, onset_sd, half_sd], axis=-1)
