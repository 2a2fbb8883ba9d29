"""A light that blinks at a known rate as a clock: frames per blink, and frames that are missing."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.switching import Switch, switches

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_REACH: Final = 2  # frames around a switch that say where in its frame it fell
_FEWEST_SWITCHES: Final = 4
_SEARCH_PER_TURN: Final = 16
_SURE: Final = 0.3  # frames: an edge further off the clock than this makes the count of missing frames unsure


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


def blink_clock(light: FloatArray) -> BlinkClock | None:
    """Read a blinking light.

    Parameters
    ----------
    light : ndarray of shape (n,)
        Brightness, frame by frame as they are in the film.

    Returns
    -------
    BlinkClock or None
        None with fewer than 4 switches, or fewer than 4 frames per blink.

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
    period = _period(at, rises)
    if period is None or period < 4:
        return None
    return _clock(at, rises, period)


def _places(light: FloatArray, turns: tuple[Switch, ...]) -> FloatArray:
    """Return where each switch falls, in frames from the opening of the first frame's shutter."""
    indices = np.array([turn.index for turn in turns])
    bounds = np.concatenate([[0], (indices[1:] + indices[:-1] + 1) // 2, [len(light)]])
    at = []
    for number, turn in enumerate(turns):
        first = max(int(bounds[number]), turn.index - _REACH)
        last = min(int(bounds[number + 1]), turn.index + _REACH)
        before = float(np.median(light[bounds[number] : max(bounds[number] + 1, turn.index - 1)]))
        after = float(np.median(light[min(turn.index + 1, bounds[number + 1] - 1) : bounds[number + 1]]))
        share = (light[first:last] - before) / (after - before) if after != before else np.zeros(last - first)
        at.append(last - float(np.clip(share, -0.2, 1.2).sum()))
    return np.array(at)


def _period(at: FloatArray, rises: npt.NDArray[np.bool_]) -> float | None:
    """Return the frames per blink: fraction from the phases, whole part from the longest distances."""
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
    candidates = np.floor(longest) + fraction + np.array([-1.0, 0.0, 1.0])
    return float(candidates[np.abs(candidates - longest).argmin()])


def _clock(at: FloatArray, rises: npt.NDArray[np.bool_], period: float) -> BlinkClock:
    turns = np.arange(len(at)) // 2
    for _ in range(3):
        absent = np.zeros(len(at))
        for own in (rises, ~rises):
            absent[own] = _absent(at[own], turns[own], period)
        absent = np.maximum.accumulate(absent)
        columns = np.stack([turns.astype(np.float64), rises.astype(np.float64), (~rises).astype(np.float64)], axis=1)
        solved = np.linalg.lstsq(columns, at + absent, rcond=None)[0]
        period = float(solved[0])
    rest = at + absent - columns @ solved
    variance = float(rest @ rest) / max(1, len(at) - 3)
    spread = np.linalg.pinv(columns.T @ columns) * max(variance, 1e-6)
    return BlinkClock(
        frames_per_blink=period,
        frames_per_blink_sd=float(np.sqrt(spread[0, 0])),
        missing=np.diff(absent).round().astype(np.int64),
        at_frames=at,
        worst=float(np.abs(rest).max()),
    )


def _absent(at: FloatArray, turns: IntArray, period: float) -> FloatArray:
    """Return the whole number of frames missing before each switch of one direction."""
    off = (turns - turns[0]) * period - (at - at[0])
    steps = np.round(np.diff(off))
    return np.concatenate([[0.0], np.cumsum(np.maximum(steps, 0.0))])
