"""A picture that flickers once it is lit: its bright side made steady, so that its change can be located."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from inspect_app.numerics.changes.ripple import ripple
from inspect_app.numerics.changes.switching import Switch

FloatArray = npt.NDArray[np.float64]

_PERIODS: Final = range(2, 17)  # samples from one renewal of the picture to the next
_RESTLESS: Final = 0.04  # of the swing: scatter of a bright side that may flicker,
_AGAINST_DARK: Final = 4.0  # and times the scatter of the dark one
_UNEVEN: Final = 0.07  # of the swing: fainter flicker is fitted as noise of the bright side,
_MORE: Final = 3.0  # and times the scatter of the dark side: less is noise, also that of brighter light
_STEADY: Final = 0.4  # share of the scatter that the crests of a flicker may have; those of noise have 0.6 (own bench)
_DECAY: Final = 2.5
_SHORTEST_TOLD: Final = 3  # samples to a period that do not tell how a crest decays:
_UNTOLD: Final = 0.4  # of a sample, by which an onset may then be off (own bench)
_RIPPLING: Final = 0.008  # of the swing: scatter of a bright side that may ripple,
_LEAST_SHARE: Final = 0.2  # of the light that ripple may leave
_OVER_DARK: Final = 2.0  # and times the scatter of the dark one
_SETTLED: Final = 6  # samples after a change in which a slow change may not have ended
_FEWEST: Final = 12  # samples of the bright side
_OFTEN: Final = 3  # changes for each of the light, above which a screen goes dark between renewals


@dataclass(frozen=True, slots=True)
class _Sides:
    """A trace as it brightens: start of its bright side, dark side, swing, and scatter of the bright one."""

    rises: bool
    forward: FloatArray
    start: int
    dark: FloatArray
    swing: float
    unrest: float


@dataclass(frozen=True, slots=True)
class Steadied:
    """A trace without flicker, and by how many samples an instant in it may be off for that: a standard uncertainty."""

    values: FloatArray
    doubt: float


def flickers(values: FloatArray, near: int) -> bool:
    """Say whether the bright side of a change may flicker: more than the dark one, and by 7 % of the swing.

    Fainter flicker says little of when the light came, and a fit of renewals takes it for a step: of 80 films whose
    picture steps, decays or shows stairs, with and without a ripple, 99 of 100 first changes are held; 94 where 1 % was
    flicker.
    """
    sides = _sides(values, near)
    return sides is not None and sides.unrest >= max(_UNEVEN * sides.swing, _MORE * float(sides.dark.std()))


def steadied(values: FloatArray, near: int) -> Steadied:
    """Return a trace with its bright side held at the crests of its flicker; the trace itself where it is steady.

    Parameters
    ----------
    values : ndarray of shape (n,)
        One change between a dark and a bright level.
    near : int
        A sample near the half of the change.

    Notes
    -----
    A screen lights up with a renewal, so its first sample is a crest: against the mean of a flickering level, a partly
    lit sample looks lit for longer than it was. Each bright sample is therefore taken as the highest of the last period
    (of the next one, where the picture goes dark), which leaves the dark side and the first lit sample as they are. The
    period is the shortest whose crests are steady; where none is, it is noise and not flicker. Within a sample a crest
    itself decays, so that an onset still reads early: by up to 0.9 samples with two samples to a period, 0.2 with four
    (own bench, 40 films of screens at 60 Hz). The doubt is 2.5 r / period samples for a scatter of r swings, and at
    least 0.4 samples with up to three to a period: two may be alike however deep the flicker between them is.

    Examples
    --------
    >>> steadied(np.array([0.0] * 20 + [5.0] + [9.0, 3.0] * 10), 20).values[19:24].tolist()
    [0.0, 5.0, 9.0, 9.0, 9.0]
    """
    sides = _sides(values, near)
    if sides is None or sides.unrest < max(_RESTLESS * sides.swing, _AGAINST_DARK * float(sides.dark.std())):
        return Steadied(values, 0.0)
    for period in _PERIODS:
        crests = maximum_filter1d(sides.forward, period, origin=(period - 1) // 2, mode="nearest")
        if crests[sides.start + _SETTLED + period :].std() < _STEADY * sides.unrest:
            decayed = max(_DECAY * sides.unrest / sides.swing / period, _UNTOLD if period <= _SHORTEST_TOLD else 0.0)
            return Steadied(crests if sides.rises else crests[::-1], decayed)
    return Steadied(values, 0.0)


def calmed(times: FloatArray, values: FloatArray, near: int) -> FloatArray:
    """Return a trace with the ripple of its bright side divided out; the trace itself where no ripple is found.

    Parameters
    ----------
    times : ndarray of shape (n,)
        Of the samples, in their usual interval.
    values : ndarray of shape (n,)
        One change between a dark and a bright level.
    near : int
        A sample near the half of the change.

    Notes
    -----
    Ripple is a share of the light that is lit: above the dark level, all samples are divided by it, the partly lit one
    too, as if its ripple were that of the whole sample. Of 24 films of steps with a tenth of ripple at 2.2 to 5 frames
    a period, first changes come within 0.05 frames (p90) at u 0.14; held at their crests, or with the ripple taken for
    noise, within 0.38 at u 0.42. Of 336 films like those of two benches, first changes of the 73 and 28 that ripple by
    3 to 12 % come within 0.15 instead of 0.24 and 0.14 instead of 0.29, all held; those without
    ripple as before.
    """
    sides = _sides(values, near)
    if sides is None or sides.unrest < max(_RIPPLING * sides.swing, _OVER_DARK * float(sides.dark.std())):
        return values
    forward_times = times if sides.rises else times[::-1]
    found = ripple(forward_times, sides.forward, slice(sides.start + _SETTLED, len(values)))
    if found is None:
        return values
    level = float(np.median(sides.dark))
    steady = level + (sides.forward - level) / np.maximum(1 + found / sides.swing, _LEAST_SHARE)
    return np.asarray(steady if sides.rises else steady[::-1])


def lasting(turns: tuple[Switch, ...], values: FloatArray, lights: tuple[Switch, ...]) -> tuple[Switch, ...]:
    """Return the changes of a screen that last, where it goes dark between its renewals; all where it does not.

    Parameters
    ----------
    turns : tuple of Switch
        Every change of the screen.
    values : ndarray of shape (n,)
        Its trace.
    lights : tuple of Switch
        Changes of the light that it shows.

    Notes
    -----
    A screen that changes much more often than its light is dark between renewals. Between two switches of the light it
    lights up with the first rise, where it is brighter in the end than before, and goes out with the last fall.
    """
    if len(turns) <= _OFTEN * len(lights):
        return turns
    bounds = [0, *(light.index for light in lights), len(values)]
    ends = [float(values[stop - max(1, (stop - start) // 2) : stop].mean()) for start, stop in pairwise(bounds)]
    middle = (min(ends) + max(ends)) / 2
    found = []
    for number, (start, stop) in enumerate(pairwise(bounds[1:])):
        before, after = ends[number] > middle, ends[number + 1] > middle
        own = [turn for turn in turns if start - 1 <= turn.index < stop and turn.rises == after]
        if before != after and own:
            found.append(own[0] if after else own[-1])
    return tuple(found)


def _sides(values: FloatArray, near: int) -> _Sides | None:
    """Return the two sides of a change in the order in which it brightens; None where one of them is too short."""
    rises = bool(np.median(values[near:]) > np.median(values[:near]))
    forward, start = (values, near) if rises else (values[::-1], len(values) - near)
    dark, bright = forward[: max(start - 3, 0)], forward[start + _SETTLED :]
    if len(dark) < 3 or len(bright) < _FEWEST:
        return None
    swing = float(np.median(bright) - np.median(dark))
    return _Sides(rises, forward, start, dark, swing, float(bright.std()))
