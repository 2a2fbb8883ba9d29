"""For how long a film's shutter may have stood open in each frame, and how likely that is."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SHARES: Final = (1.0, 0.75, 0.5, 0.25, 0.02)
"""Shares of the frame interval that the shutter may stand open."""
PRIOR: Final = (0.85, 0.05, 0.05, 0.025, 0.025)
"""Film of fast events is shot with the shutter open throughout (common practice, no source)."""
DOUBT: Final = (0.08, 0.11, 0.16, 0.325, 0.325)
"""Any open time, as likely as any other in its logarithm (in proportion to 1 / share) down to 0.25, then alike."""

_SHORTEST: Final = 0.05  # share of the intervals that may be shorter than the shutter is open
_EVEN: Final = 0.01  # intervals that differ by less are even


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutters:
    """For how long the shutter may have stood open.

    Parameters
    ----------
    open_times : ndarray of shape (shutters, n)
        In each sample, in the unit of the trace's times.
    prior : ndarray of shape (shutters,)
        Probability of each by what is usual: for a value.
    doubt : ndarray of shape (shutters,)
        Probability of each where nothing is taken for granted: for the uncertainty of that value.
    """

    open_times: FloatArray
    prior: FloatArray
    doubt: FloatArray


def shutters(times: FloatArray, interval: float, told: float | None = None) -> Shutters:
    """Return for how long the shutter may have stood open in each sample, and how likely each of these is.

    Parameters
    ----------
    times : ndarray of shape (n,)
        When each sample's shutter opened, rising.
    interval : float
        Usual time between samples.
    told : float, optional
        Open time, where it is known: then there is one shutter.

    Notes
    -----
    A shutter that stands open for a fixed time cannot be open for longer than the shortest interval. Where intervals
    differ, it may as well stand open until the next sample: half of the probability of the open shutter goes there.
    """
    steps = np.minimum(np.append(np.diff(times), interval), interval)
    shortest = float(np.quantile(steps, _SHORTEST))
    if told is not None:
        return Shutters(open_times=np.minimum(steps, told)[None, :], prior=np.ones(1), doubt=np.ones(1))
    fixed = np.array(SHARES)[:, None] * np.minimum(steps, shortest)
    if shortest > (1 - _EVEN) * interval:
        return Shutters(open_times=fixed, prior=np.array(PRIOR), doubt=np.array(DOUBT))
    prior, doubt = (np.array([shares[0] / 2, *shares[1:], shares[0] / 2]) for shares in (PRIOR, DOUBT))
    return Shutters(open_times=np.vstack([fixed, steps]), prior=prior, doubt=doubt)
