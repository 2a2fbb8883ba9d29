"""For how long the light of each sample may have been gathered, and how likely that is: of a film, of a log."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SHARES: Final = (1.0, 0.92, 0.75, 0.5, 0.25, 0.02)
"""Shares of the frame interval that the shutter may stand open; the second stands for 0.84 to 0.96: most cameras close
it for a moment while they read out (common practice, no source).

With 1 alone for those two, a step that fell into that moment passed for one under a short shutter. Of 584 films drawn
like those of four benches, shutters open for 0.75 to 1 of the frame, first changes came within 0.122 frames (p90) and
halves within 0.075, with 0.95 alone 0.115 and 0.070, nearly all held with both; of 350 odd ones (mains, clipped, faint,
reflections) first changes were held 96 of 100, then 97. With 0.95, halves of 86 lossless films of an open shutter came
within 0.074 frames, with both 0.068; of 291 in all 0.095 and 0.093 (means over hypotheses, where medians are taken
now)."""


FILMED: Final = (0.34, 0.34, 0.07, 0.07, 0.16, 0.02)
"""How likely each of `SHARES` is in a film: fast events are shot with the shutter open throughout (common practice, no
source). What is held of films shot so is paid for by those with a short shutter that nobody told: of 432 traces of
steps, decays and ramps, 72 each open for 1, 0.9, 0.75, 0.5, 0.25 and 0.2 to 1 of the frame, 93 first changes and 95
halves of 100 are held: 96 and 100 of those open throughout, 90 and 89 of those open for a half, 90 and 92 of those open
for a quarter. Of 432 others, with means for medians, 89 and 89 of those open for a quarter were held; with 0.72 for the
open shutter and 0.14 for a quarter 88 and 86; with 0.64 and 0.18 90 and 89, at an error / u of 0.54 instead of 0.56
(rms, halves of 584 films with an open shutter).
"""
_UNLESS_AN_INSTANT: Final = (0.04, 0.04, 0.07, 0.07, 0.07)
LOGGED: Final = (*_UNLESS_AN_INSTANT, 0.71)
"""The same for a logger: it reads its sensor at an instant, or its mean over any share of the time since the reading
before (common practice, no source). Taken for frames of a film, 92 of 100 steps read at instants were held (300 logs of
0.1 to 1 ms a row, noise of 0.3 to 6 %), u 0.34 rows where two instants within rows leave 0.41 (triangular); so, 94 and
0.37."""

_BETWEEN: Final = (0.02, 0.035, 0.06, 0.072, 0.072, 0.0)
"""Standard uncertainty of each of `SHARES`: a shutter may be open for anything half way to the next (rectangular), but
for one that is open for an instant."""
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
        Probability of each by what is usual.
    doubt : ndarray of shape (shutters,)
        Standard uncertainty of each open time, in the unit of the trace's times.
    """

    open_times: FloatArray
    prior: FloatArray
    doubt: FloatArray


def shutters(
    times: FloatArray, interval: float, told: float | None = None, usual: tuple[float, ...] = FILMED
) -> Shutters:
    """Return for how long the shutter may have stood open in each sample, and how likely each of these is.

    Parameters
    ----------
    times : ndarray of shape (n,)
        When each sample's shutter opened, rising.
    interval : float
        Usual time between samples.
    told : float, optional
        Open time, where it is known: then there is one shutter.
    usual : tuple of float
        How likely each share of the interval is: `FILMED` or `LOGGED`.

    Notes
    -----
    A shutter that stands open for a fixed time cannot be open for longer than the shortest interval. Where intervals
    differ, it may as well stand open until the next sample, or until where a missing one would have been: half of the
    probability of the open shutter goes there. Taken to be open for the usual interval at most, halves of 69 films of
    uneven intervals came within 0.151 frames (p90), so 0.115, and with medians 0.085; of 26 whose intervals waver by a
    quarter 88 of 100 were held, now all.
    """
    steps = np.append(np.diff(times), interval)
    steps /= np.maximum(np.rint(steps / interval), 1.0)
    shortest = float(np.quantile(steps, _SHORTEST))
    if told is not None:
        return Shutters(open_times=np.minimum(steps, told)[None, :], prior=np.ones(1), doubt=np.zeros(1))
    fixed = np.array(SHARES)[:, None] * np.minimum(steps, shortest)
    doubt = np.array(_BETWEEN) * shortest
    if shortest > (1 - _EVEN) * interval:
        return Shutters(open_times=fixed, prior=np.array(usual), doubt=doubt)
    at_once, closing, *others = usual
    prior = np.array([at_once / 2, closing / 2, *others, (at_once + closing) / 2])
    return Shutters(open_times=np.vstack([fixed, steps]), prior=prior, doubt=np.append(doubt, 0.0))
