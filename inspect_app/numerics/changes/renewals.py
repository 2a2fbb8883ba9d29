"""A screen that flickers: when the first of its renewals came, by a fit of light that decays after each of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.changes.change_shapes import PICTURE_KINDS
from inspect_app.numerics.changes.transitions import Located

FloatArray = npt.NDArray[np.float64]

_BEFORE: Final = 40  # samples looked at before the change, and
_AFTER: Final = 100  # after it, at most
_SETTLED: Final = 4  # samples after the change in which it may not have ended
_FEWEST: Final = 16  # samples of the bright side
_LONGEST: Final = 20.0  # samples from one renewal to the next
_FOLDED: Final = 0.3  # renewals a sample: as fast as this and faster, the true ones may be more than half of one
_NEAR_HALF: Final = 0.495  # and nearer to half of one, their mirror image is the same
_PADDING: Final = 16  # finer than the spectrum of the bright side
_DRIFT: Final = 0.15  # renewals, by which their count over the bright side may be off
_DECAYS: Final = (0.05, 1.2)  # of the time between renewals: time constants, alike likely in their logarithm,
_DEPTHS: Final = (np.arange(24) + 0.5) / 24  # and shares that decay, alike likely
_REACH: Final = 1.5  # samples to either side in which the onset is looked for
_COUNTS: Final = (25, 7, 9)  # onsets, rates and time constants in a look
_TEMPERS: Final = (0.04, 0.015, 0.006, 0.006)  # of the swing: what each look forgives; the last is rounding and coding
_CLOSER: Final = 4.5  # standard deviations that the next look covers
_COARSEST: Final = 0.6  # of a step: the least standard deviation that a grid tells
_UNLIKE: Final = 0.09  # samples, by which an onset may be off for light that decays in another way (own bench)
_EXPLAINED: Final = 0.8  # of the variance of the bright side, by light that decays after each renewal


@dataclass(frozen=True, slots=True)
class _Scene:
    """Samples around a change that brightens, in intervals: when each began, for how long it was open, and its value.

    `bright` is the first sample that is surely lit.
    """

    times: FloatArray
    opened: FloatArray
    values: FloatArray
    bright: int


@dataclass(frozen=True, slots=True)
class _Found:
    """Mean and standard deviation of the onset, log evidence, and the variance of the bright side that is left."""

    onset: float
    sd: float
    evidence: float
    left: float


def locate_renewal(
    times: FloatArray,
    values: FloatArray,
    near: int,
    interval: float,
    opened: FloatArray,
    *,
    kinds: Sequence[str] = PICTURE_KINDS,
) -> Located | None:
    """Locate the first renewal of a screen that loses light until the next one; None where no such flicker is seen.

    Parameters
    ----------
    times, values, near, interval, opened, kinds
        As `inspect_app.numerics.changes.transitions.locate` takes them. Where the light goes out, all is taken
        backwards.

    Returns
    -------
    Located
        Half of the way is where the onset is, and all kinds of shapes are alike.

    Notes
    -----
    Model: dark + swing x mean over the open time of 1 - d + d exp(-t / τ), t the time since the last renewal, 0 before
    the first one: a screen lights up with a renewal. The rate of renewals comes from the spectrum of the bright side,
    above 0.3 a sample also from its mirror image at one a sample, and from how their count fits. Onset, rate, d and τ
    have a posterior on grids that close in on its bulk, even in onset, rate, d and log τ; dark and swing are solved by
    least squares and the scale of the noise is integrated out, as in `inspect_app.numerics.changes.transitions.locate`.

    With exactly two samples to a renewal the bright side has two values only. They and the partly lit sample are three
    numbers for swing, d, τ and onset: what they leave open is in the posterior. 40 films of screens at 60 Hz: onsets
    within 0.12 frames (p90) at 120 frames a second, 0.21 at 240; held at their crests 0.66 and 0.18.
    """
    rises = bool(np.median(values[near:]) > np.median(values[:near]))
    scenes = [_scene(times, values, near, interval, shutter, rises=rises) for shutter in opened]
    rates, bright = _rates(scenes[0]), float(scenes[0].values[scenes[0].bright :].var())
    if not rates:
        return None
    found = [[_closed_in(scene, rate) for rate in rates] for scene in scenes]
    if min(each.left for row in found for each in row) > (1 - _EXPLAINED) * bright:
        return None
    onset, onset_sd, evidence = np.array([_joined(row) for row in found]).T[:, :, None] * np.ones(len(kinds))
    moment = times[near] + (onset if rises else -onset) * interval
    return Located(
        onset=moment, half=moment, onset_sd=onset_sd * interval, half_sd=onset_sd * interval, log_evidence=evidence
    )


def _joined(found: list[_Found]) -> FloatArray:
    """Return mean and standard deviation of the onset, and log evidence, over rates."""
    logs, onsets, sds = np.array([[each.evidence, each.onset, each.sd] for each in found]).T
    share = special.softmax(logs)
    mean = float(share @ onsets)
    variance = float(share @ (sds**2 + (onsets - mean) ** 2))
    return np.array([mean, variance**0.5, special.logsumexp(logs)])


def _scene(
    times: FloatArray, values: FloatArray, near: int, interval: float, opened: FloatArray, *, rises: bool
) -> _Scene:
    begun, length = (times - times[near]) / interval, opened / interval
    if not rises:
        begun, length, values, near = -(begun + length)[::-1], length[::-1], values[::-1], len(values) - 1 - near
    own = slice(max(0, near - _BEFORE), near + _AFTER)
    return _Scene(begun[own], length[own], values[own], near - own.start + _SETTLED)


def _rates(scene: _Scene) -> list[float]:
    """Return likely renewals per sample: the peak of the spectrum of the bright side, and its mirror image."""
    bright = scene.values[scene.bright :]
    count = len(bright)
    if count < _FEWEST:
        return []
    places = np.arange(count) - (count - 1) / 2
    rest = bright - np.polynomial.Polynomial.fit(places, bright, 1)(places)
    power = np.abs(np.fft.rfft(rest * np.hanning(count), _PADDING * count)) ** 2
    rates = np.arange(len(power)) / (_PADDING * count)
    power[rates < max(1 / _LONGEST, 2 / count)] = 0
    if not power.any():
        return []
    peak = float(rates[power.argmax()])
    return [peak, 1 - peak] if _FOLDED < peak < _NEAR_HALF else [peak]


def _closed_in(scene: _Scene, rate: float) -> _Found:
    """Return what one rate of renewals says, by grids that close in on the bulk of the posterior."""
    drift = _DRIFT / len(scene.values[scene.bright :])
    lows = np.array([-_REACH, rate - drift, np.log(_DECAYS[0])])
    highs = np.array([_REACH, rate + drift, np.log(_DECAYS[1])])
    for temper in _TEMPERS:
        axes = [np.linspace(low, high, count) for low, high, count in zip(lows, highs, _COUNTS, strict=True)]
        steps = (highs - lows) / (np.array(_COUNTS) - 1)
        logs, left = _log_likelihood(scene, axes, temper)
        share = special.softmax(logs)
        owns = [share.sum(axis=others) for others in ((1, 2), (0, 2), (0, 1))]
        means = np.array([axis @ own for axis, own in zip(axes, owns, strict=True)])
        squares = np.array([axis**2 @ own for axis, own in zip(axes, owns, strict=True)])
        sds = np.sqrt(np.maximum(squares - means**2, 0.0))
        reach = _CLOSER * np.maximum(sds, _COARSEST * steps)
        lows, highs = np.maximum(lows, means - reach), np.minimum(highs, means + reach)
    evidence = float(special.logsumexp(logs)) + float(np.log(steps).sum())
    return _Found(float(means[0]), float(np.hypot(sds[0], _UNLIKE)), evidence, left)


def _log_likelihood(scene: _Scene, axes: list[FloatArray], temper: float) -> tuple[FloatArray, float]:
    """Return the log likelihood over onsets, rates and decays, depths summed up, and what is left at its best.

    What is left is the variance of the bright side about the model.
    """
    onsets, rates, decays = axes
    since = scene.times - onsets[:, None]
    whole = (np.maximum(since + scene.opened, 0.0) - np.maximum(since, 0.0)) / scene.opened
    values = scene.values - scene.values.mean()
    squares, count = float(values @ values), len(values)
    logs = np.empty((len(onsets), len(rates), len(decays)))
    forgiven = count * (temper * float(np.ptp(values))) ** 2
    best, left = -np.inf, np.inf
    level = whole - whole.mean(axis=1)[:, None]
    parts = ((1 - _DEPTHS) ** 2, 2 * _DEPTHS * (1 - _DEPTHS), _DEPTHS**2)
    for r, t in np.ndindex(len(rates), len(decays)):
        decayed = _decayed(since, scene.opened, float(1 / rates[r]), float(np.exp(decays[t]) / rates[r]))
        glow = decayed - decayed.mean(axis=1)[:, None]
        products = [(one * other).sum(axis=1) for one, other in ((level, level), (level, glow), (glow, glow))]
        own = np.sum([np.outer(product, part) for product, part in zip(products, parts, strict=True)], axis=0)
        swing = (np.outer(level @ values, 1 - _DEPTHS) + np.outer(glow @ values, _DEPTHS)) / np.maximum(own, 1e-12)
        residual = squares + forgiven - swing**2 * own
        each = -0.5 * (count - 2) * np.log(np.maximum(residual / squares, 1e-12))
        o, d = divmod(int(each.argmax()), len(_DEPTHS))
        if each[o, d] > best:
            best = float(each[o, d])
            lit = (1 - _DEPTHS[d]) * level[o] + _DEPTHS[d] * glow[o]
            left = float((values - swing[o, d] * lit)[scene.bright :].var())
        logs[:, r, t] = special.logsumexp(each, axis=1)
    return logs, left


def _decayed(since: FloatArray, opened: FloatArray, period: float, decay: float) -> FloatArray:
    """Return the mean over the open time of exp(-t / decay), t the time since the last renewal, 0 before the first."""

    def until(time: FloatArray) -> FloatArray:
        lit = np.maximum(time, 0.0)
        turns = np.floor(lit / period)
        each = 1 - np.exp(-period / decay)
        return np.asarray(decay * (turns * each + 1 - np.exp(-(lit - turns * period) / decay)))

    return (until(since + opened) - until(since)) / opened
