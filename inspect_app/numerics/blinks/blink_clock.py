"""A light that blinks at a known rate as a clock: frames per blink, and frames that are missing."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.bands.band_model import trapezoid
from inspect_app.numerics.blinks.blink_hidden import SAME_CLOCK, may_hide_frames
from inspect_app.numerics.blinks.blink_levels import shares_of_swing
from inspect_app.numerics.blinks.blink_paths import followed
from inspect_app.numerics.blinks.blink_period import Period, period_of
from inspect_app.numerics.blinks.blink_rates import FEWEST_BLINKS
from inspect_app.numerics.blinks.blink_recounts import polished, recounted
from inspect_app.numerics.blinks.blink_runs import is_erratic, is_unsteady, rarity_of
from inspect_app.numerics.blinks.blink_shutter import sees_switches, trusting
from inspect_app.numerics.blinks.blink_sine import is_sine
from inspect_app.numerics.blinks.blink_stamps import by_stamps
from inspect_app.numerics.blinks.blink_wave import (
    GAP_EVIDENCE,
    LEAST_NOISE,
    GapPath,
    IntArray,
    WaveFit,
    is_partly_lit,
    levelled,
    rms,
)

FloatArray = npt.NDArray[np.float64]

_FEWEST_FRAMES: Final = 8
_FEWEST_SWITCHES: Final = 3  # two blinks hold as many; a search for a rate takes seconds to find none in fewer
_NEITHER: Final = 0.25  # of the swing, around its middle
_ROUNDS: Final = 2
_SAME_END: Final = 1e-7  # relative difference of rates
_UNEXPLAINED: Final = 0.2  # share of the variance that may remain of a light that blinks steadily
_POORLY: Final = 0.4  # the same of ends that are still to be mended
_CODING: Final = 0.0025  # frames by which coding may move the first edge against the last (189 films, x264)
_SHORT: Final = 0.7  # of the shorter part of a blink
_GLOW: Final = 0.12  # of the swing: frames no further off a level may show a lamp that settles, not a switch
_CLOCK_EVIDENCE: Final = 15.0  # chi-squared at most of a rate unlike the file's own
_LEAST_MISFIT: Final = 0.008  # of the swing, by which frames are off an end that is true: a coder moves some further
_CAP: Final = 50.0  # chi-squared of one frame at most
_ALIKE_COST: Final = 12.0  # chi-squared by which another end may be worse and still true, of which
_MISFIT_COUNTS: Final = 0.6  # counts what remains: what a coder does to frames is not chance alone
_MOST_UNSURE: Final = 6  # frames that far off the clock, or
_MOST_UNSURE_SHARE: Final = 0.1  # of the switches: more are no steady blinking
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
    it is the whole film. Around the best end others are made with a few frames fewer or more missing; of many, also
    with a quarter fewer to half more; along the path that is cheapest by the noise found; and with one or two fewer or
    more in every run (`inspect_app.numerics.blinks.blink_runs.otherwise_in_every_run`). Of the ends, the one is kept
    against which least speaks; another that is as likely as one in 400, frames missing counted as rarely as the film
    itself makes them (`inspect_app.numerics.blinks.blink_runs.rarity_of`), widens the rate's doubt to half of their
    distance and, with another count of missing frames, makes the count unsure; so does a rate a little off the file's
    where the shutter is shut at some switches, for frames missing there look the same. Where the shutter is shut at
    many switches, the posterior of the period takes the place of the fit: see
    `inspect_app.numerics.blinks.blink_period.period_of`. To either is added by what a coder moves switches: without it,
    94 of 100 of 189 films of which nothing else is unsure were held, so 96, at an error / u of 0.96 instead of 1.18
    (rms).

    A brightness that drifts is followed first (`inspect_app.numerics.blinks.blink_levels.shares_of_swing`). Of 25
    traces of 4 to 15 s that fade by up to 40 % or wave by up to 20 %, the rate was off by 0.0027 % (median) between two
    levels that stay, 5 were unsure and 22 held; so 0.0005 %, 2 and 23. Of 12 under a daylight that waves by 10 to 30 %
    of the swing 0.0075 %, 4 and 2 refused; so 0.0021 %, 2 and 1. Of 12 lamps that warm up 0.0010 %, 2 and all held; so
    0.0016 %, 1 and 11.

    Frames that are uneven by the file's clock are fitted over its times as well; where those are true, less speaks
    against that. With intervals of 0.8 to 1.25 of their mean, 12 films were read 1 to 6 % too fast and 4 to 43 frames
    missing when frames were taken for even; over the times within 0.02 %, none missing.

    Where every bright run lacks frames, or every dark one, a run one frame longer and one more missing in each fits as
    well. Of 180 films of 0.7 to 12 Hz (own draws) without such ends two were read 0.9 and 3.4 % off and called sure,
    and a third lacked a frame before the last switch; with them none. Of 180 others 12 were unsure, of the rest every
    count was right; the rate was within 0.012 % (p90), held 98 of 100, at an error / u of 0.78 (rms). Of 24 traces with
    3 to 20 % of their frames missing, by chance or in bursts, 4 were miscounted and sure, two by 1.8 and 6 % of the
    rate; so none but one that lacks a frame after the last switch that shows. Of 60 such traces, half of them read with
    a walk that lost, 9 were miscounted, all told unsure, by as much as 6 % of the rate; rates were held 92 of 100. Ends
    chosen by `rarity_of` throughout lost: of 30 of the 60 two were then miscounted and sure, one with 671 frames
    missing for 22. A path of a slow blink goes over more frames than that of a fast one, so that paths are compared by
    what they cost a frame: by the sum, two of 330 films were read as fast ones of which most frames are missing. The
    price is a light that switches at random: it is refused where so many runs lack such unlike numbers of frames that
    it is unsteady rather, or is told in fewer words as random (`inspect_app.numerics.blinks.blink_runs.is_erratic`); of
    30 own draws one of eight runs is read, unsure; of nine of them, without either, three.

    Frames lie off an end that is true by 0.008 of the swing at least: by 0.005, one frame that a coder moved by 0.026
    bought a third missing frame in a film of two. Of 200 other films of 0.8 to 12 Hz (own draws) every count was right
    with either; 7 are unsure, rates within 0.0043 % (p90), held 97 of 100 at an error / u of 0.92 (rms). A light that
    is as much a sine is none: see `inspect_app.numerics.blinks.blink_sine.is_sine`.

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
    share = shares_of_swing(light) if len(light) >= _FEWEST_FRAMES else None
    if share is None or _switches(share) < _FEWEST_SWITCHES or is_unsteady(share, shown):
        return None
    ends = followed(share, shown, expected)
    if away is not None:
        ends += by_stamps(share, shown, away)
    said = np.concatenate([[0], shown])
    if not ends or _are_erratic(ends, said, share):
        return None
    ends = [(polished(share, *end), end[1]) for end in _distinct(ends)]
    costs = _evidence(ends, said, expected)
    for _ in range(_ROUNDS):
        best = int(costs.argmin())
        ends = _distinct([*ends, *recounted(share, said, *ends[best])])
        costs = _evidence(ends, said, expected)
        if costs.argmin() == best:
            break
    fit, path = ends[int(costs.argmin())]
    alike = _evidence(ends, said, expected, by_runs=True)
    others = [end for end, cost in zip(ends, alike, strict=True) if cost < alike[int(costs.argmin())] + _ALIKE_COST]
    if not _explains(fit, share, _UNEXPLAINED):
        return None
    frames = len(light) + int(path.missing.sum())
    most_unsure = max(_MOST_UNSURE, _MOST_UNSURE_SHARE * 2 * fit.wave.rate * frames)
    if fit.wave.rate * frames < FEWEST_BLINKS or np.sum(np.abs(fit.rest) > _UNSURE) > most_unsure:
        return None
    if _are_erratic([(fit, path)], said, share) or is_sine(share, fit, path.places):
        return None
    period = _period(share, fit, path)
    rivals = [1 / other.wave.rate for other, _ in others]
    is_ambiguous = any(its.missing.sum() != path.missing.sum() for _, its in others)
    if expected is not None and may_hide_frames(share, fit.wave, path, expected, _noise(share, fit)):
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


def _explains(fit: WaveFit, share: FloatArray, unexplained: float) -> bool:
    """Say whether no more than a share of the light's variance remains of it."""
    return float(fit.rest @ fit.rest) <= unexplained * float(np.sum((share - share.mean()) ** 2))


