"""A light that blinks at a known rate as a clock: frames per blink, and frames that are missing."""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.band_model import trapezoid
from inspect_app.numerics.blink_period import Period, period_of
from inspect_app.numerics.blink_rates import FEWEST_BLINKS, HIGHEST, first_wave, likely_rates, window_of
from inspect_app.numerics.blink_shutter import SAME_CLOCK, may_hide_frames, sees_switches, trusting
from inspect_app.numerics.blink_stamps import by_stamps
from inspect_app.numerics.blink_wave import (
    GapPath,
    IntArray,
    Wave,
    WaveFit,
    cheapest_path,
    fit_wave,
    full_cost,
    is_partly_lit,
    levelled,
)

FloatArray = npt.NDArray[np.float64]

_LEVEL_SHARE: Final = 0.02  # of the frames: darker and brighter ones are outliers
_MENDING_FRAMES: Final = (-1.5, -1.0, -0.5, 0.5, 1.0, 1.5)
_ROUNDS: Final = 2
_SAME_END: Final = 1e-7  # relative difference of rates
_WIDER: Final = (-0.5, 0.0, 0.5)  # frames, and
_STEEPER: Final = (0.6, 1.5)  # times, by which the shape of a blink is tried anew
_POLISHED: Final = 3  # rounds of that, as long as one
_GAINED: Final = 0.999  # of the sum of squares remains at most
_ALIKE: Final = 0.004  # relative difference of rates that lead to the same end
_FOLLOWED: Final = 3
_UNEXPLAINED: Final = 0.2  # share of the variance that may remain of a light that blinks steadily
_CODING: Final = 0.004  # frames by which coding may move the first edge against the last (own bench)
_SHORT: Final = 0.7  # of the shorter part of a blink
_LEAST_NOISE: Final = 0.005  # of the swing: coding and rounding of codes
_GAP_EVIDENCE: Final = (9.0, 2.0)  # chi-squared of a gap, one frame in a hundred, and of each frame in it
_CLOCK_EVIDENCE: Final = 15.0  # chi-squared of a rate that is the file's own
_CAP: Final = 50.0  # chi-squared of one frame at most
_ALIKE_COST: Final = 12.0  # chi-squared by which another end may be worse and still true: more than one frame costs
_MOST_UNSURE: Final = 6  # frames that far off the clock, or
_MOST_UNSURE_SHARE: Final = 0.1  # of the switches: more are no steady blinking
_MOST_RECOUNTED: Final = 16  # frames missing, of which
_AWAY: Final = 6  # fewer or more are tried,
_LONGER_GAP: Final = 1.65  # blinks at most at one place,
_POOR: Final = 0.05  # and where none are missing if so much of the swing remains of partly lit frames
_UNSURE: Final = 0.35  # of the swing: a frame that is so far off the clock makes the count of missing ones unsure


@dataclass(frozen=True, slots=True, kw_only=True)
class BlinkClock:
    """What the blinks say of the frames.

    Parameters
    ----------
    frames_per_blink : float
        Without the missing ones.
    frames_per_blink_sd : float
        Its standard uncertainty.
    missing : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next.
    blinks : float
        Over the whole film.
    worst : float
        The largest distance of a frame from the fit, as a share of the swing.
    is_ambiguous : bool
        Another count of missing frames fits nearly as well.
    """

    frames_per_blink: float
    frames_per_blink_sd: float
    missing: IntArray
    blinks: float
    worst: float
    is_ambiguous: bool


def is_sure(clock: BlinkClock) -> bool:
    """Say whether every missing frame is counted for certain."""
    return clock.worst < _UNSURE and not clock.is_ambiguous


