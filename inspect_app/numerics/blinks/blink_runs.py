"""Frames that are missing in every run of a blinking light: a blink of as many frames more fits as well."""

import dataclasses
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.bands.band_model import trapezoid
from inspect_app.numerics.blinks.blink_rates import HIGHEST
from inspect_app.numerics.blinks.blink_wave import (
    GAP_EVIDENCE,
    LEAST_NOISE,
    GapPath,
    IntArray,
    Wave,
    WaveFit,
    cheapest_path,
    rms,
)

FloatArray = npt.NDArray[np.float64]

_LONGER_RUNS: Final = ((-1, 0), (0, -1), (-2, 0), (0, -2), (-1, -1), (1, 0), (0, 1), (1, 1))
"""Frames by which the bright and the dark runs of a blink may be longer, and as many more missing in each."""

LONGER_GAP: Final = 1.65
"""Blinks that may be missing at most at one place, where other counts are tried."""

_RARELY: Final = 0.01  # of the frames are missing, before a film says how many
_MANY: Final = 0.1  # of the frames are missing, and
_IN_MANY_RUNS: Final = 0.25  # of the runs lack some, by numbers that vary
_ERRATIC: Final = 6.0  # times as much as by chance
_FEWEST_SWITCHES: Final = 2  # between them lies a whole run
_NEITHER: Final = 0.1  # of the swing, around its middle
_FEWEST_RUNS: Final = 10  # that begin and end in the film, of
_SHORTEST: Final = 3.0  # frames each (mean), and
_LONGEST_SHARE: Final = 0.1  # of them as long as a whole one, or longer:
_LACKING: Final = 0.7  # times the frames that are there, missing at least to make each run whole
_OUT_OF_SIGHT: Final = 40.0  # chi-squared of frames missing in every run from which on that is not asked for


def otherwise_in_every_run(
    share: FloatArray, shown: IntArray, fit: WaveFit, path: GapPath
) -> Iterator[tuple[Wave, GapPath]]:
    """Yield waves whose bright or dark runs are longer by some frames, which are missing in each, and their paths.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    shown : ndarray of shape (n,), int
        Frames missing before each frame by the file's clock.
    fit : WaveFit
        The light's wave, and what remains of the swing.
    path : GapPath
        Frames missing by that fit.

    Notes
    -----
    The frames of a run between two switches are its length without those that are missing, so that a run longer by one
    frame of which each lacks one frame more looks the same: no film tells the two apart by its light. Which it is says
    how rarely frames are missing alone: that one is missing in every run, of all of many, is unlikely.
    """
    runs = _whole_runs(fit.wave, path.places)
    frames, missing = len(share), int(path.missing.sum())
    for longer in _LONGER_RUNS:
        more = int(np.dot(longer, runs))
        if missing + more < 0 or more * _one_more(fit.wave, frames, missing) > _OUT_OF_SIGHT:
            continue
        other = _longer(fit.wave, *longer)
        if other is not None:
            yield other, walked_by_noise(share, shown, fit, path, other)


def walked_by_noise(
    share: FloatArray, shown: IntArray, fit: WaveFit, path: GapPath, wave: Wave | None = None
) -> GapPath:
    """Return the cheapest path of a wave, or of the fitted one, by the levels and the noise that a fit has found.

    They show more than the path of a light of which neither is known yet.
    """
    known = fit.wave
    shape = trapezoid(known.phase + known.rate * path.places, known.width, known.ramp)
    swing, dark = np.polyfit(shape, share + fit.rest, 1)
    return cheapest_path(
        (share - dark) / swing,
        shown,
        known if wave is None else wave,
        len(share),
        longest=LONGER_GAP,
        spread=max(LEAST_NOISE, rms(fit.rest) / abs(swing)),
        gap_cost=GAP_EVIDENCE,
    )