def _are_erratic(ends: list[tuple[WaveFit, GapPath]], said: IntArray, share: FloatArray) -> bool:
    """Say whether all ends that explain the light, if any, are of one that is unsteady itself."""
    explaining = [(fit, path) for fit, path in ends if _explains(fit, share, _POORLY)]
    return bool(explaining) and all(
        is_erratic(np.maximum(path.missing - said, 0), fit.wave, path.places) for fit, path in explaining
    )


def _switches(share: FloatArray) -> int:
    """Return how often the light goes from dark to bright or back, frames that are neither left out."""
    is_bright = share[np.abs(share - 0.5) > _NEITHER] > 0.5
    return int(np.count_nonzero(np.diff(is_bright)))


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


def _evidence(
    ends: list[tuple[WaveFit, GapPath]],
    shown: IntArray,
    expected: float | None,
    *,
    by_runs: bool = False,
) -> FloatArray:
    """Return what speaks against each end, as chi-squared: what remains, missing frames, a rate unlike the file's.

    Where the shutter is shut at most switches, a frame missing or a rate a little off may look alike: the file's own
    clock, which is that of the device unless it plays in slow motion, decides between them. By runs, frames missing
    count as rarely as the film itself makes them, wherever they are missing in a run, and what remains counts for less.
    """
    noise = max(_LEAST_MISFIT, min(float(np.sqrt(np.mean(fit.rest**2))) for fit, _ in ends))
    costs = []
    for fit, path in ends:
        gaps = np.abs(path.missing - shown)
        off = float(np.sum(np.minimum((fit.rest / noise) ** 2, _CAP)))
        if by_runs:
            off = _MISFIT_COUNTS * off + rarity_of(gaps, fit.wave, path.places)
        else:
            off += float(np.sum(GAP_EVIDENCE[0] + GAP_EVIDENCE[1] * gaps[gaps > 0]))
        costs.append(off + _off_clock(fit.wave.rate, expected))
    return np.array(costs)