def blink_clock(
    light: FloatArray, shown: IntArray, expected: float | None = None, *, away: FloatArray | None = None
) -> BlinkClock | None:
    """Read a blinking light.

    Parameters
    ----------
    light : ndarray of shape (n,)
        Brightness, frame by frame as they are in the film.
    shown : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next by the file's clock.
    expected : float, optional
        Blinks per frame by the file's own rate: one more rate to try.
    away : ndarray of shape (n,), optional
        By how many frames each was shot off its number by the file's clock, where that is uneven.

    Returns
    -------
    BlinkClock or None
        None with fewer than two blinks, or where the light does not blink steadily.

    Notes
    -----
    Every frame is the overlap of its open shutter and the lit part of the blink: a trapezoid of the phase, which goes
    on by the same share of a blink from frame to frame and by twice that share where a frame is missing. Rates come
    from the power of short blocks and from the file's clock; for each, the cheapest path through the phases says where
    frames are missing (Viterbi algorithm), a least-squares fit then mends rate and shape, and the stretch doubles until
    it is the whole film. Around the best end others are made with a few frames fewer or more missing. Of the ends, the
    one is kept against which least speaks; another that fits nearly as well widens the rate's doubt to half of their
    distance and, with another count of missing frames, makes the count unsure; so does a rate a
    little off the file's where the shutter is shut at some switches, for frames missing there look the same. Where the
    shutter is shut at many switches, the posterior of the period takes the place of the fit: see
    `inspect_app.numerics.blink_period.period_of`.

    Frames that are uneven by the file's clock are fitted over its times as well; where those are true, less speaks
    against that. With intervals of 0.8 to 1.25 of their mean, 12 films were read 1 to 6 % too fast and 4 to 43 frames
    missing when frames were taken for even; over the times within 0.02 %, none missing.

    A frame that is missing before the first edge or after the last cannot be seen. Whole blinks that are missing cannot
    be told, nor a light that blinks faster than half of the frame rate from its alias. With a shutter that is nearly
    always shut, counts are often unsure.

    What lost, over 120 traces at 2 Hz, 3.7 Hz and fast, shutters open throughout and for half: least squares alone and
    the cheapest path held 90 % (77 % at 2 Hz half-open) and miscounted 5, where this miscounts 2 and holds 97 % of 70
    traces at 2 Hz half-open. A fit that is not begun anew with other shapes of a blink may be held up by a corner, and
    then 13 frames that are missing at five switches seem likelier than three. A path that
    is read at the middles of its cells finds up to 24 frames missing where an edge falls on the border of two.
    Edges placed one by one, the method before, read 5 to 100 times less exactly and failed below 5 frames per blink.
    """
    swing = np.quantile(light, [_LEVEL_SHARE, 1 - _LEVEL_SHARE])
    if len(light) < 8 or swing[1] <= swing[0]:
        return None
    share = np.clip((light - swing[0]) / (swing[1] - swing[0]), -0.2, 1.2)
    ends = [
        _without_whole_blinks(share, *end) for gaps in _gap_ideas(shown) for end in _followed(share, gaps, expected)
    ]
    if away is not None:
        ends += by_stamps(share, shown, away)
    if not ends:
        return None
    ends = [(_polished(share, *end), end[1]) for end in _distinct(ends)]
    said = np.concatenate([[0], shown])
    costs = _evidence(ends, said, expected)
    for _ in range(_ROUNDS):
        best = int(costs.argmin())
        ends = _distinct([*ends, *_recounted(share, said, *ends[best])])
        costs = _evidence(ends, said, expected)
        if costs.argmin() == best:
            break
    fit, path = ends[int(costs.argmin())]
    others = [end for end, cost in zip(ends, costs, strict=True) if cost < costs.min() + _ALIKE_COST]
    if float(fit.rest @ fit.rest) > _UNEXPLAINED * float(np.sum((share - share.mean()) ** 2)):
        return None
    frames = len(light) + int(path.missing.sum())
    most_unsure = max(_MOST_UNSURE, _MOST_UNSURE_SHARE * 2 * fit.wave.rate * frames)
    if fit.wave.rate * frames < FEWEST_BLINKS or np.sum(np.abs(fit.rest) > _UNSURE) > most_unsure:
        return None
    period = _period(share, fit, path)
    rivals = [1 / other.wave.rate for other, _ in others]
    is_ambiguous = any(its.missing.sum() != path.missing.sum() for _, its in others)
    if expected is not None and may_hide_frames(share, fit.wave, path.places, expected):
        rivals.append(1 / expected)
        is_ambiguous = True
    worst = float(np.abs(fit.rest).max())
    one_frame = period.frames / frames if worst >= _UNSURE else 0.0
    apart = max(one_frame, *(abs(rival - 1 / fit.wave.rate) for rival in rivals))
    return BlinkClock(
        frames_per_blink=period.frames,
        frames_per_blink_sd=float(np.hypot(period.frames_sd, apart / 2)),
        missing=path.missing[1:],
        blinks=fit.wave.rate * frames,
        worst=worst,
        is_ambiguous=is_ambiguous,
    )


