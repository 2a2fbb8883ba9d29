"""Other counts of missing frames around a way to read a blinking light, and other shapes of its blink."""

import dataclasses
from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_rates import HIGHEST
from inspect_app.numerics.blinks.blink_runs import LONGER_GAP, otherwise_in_every_run, walked_by_noise
from inspect_app.numerics.blinks.blink_wave import (
    GapPath,
    IntArray,
    Wave,
    WaveFit,
    cheapest_path,
    fit_wave,
    is_partly_lit,
    rms,
)

FloatArray = npt.NDArray[np.float64]

_WIDER: Final = (-0.5, 0.0, 0.5)  # frames, and
_STEEPER: Final = (0.6, 1.5)  # times, by which the shape of a blink is tried anew
_POLISHED: Final = 3  # rounds of that, as long as one
_GAINED: Final = 0.999  # of the sum of squares remains at most
_FOLLOWED: Final = 3
_MOST_RECOUNTED: Final = 16  # frames missing, of which
_AWAY: Final = 6  # fewer or more are tried,
_FAR: Final = 4  # of more, where the fit is poor, a quarter fewer to half more, in steps of so many
_FAR_STEP: Final = 2
_POOR: Final = 0.05  # and where none are missing if so much of the swing remains of partly lit frames
_NEARLY: Final = 2.0  # times the sum of squares of the end: of runs of other lengths no more may remain


def recounted(share: FloatArray, said: IntArray, fit: WaveFit, path: GapPath) -> list[tuple[WaveFit, GapPath]]:
    """Return ends with a few frames fewer or more missing: at one place, all over the film, in every run."""
    missing = int(path.missing.sum())
    shown = said if (path.missing >= said).all() else np.zeros_like(said)
    is_poor = rms(fit.rest[is_partly_lit(share)]) > _POOR
    paths = [walked_by_noise(share, shown, fit, path)]
    if missing > _MOST_RECOUNTED:
        away = missing // _FAR if is_poor else 0
        others = _counted_otherwise(share, shown, fit.wave, missing, range(-away, 2 * away, _FAR_STEP))
        paths += sorted(others, key=lambda other: other.cost)[:_FOLLOWED]
    elif missing > shown.sum() or is_poor:
        paths += _one_place_otherwise(path, shown)
        paths += _counted_otherwise(share, shown, fit.wave, missing, range(-_AWAY, _AWAY + 1))
    ends = [(fit_wave(share, other, fit.wave), other) for other in paths]
    ends.sort(key=lambda end: float(end[0].rest @ end[0].rest))
    runs = [(fit_wave(share, other, wave), other) for wave, other in otherwise_in_every_run(share, shown, fit, path)]
    fitting = [end for end in runs if end[0].rest @ end[0].rest < _NEARLY * (fit.rest @ fit.rest)]
    return [(polished(share, *end), end[1]) for end in ends[:_FOLLOWED] + fitting]


def polished(share: FloatArray, fit: WaveFit, path: GapPath) -> WaveFit:
    """Fit anew with other shapes of a blink as long as that gains: corners of the model hold a fit up."""
    best = fit
    for _ in range(_POLISHED):
        wave = best.wave
        shapes = [(wave.width + off * wave.rate, times * wave.ramp) for off in _WIDER for times in _STEEPER]
        tried = [
            fit_wave(share, path, dataclasses.replace(wave, width=min(max(width, 0.01), 0.99)), ramp)
            for width, ramp in shapes
        ]
        better = min(tried, key=lambda each: float(each.rest @ each.rest))
        if better.rest @ better.rest > _GAINED * (best.rest @ best.rest):
            break
        best = better
    return best


def _one_place_otherwise(path: GapPath, shown: IntArray) -> Iterator[GapPath]:
    """Yield paths with one frame fewer or more missing at one of the places where frames are missing."""
    for place in np.flatnonzero(path.missing > shown):
        for more in (-1, 1):
            other = path.missing.copy()
            other[place] += more
            yield dataclasses.replace(path, missing=other)


def _counted_otherwise(
    share: FloatArray, shown: IntArray, wave: Wave, missing: int, away: Iterable[int]
) -> Iterator[GapPath]:
    """Yield the cheapest paths at rates near by with which the film holds other numbers of missing frames."""
    frames = len(share)
    for other in (missing + more for more in away if missing + more >= 0):
        fewer_blinks = round(wave.rate * (missing - other))
        rate = (wave.rate * (frames + missing) - fewer_blinks) / (frames + other)
        if rate < HIGHEST:
            near = dataclasses.replace(wave, rate=rate, is_fitted=False)
            yield cheapest_path(share, shown, near, frames, longest=LONGER_GAP)