def _off_clock(rate: float, expected: float | None) -> float:
    """Return the chi-squared of a rate off the file's: likely near it, and as likely anywhere far off."""
    if expected is None:
        return 0.0
    return float(min(_CLOCK_EVIDENCE, 2 * np.log1p(((rate / expected - 1) / SAME_CLOCK) ** 2)))


def _period(share: FloatArray, fit: WaveFit, path: GapPath) -> Period:
    """Return frames per blink: of the fit, unless the shutter is shut at many switches."""
    wave = fit.wave
    opening, duty = wave.ramp / wave.rate, wave.width
    frames = path.places
    floor = _CODING / (float(np.ptp(frames)) * wave.rate)
    least = Period(frames=1 / wave.rate, frames_sd=float(np.hypot(fit.rate_sd / wave.rate**2, floor)))
    switches = 2 * wave.rate * float(np.ptp(frames))
    noise = _noise(share, fit)
    if sees_switches(share, switches):
        return trusting(least, noise, opening, switches, floor)
    if is_partly_lit(share).any() and opening > _SHORT * min(duty, 1 - duty) / wave.rate:
        return least
    model = trapezoid(wave.phase + wave.rate * frames, duty, wave.ramp)
    low, high = np.linalg.lstsq(np.stack([1 - model, model], axis=1), share, rcond=None)[0]
    shares = levelled((share - low) / (high - low))
    told = period_of(
        frames,
        shares if np.any(np.abs(shares - np.round(shares))[is_partly_lit(share)] > _GLOW) else np.round(shares),
        frames[:-1][path.missing[1:] > 0],
        period=1 / wave.rate,
        rise=(-duty / 2 - wave.phase) / wave.rate,
        fall=(duty / 2 - wave.phase) / wave.rate,
        noise=noise,
    )
    return Period(frames=told.frames, frames_sd=float(np.hypot(told.frames_sd, floor)))


def _noise(share: FloatArray, fit: WaveFit) -> float:
    """Return the standard deviation of shares about the fit, of partly lit frames where that is more."""
    return max(LEAST_NOISE, rms(fit.rest), rms(fit.rest[is_partly_lit(share)]))