def _recounted(share: FloatArray, said: IntArray, fit: WaveFit, path: GapPath) -> list[tuple[WaveFit, GapPath]]:
    """Return ends with a few frames fewer or more missing, at one place or all over the film."""
    missing = int(path.missing.sum())
    shown = said if (path.missing >= said).all() else np.zeros_like(said)
    is_poor = _rms(fit.rest[is_partly_lit(share)]) > _POOR
    if missing > _MOST_RECOUNTED or not (missing > shown.sum() or is_poor):
        return []
    paths = [*_one_place_otherwise(path, shown), *_counted_otherwise(share, shown, fit.wave, missing)]
    ends = [(fit_wave(share, other, fit.wave), other) for other in paths]
    ends.sort(key=lambda end: float(end[0].rest @ end[0].rest))
    return [(_polished(share, *end), end[1]) for end in ends[:_FOLLOWED]]


def _one_place_otherwise(path: GapPath, shown: IntArray) -> Iterator[GapPath]:
    """Yield paths with one frame fewer or more missing at one of the places where frames are missing."""
    for place in np.flatnonzero(path.missing > shown):
        for more in (-1, 1):
            other = path.missing.copy()
            other[place] += more
            yield dataclasses.replace(path, missing=other)


def _counted_otherwise(share: FloatArray, shown: IntArray, wave: Wave, missing: int) -> Iterator[GapPath]:
    """Yield the cheapest paths at rates near by with which the film holds other numbers of missing frames."""
    frames = len(share)
    for other in range(max(0, missing - _AWAY), missing + _AWAY + 1):
        fewer_blinks = round(wave.rate * (missing - other))
        rate = (wave.rate * (frames + missing) - fewer_blinks) / (frames + other)
        if rate < HIGHEST:
            near = dataclasses.replace(wave, rate=rate, is_fitted=False)
            yield cheapest_path(share, shown, near, frames, longest=_LONGER_GAP)


def _distinct(ends: list[tuple[WaveFit, GapPath]]) -> list[tuple[WaveFit, GapPath]]:
    """Return ends that differ in where frames are missing, or in their rate."""
    kept: list[tuple[WaveFit, GapPath]] = []
    for fit, path in ends:
        if all(
            (path.missing != other.missing).any() or abs(fit.wave.rate / its.wave.rate - 1) > _SAME_END
            for its, other in kept
        ):
            kept.append((fit, path))
    return kept


def _polished(share: FloatArray, fit: WaveFit, path: GapPath) -> WaveFit:
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


