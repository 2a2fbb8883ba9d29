"""Frames that are missing in a film of a blinking light: likely rates, each followed through the whole film."""

import dataclasses
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_rates import HIGHEST, first_wave, likely_rates, window_of
from inspect_app.numerics.blinks.blink_runs import is_erratic
from inspect_app.numerics.blinks.blink_wave import GapPath, IntArray, Wave, WaveFit, cheapest_path, fit_wave, full_cost

FloatArray = npt.NDArray[np.float64]

_MENDING_FRAMES: Final = (-1.5, -1.0, -0.5, 0.5, 1.0, 1.5)
_ROUNDS: Final = 2
_ALIKE: Final = 0.004  # relative difference of rates that lead to the same end
_FOLLOWED: Final = 3


def followed(share: FloatArray, shown: IntArray, expected: float | None) -> list[tuple[WaveFit, GapPath]]:
    """Return the ends of the likeliest rates, and of the file's own, with what is missing by the file and without.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    shown : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next by the file's clock.
    expected : float or None
        Blinks per frame by the file's own rate.
    """
    return [
        _without_whole_blinks(share, gaps, *end)
        for gaps in _gap_ideas(shown)
        for end in _followed(share, gaps, expected)
    ]


def _gap_ideas(shown: IntArray) -> list[IntArray]:
    """Return what may be missing before each frame to begin with: what the file says, or nothing."""
    gaps = np.concatenate([[0], shown]).astype(np.int64)
    return [gaps, np.zeros_like(gaps)] if gaps.any() else [gaps]


def _followed(share: FloatArray, gaps: IntArray, expected: float | None) -> list[tuple[WaveFit, GapPath]]:
    """Find the rate in a stretch from the start, and follow the likeliest ones, and the file's, through the whole."""
    waves = [first_wave(share, rate) for rate in likely_rates(share, expected)]
    tried = [(_cost_of_a_frame(share, gaps, wave), wave) for wave in waves]
    ends = [_without_whole_blinks(share, gaps, *_followed_from(share, gaps, wave)) for wave in _likeliest(tried)]
    if ends and expected is not None and expected < HIGHEST:
        shaped = min(ends, key=lambda end: end[1].cost)[0].wave
        by_file = dataclasses.replace(shaped, rate=expected, is_fitted=False)
        paths = (cheapest_path(share, gaps, by_file, len(share)), GapPath(gaps, 0.0))
        ends += [(fit_wave(share, path, by_file), path) for path in paths]
        ends.append(_at_rate(share, gaps, dataclasses.replace(ends[-1][0].wave, rate=expected)))
    return ends


def _cost_of_a_frame(share: FloatArray, gaps: IntArray, wave: Wave) -> float:
    """Return what a path costs a frame: slower blinks are followed over more of them."""
    size = window_of(share, wave.rate)
    return cheapest_path(share, gaps, wave, size).cost / size


def _at_rate(share: FloatArray, gaps: IntArray, wave: Wave) -> tuple[WaveFit, GapPath]:
    """Mend gaps and the shape of a blink in turn at a rate that is given: a wrong shape makes gaps at every switch."""
    for _ in range(_ROUNDS):
        path = cheapest_path(share, gaps, dataclasses.replace(wave, is_fitted=False), len(share))
        fit = fit_wave(share, path, wave)
        wave = dataclasses.replace(fit.wave, rate=wave.rate)
    return fit, path


def _likeliest(tried: list[tuple[float, Wave]]) -> list[Wave]:
    kept: list[Wave] = []
    for _, wave in sorted(tried, key=lambda entry: entry[0]):
        if all(abs(wave.rate / other.rate - 1) > _ALIKE for other in kept):
            kept.append(wave)
    return kept[:_FOLLOWED]


def _followed_from(share: FloatArray, gaps: IntArray, wave: Wave) -> tuple[WaveFit, GapPath]:
    """Mend gaps and wave in turn, in stretches that double."""
    size = window_of(share, wave.rate)
    while True:
        for _ in range(_ROUNDS):
            path, wave = _mended(share, gaps, wave, size)
            fit = fit_wave(share[:size], path, wave)
            wave = fit.wave
        if size == len(share):
            return fit, cheapest_path(share, gaps, wave, size)
        size = min(len(share), 2 * size)


def _mended(share: FloatArray, gaps: IntArray, wave: Wave, size: int) -> tuple[GapPath, Wave]:
    """Return the cheapest path: where frames seem to be missing, a rate a little off may hold with fewer of them."""
    path = cheapest_path(share, gaps, wave, size)
    if not (path.missing > gaps[:size]).any():
        return path, wave
    nearby = [dataclasses.replace(wave, rate=wave.rate * (1 + frames / size)) for frames in _MENDING_FRAMES]
    tried = [(path, wave), *((cheapest_path(share, gaps, other, size), other) for other in nearby)]
    return min(tried, key=lambda entry: entry[0].cost)


def _without_whole_blinks(share: FloatArray, gaps: IntArray, fit: WaveFit, path: GapPath) -> tuple[WaveFit, GapPath]:
    """Take a blink's frames out of neighbouring gaps that hold one between them, where that costs less.

    Of a light that is no steady blink as it is nothing is mended, which would take most of the time.
    """
    if is_erratic(np.maximum(path.missing - gaps, 0), fit.wave, path.places):
        return fit, path
    blink, reach = round(1 / fit.wave.rate), 0.5 / fit.wave.rate
    places = np.flatnonzero(path.missing)
    for place in places:
        near = places[(places >= place) & (places <= place + reach)]
        fewer = path.missing.copy()
        fewer[near] = 0
        fewer[place] = int(path.missing[near].sum()) - blink
        if fewer[place] < 0:
            continue
        mended = fit_wave(share, GapPath(fewer, 0.0), fit.wave)
        if full_cost(share, fewer, mended.wave) < full_cost(share, path.missing, fit.wave):
            return _without_whole_blinks(share, gaps, mended, GapPath(fewer, path.cost))
    return fit, path
