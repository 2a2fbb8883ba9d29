"""A light that blinks at a known rate as a clock: frames per blink, and frames that are missing."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.switching import Switch, switches

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_PARTLY: Final = 0.06  # share of a frame from which on it counts as partly lit
_OPEN_THROUGHOUT: Final = 0.8
_ENOUGH_FOR_SHUTTER: Final = 10  # switches that show how long the shutter is open
_REACH: Final = 2  # frames around a switch that say where in its frame it fell
_FEWEST_SWITCHES: Final = 4
_SEARCH_PER_TURN: Final = 16
_FEWEST_FRAMES: Final = 3.0  # per blink: with fewer, switches share their frames
_FILE_IS_RIGHT: Final = 0.25  # relative difference of rates up to which the file settles the whole part
_REFINEMENTS: Final = 4
_SURE: Final = 0.4  # frames: an edge further off the clock than this makes the count of missing frames unsure


@dataclass(frozen=True, slots=True, kw_only=True)
class BlinkClock:
    """What the blinks say of the frames.

    Parameters
    ----------
    frames_per_blink : float
        Without the missing ones.
    frames_per_blink_sd : float
        Standard uncertainty.
    missing : ndarray of shape (switches - 1,), int
        Frames missing between each switch and the next of the light.
    at_frames : ndarray of shape (switches,)
        Where each switch falls, in frames, finer than a frame.
    worst : float
        The largest distance of a switch from the clock, in frames.
    """

    frames_per_blink: float
    frames_per_blink_sd: float
    missing: IntArray
    at_frames: FloatArray
    worst: float


def is_sure(clock: BlinkClock) -> bool:
    """Say whether every missing frame is counted for certain."""
    return clock.worst < _SURE


def blink_clock(light: FloatArray, expected: float | None = None) -> BlinkClock | None:
    """Read a blinking light.

    Parameters
    ----------
    light : ndarray of shape (n,)
        Brightness, frame by frame as they are in the film.
    expected : float, optional
        Frames per blink by the file's own rate; it settles the whole part where it agrees with the light.

    Returns
    -------
    BlinkClock or None
        None with fewer than 4 switches, or fewer than 3 frames per blink.

    Notes
    -----
    Each switch is placed within its frame by the share of it that is lit. Switches of one direction follow one another
    by the same number of frames, P, less those that are missing, which is whole: so the fraction of P is where the sum
    of exp(2πi (x_j - j P)) over the switches x_j is largest, whatever is missing, and its whole part follows from the
    longest distances, where nothing is missing. With P, each missing frame is a whole step off the clock. P is then
    refined by a straight line through the completed places, rising and falling switches with their own offsets.
    """
    turns = switches(light)
    if len(turns) < _FEWEST_SWITCHES:
        return None
    at = _places(light, turns)
    rises = np.array([turn.rises for turn in turns])
    period = _period(at, rises, expected)
    if period is None or period < _FEWEST_FRAMES:
        return None
    return _clock(at, rises, period)


def _places(light: FloatArray, turns: tuple[Switch, ...]) -> FloatArray:
    """Return where each switch falls, in frames from the opening of the first frame's shutter.

    A shutter that closes early leaves some switches without a partly lit frame; their share says how early.
    """
    indices = np.array([turn.index for turn in turns])
    bounds = np.concatenate([[0], (indices[1:] + indices[:-1] + 1) // 2, [len(light)]])
    lasts, shares = [], []
    for number, turn in enumerate(turns):
        start, stop = int(bounds[number]), int(bounds[number + 1])
        first, last = max(start, turn.index - _REACH), min(stop, turn.index + _REACH)
        before = float(np.median(light[start : max(start + 1, turn.index - 1)]))
        after = float(np.median(light[min(turn.index + 1, stop - 1) : stop]))
        share = (light[first:last] - before) / (after - before) if after != before else np.zeros(last - first)
        lasts.append(last)
        shares.append(float(np.clip(share, -0.2, 1.2).sum()))
    whole = np.floor(np.array(shares))
    part = np.array(shares) - whole
    return _with_shutter(np.array(lasts, dtype=np.float64) - whole, part)


def _with_shutter(ends: FloatArray, part: FloatArray) -> FloatArray:
    """Return the switches given the end of the frame in which each falls and the share of it that is lit."""
    is_partly = (part > _PARTLY) & (part < 1 - _PARTLY)
    opened = float(np.clip(is_partly.mean() / (1 - 2 * _PARTLY), 0.1, 1.0))
    if opened > _OPEN_THROUGHOUT or len(part) < _ENOUGH_FOR_SHUTTER:
        return ends - part
    starts = np.where(part >= 1 - _PARTLY, ends - 1, ends)
    closed = (1 - opened) / 2
    return np.where(is_partly, ends - 1 + opened * (1 - part), starts - closed)


def _period(at: FloatArray, rises: npt.NDArray[np.bool_], expected: float | None) -> float | None:
    """Return the frames per blink: fraction from the phases, whole part from the file or the longest distances."""
    spans = np.concatenate([np.diff(at[rises]), np.diff(at[~rises])])
    if len(spans) < 2:
        return None
    longest = float(np.quantile(spans, 0.9))
    count = max(int(rises.sum()), int((~rises).sum()))
    fractions = np.arange(0, 1, 1 / (_SEARCH_PER_TURN * count))
    strength = np.zeros_like(fractions)
    for own in (at[rises], at[~rises]):
        turns = np.arange(len(own))
        strength += np.abs(np.exp(2j * np.pi * (own[None, :] - fractions[:, None] * turns[None, :])).sum(axis=1))
    fraction = float(fractions[strength.argmax()])
    if expected is not None and longest < expected + 1 and abs(longest / expected - 1) < _FILE_IS_RIGHT:
        return _nearest(fraction, expected)
    return _nearest(fraction, longest)


def _nearest(fraction: float, near: float) -> float:
    candidates = np.floor(near) + fraction + np.array([-1.0, 0.0, 1.0])
    return float(candidates[np.abs(candidates - near).argmin()])


def _clock(at: FloatArray, rises: npt.NDArray[np.bool_], period: float) -> BlinkClock:
    turns = np.arange(len(at)) // 2
    columns = np.stack([turns, rises, ~rises], axis=1).astype(np.float64)
    absent = np.zeros(len(at))
    for own in (rises, ~rises):
        absent[own] = np.concatenate([[0.0], np.cumsum(np.round(period - np.diff(at[own])))])
    absent[1::2] += np.max(absent[: len(absent) // 2 * 2 : 2] - absent[1::2])  # none comes back: it never falls
    for _ in range(_REFINEMENTS):
        absent = np.maximum.accumulate(np.maximum(absent, 0.0))
        solved = np.linalg.lstsq(columns, at + absent, rcond=None)[0]
        absent = np.round(columns @ solved - at)
    absent = np.maximum.accumulate(absent)
    solved = np.linalg.lstsq(columns, at + absent, rcond=None)[0]
    rest = at + absent - columns @ solved
    variance = float(rest @ rest) / max(1, len(at) - 3)
    spread = np.linalg.pinv(columns.T @ columns) * max(variance, 1e-6)
    return BlinkClock(
        frames_per_blink=float(solved[0]),
        frames_per_blink_sd=float(np.sqrt(spread[0, 0])),
        missing=np.diff(absent).round().astype(np.int64),
        at_frames=at,
        worst=float(np.abs(rest).max()),
    )
