"""Frames that may be missing in a film of a blinking light where a shutter that was shut hides it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.bands.band_model import trapezoid
from inspect_app.numerics.blinks.blink_shutter import sees_switches
from inspect_app.numerics.blinks.blink_wave import PARTLY, GapPath, Wave

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SAME_CLOCK: Final = 0.001
"""Relative: a crystal is nearer than this to its nominal rate (common practice, no source)."""
_NEAR_CLOCK: Final = 0.03  # a film in slow motion, or with another nominal rate, is further off than this
_LEAST_HIDDEN: Final = 0.25  # frames that rates must differ by over the film: less leaves no room for a whole one
_BESIDE: Final = 2.0  # frames to either side of a switch in which it is read
_NEXT: Final = 1.5  # frames: between frames further apart others are missing
_FEWEST_TELLING: Final = 5  # switches
_LONGEST: Final = 1500.0  # frames from the first on, and
_MOST: Final = 120  # switches of a kind that are asked: time and memory do not grow with the film
_APART: Final = 0.03  # frames by which rates that are tried differ over them
_OPENINGS: Final = np.geomspace(0.04, 1.0, 16)  # of a frame
_PLACES: Final = np.arange(64) / 64  # within a frame
_STEP: Final = 0.02  # frames by which a switch may lie off: those grids, and a light that does not switch at once
_CAP: Final = 25.0  # chi-squared of one switch at most
_RULED_OUT: Final = 25.0  # chi-squared by which the file's rate explains the switches worse than the fitted one


@dataclass(frozen=True, slots=True)
class _Switches:
    """Switches of one kind: their numbers, the frames between which each fell, and how much of that frame was unlit.

    Where a frame is partly lit, `before` and `after` are that one frame, and `unlit` what it lacks of a half.
    """

    turns: FloatArray
    before: FloatArray
    after: FloatArray
    unlit: FloatArray


def may_hide_frames(share: FloatArray, wave: Wave, path: GapPath, expected: float, noise: float) -> bool:
    """Say whether a rate a little off the file's may stand for missing frames that a shut shutter hides.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    wave : Wave
        As fitted.
    path : GapPath
        Frames that are missing by the fit.
    expected : float
        Blinks per frame by the file's own rate.
    noise : float
        Standard deviation of the shares, above 0.

    Notes
    -----
    At a rate that is the file's, each switch lies off the clock by whole frames, those hidden before it, and at one
    place within a frame. That place is read from a partly lit frame but for the opening of the shutter, and is anywhere
    in what the shutter is shut for where no frame is partly lit. Frames may be hidden unless switches lie off all such
    places, for every opening, by more than they do at the fitted rate; as many of them as frames may be hidden are left
    out, for such a frame may be missing beside one. Missing frames make a light seem to blink faster, so that a rate
    below the file's hides none where none are missing by the fit. That hidden ones come one after another is not asked.

    What lost: to take frames for possibly hidden wherever switches keep to one part of frames. Of 279 films of rates up
    to 0.4 % off the file's, shutters open for 0.3 to 0.95 of a frame, 89 had a u above 0.01 % so, now 35; none hid any.
    """
    off, span = wave.rate / expected - 1, float(np.ptp(path.places))
    if not SAME_CLOCK < abs(off) < _NEAR_CLOCK or (abs(off) - SAME_CLOCK) * span < _LEAST_HIDDEN:
        return False
    if (off < 0 and not path.missing.any()) or sees_switches(share, 2 * wave.rate * span):
        return False
    shape = trapezoid(wave.phase + wave.rate * path.places, wave.width, wave.ramp)
    lit = share if float((shape - shape.mean()) @ share) > 0 else 1 - share
    ways = (lit, -wave.width / 2), (1 - lit, wave.width / 2)
    both = [_switches(of, wave, path.places, middle) for of, middle in ways]
    reach = min(span, _LONGEST)
    count = sum(len(each.turns) for each in both)
    if count < _FEWEST_TELLING:
        return True
    hidden = int(np.ceil(abs(off) * reach))
    rates = expected * (1 + np.linspace(-SAME_CLOCK, SAME_CLOCK, 1 + int(np.ceil(2 * SAME_CLOCK * reach / _APART))))
    by_file = _misfit(both, 1 / rates, noise, hidden)
    as_fitted = _misfit(both, np.array([1 / wave.rate]), noise, 0)
    return by_file - as_fitted < _RULED_OUT * max(1.0, as_fitted / count)


def _switches(lit: FloatArray, wave: Wave, places: FloatArray, middle: float) -> _Switches:
    """Return the switches after which `lit` is more, near whose `middle`, in blinks, no frame is missing."""
    period = 1 / wave.rate
    first, reach = (middle - wave.phase) * period, min(_BESIDE, min(wave.width, 1 - wave.width) * period / 2 + 0.5)
    found = []
    last = min(places[-1] - 1, places[0] + _LONGEST)
    turns = np.arange(np.ceil((places[0] + 1 - first) / period), (last - first) / period)
    for turn in turns[np.unique(np.linspace(0, len(turns) - 1, min(len(turns), _MOST)).astype(int))]:
        near = np.flatnonzero(np.abs(places - first - turn * period) <= reach)
        if len(near) < 2 or np.any(np.diff(places[near]) > _NEXT):
            continue
        partly = near[np.abs(lit[near] - 0.5).argmin()]
        after = near[lit[near] > 0.5]
        if PARTLY < lit[partly] < 1 - PARTLY:
            found.append((turn, places[partly], places[partly], 0.5 - lit[partly]))
        elif after.size and after[0] > near[0]:
            found.append((turn, places[after[0]] - 1, places[after[0]], np.nan))
    return _Switches(*np.array(found, dtype=np.float64).reshape(-1, 4).T)


def _misfit(both: list[_Switches], periods: FloatArray, noise: float, left_out: int) -> float:
    """Return the least chi-squared by which switches lie off one place within a frame, over periods and openings."""
    return min(
        float(np.sum([_off_places(each, period, noise, left_out) for each in both], axis=0).min())
        for period in periods.tolist()
    )


def _off_places(switches: _Switches, period: float, noise: float, left_out: int) -> FloatArray:
    """Return the chi-squared of switches of one kind at the place within a frame that fits best, shape (openings,).

    Of each the worst `left_out` switches are not counted.
    """
    opening, is_partly = _OPENINGS[:, None], np.isfinite(switches.unlit)
    shut = np.where(is_partly, 0.0, np.maximum(1 - opening * (1 - 2 * PARTLY), 0.0))
    middle = np.where(is_partly, switches.before + opening * np.nan_to_num(switches.unlit), switches.after - 0.5)
    since = (middle - switches.turns * period)[..., None] - _PLACES
    away = np.abs((since + 0.5) % 1 - 0.5) - shut[..., None] / 2
    doubt = np.hypot(noise * opening, _STEP)[..., None]
    off = np.minimum((np.maximum(away, 0.0) / doubt) ** 2, _CAP)
    worst = np.sort(off, axis=1)[:, -left_out:].sum(axis=1) if left_out else 0.0
    return np.asarray((off.sum(axis=1) - worst).min(axis=-1))