def rarity_of(gaps: IntArray, wave: Wave, places: FloatArray) -> float:
    """Return how much speaks against so many frames missing in each run between two switches, as chi-squared.

    Parameters
    ----------
    gaps : ndarray of shape (n,), int
        Frames missing before each frame that the file's clock does not show.
    wave : Wave
        As fitted.
    places : ndarray of shape (n,)
        When each frame was shot, in frames.

    Notes
    -----
    Where in a run frames are missing shows nowhere. Frames missing by chance are so many in a run as Poisson says, and
    how many of all are missing, the film says itself (conjugate prior, one frame in a hundred): one frame more in a run
    of L frames is L (missing + 1) / (n + 100) times as likely, and one more in each run very unlikely.
    """
    missing, lengths = _missing_in_runs(gaps, wave, places)
    count, told = int(missing.sum()), len(gaps) + 1 / _RARELY
    ways = float(np.sum(special.gammaln(missing + 1) - missing * np.log(lengths))) - special.gammaln(count + 1)
    return float(2 * (ways + count * np.log(told)))


def is_erratic(gaps: IntArray, wave: Wave, places: FloatArray) -> bool:
    """Say whether so many runs lack such unlike numbers of frames that the light itself is unsteady rather.

    What `rarity_of` takes.

    Notes
    -----
    Frames that are missing by chance vary from run to run as Poisson says, and a device that stops for a moment leaves
    most runs whole; runs of a light that switches at random all need other numbers to be as long as one another. Where
    all its runs are short they do not vary by more, but then it is told in fewer words as what it is (`_is_random`).
    """
    if _is_random(gaps, wave, places):
        return True
    missing, lengths = _missing_in_runs(gaps, wave, places)
    if missing.sum() < _MANY * len(gaps) or np.mean(missing > 0) < _IN_MANY_RUNS:
        return False
    usual = lengths * missing.sum() / lengths.sum()
    return bool(np.mean((missing - usual) ** 2 / usual) > _ERRATIC)


def is_unsteady(share: FloatArray, shown: IntArray) -> bool:
    """Say whether runs of a light differ so much in length that it is no even blink, however many frames are missing.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    shown : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next by the file's clock.

    Notes
    -----
    Frames that are missing make a run shorter, hardly ever longer. So the long runs tell how long a whole one is, those
    of bright and of dark frames apart, and the rest of how many frames they lack at least. Of 988 own draws of even
    blinks, up to 30 % of their frames missing, noise of 2 to 18 % of the swing, that was 0.53 times the frames that are
    there at most, of all but one 0.26; of 26 lights that switch at random 0.78 to 2.3. It takes no search for a rate,
    which took 8 and 18 s of two of 1000 frames. Runs of less than three frames do not tell: a short flash may light its
    frames in part.
    """
    at = np.arange(len(share)) + np.concatenate([[0], np.cumsum(shown)])
    is_told = np.abs(share - 0.5) > _NEITHER
    at, is_bright = at[is_told], share[is_told] > 0.5
    begins = np.flatnonzero(np.diff(is_bright)) + 1
    lengths, levels = np.diff(at[begins]), is_bright[begins[:-1]]
    if len(lengths) < _FEWEST_RUNS or lengths.mean() < _SHORTEST:
        return False
    lacking = 0.0
    for level in (False, True):
        own = lengths[levels == level]
        lacking += float(np.maximum(np.quantile(own, 1 - _LONGEST_SHARE) - own - 1, 0.0).sum())
    return lacking > _LACKING * float(lengths.sum())