def _evidence(ends: list[tuple[WaveFit, GapPath]], shown: IntArray, expected: float | None) -> FloatArray:
    """Return what speaks against each end, as chi-squared: what remains, missing frames, a rate unlike the file's.

    Where the shutter is shut at most switches, a frame missing or a rate a little off may look alike: the file's own
    clock, which is that of the device unless it plays in slow motion, decides between them.
    """
    noise = max(_LEAST_NOISE, min(float(np.sqrt(np.mean(fit.rest**2))) for fit, _ in ends))
    costs = []
    for fit, path in ends:
        gaps = np.abs(path.missing - shown)[path.missing != shown]
        off = float(
            np.sum(np.minimum((fit.rest / noise) ** 2, _CAP)) + np.sum(_GAP_EVIDENCE[0] + _GAP_EVIDENCE[1] * gaps)
        )
        is_alike = expected is not None and abs(fit.wave.rate / expected - 1) < SAME_CLOCK
        costs.append(off - (_CLOCK_EVIDENCE if is_alike else 0.0))
    return np.array(costs)


def _without_whole_blinks(share: FloatArray, fit: WaveFit, path: GapPath) -> tuple[WaveFit, GapPath]:
    """Take a blink's frames out of neighbouring gaps that hold one between them, where that costs less."""
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
            return _without_whole_blinks(share, mended, GapPath(fewer, path.cost))
    return fit, path


def _period(share: FloatArray, fit: WaveFit, path: GapPath) -> Period:
    """Return frames per blink: of the fit, unless the shutter is shut at many switches."""
    wave = fit.wave
    opening, duty = wave.ramp / wave.rate, wave.width
    frames = path.places
    floor = _CODING / (float(np.ptp(frames)) * wave.rate)
    least = Period(frames=1 / wave.rate, frames_sd=float(np.hypot(fit.rate_sd / wave.rate**2, floor)))
    switches = 2 * wave.rate * float(np.ptp(frames))
    noise = max(_LEAST_NOISE, _rms(fit.rest), _rms(fit.rest[is_partly_lit(share)]))
    if sees_switches(share, switches):
        return trusting(least, noise, opening, switches, floor)
    if opening > _SHORT * min(duty, 1 - duty) / wave.rate:
        return least
    model = trapezoid(wave.phase + wave.rate * frames, duty, wave.ramp)
    low, high = np.linalg.lstsq(np.stack([1 - model, model], axis=1), share, rcond=None)[0]
    return period_of(
        frames,
        levelled((share - low) / (high - low)),
        frames[:-1][path.missing[1:] > 0],
        period=1 / wave.rate,
        rise=(-duty / 2 - wave.phase) / wave.rate,
        fall=(duty / 2 - wave.phase) / wave.rate,
        noise=noise,
    )


def _rms(rest: FloatArray) -> float:
    return float(np.sqrt(np.mean(rest**2))) if len(rest) else 0.0


def _gap_ideas(shown: IntArray) -> list[IntArray]:
    """Return what may be missing before each frame to begin with: what the file says, or nothing."""
    gaps = np.concatenate([[0], shown]).astype(np.int64)
    return [gaps, np.zeros_like(gaps)] if gaps.any() else [gaps]


def _followed(share: FloatArray, gaps: IntArray, expected: float | None) -> list[tuple[WaveFit, GapPath]]:
    """Find the rate in a stretch from the start, and follow the likeliest ones, and the file's, through the whole."""
    waves = [first_wave(share, rate) for rate in likely_rates(share, expected)]
    tried = [(cheapest_path(share, gaps, wave, window_of(share, wave.rate)).cost, wave) for wave in waves]
    ends = [_without_whole_blinks(share, *_followed_from(share, gaps, wave)) for wave in _likeliest(tried)]
    if ends and expected is not None and expected < HIGHEST:
        shaped = min(ends, key=lambda end: end[1].cost)[0].wave
        by_file = dataclasses.replace(shaped, rate=expected, is_fitted=False)
        paths = (cheapest_path(share, gaps, by_file, len(share)), GapPath(gaps, 0.0))
        ends += [(fit_wave(share, path, by_file), path) for path in paths]
        ends.append(_at_rate(share, gaps, dataclasses.replace(ends[-1][0].wave, rate=expected)))
    return ends


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