def _is_random(gaps: IntArray, wave: Wave, places: FloatArray) -> bool:
    """Say whether a light that switches at random is told in fewer words than an even blink that lacks frames.

    Notes
    -----
    The words are those of a code as short as can be, in nats, from the first switch to the last (J. Rissanen,
    Automatica 14, 465 (1978), from memory). A light that switches at random: before each frame whether it does, bright
    and dark apart. An even blink: of each run whether frames are missing, and how many, or how many by Poisson if that
    is shorter; and how long a bright run is and a dark one. Of 39 films and traces of even blinks that lack frames, up
    to a fifth of them, the even blink was the shorter by 30 nats at least (own draws); a light thrown anew for each of
    240 frames, which was read as 0.39 blinks a frame with 199 missing and sure, is the shorter by 165 as random. Alone
    it lost: of twelve other random lights two are told by the unlike numbers only.
    """
    phase = wave.phase + wave.rate * places
    is_lit = np.abs(phase - np.round(phase)) < wave.width / 2
    switches = np.flatnonzero(np.diff(is_lit))
    if not gaps.any() or len(switches) < _FEWEST_SWITCHES:
        return False
    whole = slice(int(switches[0]) + 1, int(switches[-1]) + 2)
    lit, goes_over = is_lit[whole][:-1], np.diff(is_lit[whole])
    at_random = sum(_nats(int(np.sum(lit == level)), int(np.sum(goes_over[lit == level]))) for level in (False, True))
    missing, lengths = _missing_in_runs(gaps[whole], wave, places[whole])
    count, lacking = int(missing.sum()), int(np.count_nonzero(missing))
    usual = lengths * max(count, 1) / lengths.sum()
    by_poisson = float(np.sum(usual - missing * np.log(usual) + special.gammaln(missing + 1)))
    even = min(_nats(len(missing), lacking) + _nats(count, lacking), by_poisson)
    return bool(at_random < even + 2 * (1 - np.log(2 * wave.rate)))


def _nats(places: int, chosen: int) -> float:
    """Return the length of the shortest code for which of some places are chosen, by how often they are."""
    return float(special.entr(chosen) + special.entr(places - chosen) - special.entr(places))


def _missing_in_runs(gaps: IntArray, wave: Wave, places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return how many frames are missing in each run of the film, and how many each holds."""
    phase = wave.phase + wave.rate * (places - (gaps + 1) / 2)
    is_lit = np.abs(phase - np.round(phase)) < wave.width / 2
    runs = np.where(is_lit, 2 * np.round(phase), 2 * np.floor(phase) + 1).astype(np.int64)
    first = int(runs.min())
    missing = np.bincount(runs - first, weights=gaps).astype(np.float64)
    is_odd = (np.arange(len(missing)) + first) % 2
    return missing, np.where(is_odd, 1 - wave.width, wave.width) / wave.rate


def _one_more(wave: Wave, frames: int, missing: int) -> float:
    """Return the chi-squared of one frame more that is missing in a run of which none is missing yet."""
    run = 1 / (2 * wave.rate)
    return float(-2 * np.log(min(1.0, run * (missing + 1) / (frames + 1 / _RARELY))))


def _whole_runs(wave: Wave, places: FloatArray) -> tuple[int, int]:
    """Return how many bright and dark runs lie in the film from switch to switch."""
    first, last = (wave.phase + wave.rate * float(place) for place in (places[0], places[-1]))
    halves = wave.width / 2, (1 - wave.width) / 2
    counts = [
        int(np.floor(last - middle - half) - np.ceil(first - middle + half)) + 1
        for middle, half in zip((0.0, 0.5), halves, strict=True)
    ]
    return max(counts[0], 0), max(counts[1], 0)


def _longer(wave: Wave, bright: int, dark: int) -> Wave | None:
    """Return the wave with longer runs, its phase to be sought; None where a run is none or the light too fast."""
    period = 1 / wave.rate
    lit, unlit, opening = wave.width * period + bright, (1 - wave.width) * period + dark, wave.ramp * period
    if min(lit, unlit) < opening or lit + unlit < 1 / HIGHEST:
        return None
    rate = 1 / (lit + unlit)
    return dataclasses.replace(wave, rate=rate, width=lit * rate, ramp=opening * rate, is_fitted=False)
