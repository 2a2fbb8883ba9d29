"""The steps of a wedge along a strip: the chain of flat places whose levels fall by the step ratio."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.wedges.cheapest_chain import (
    CLIPPED_SHARE,
    SEEN_NOISE,
    Chain,
    StripLight,
    chains_of_width,
    running_mean,
)
from inspect_app.numerics.wedges.strip import CORE

FloatArray = npt.NDArray[np.float64]

SMALLEST_STEP_PX: Final = 9
FEWEST_PLACES: Final = 6  # of a step in the first look
COARSE_PLACES: Final = 240  # a first look goes over a profile reduced to about so many places, or
PLACES_PER_STEP: Final = 10
FINE_PLACES: Final = 160  # of a step when a chain is refined: the time goes with their square
WIDTH_RATIO: Final = 1.18  # between the widths that are tried
PITCHES: Final = (1.0, 1.2, 1.5, 1.9)  # in widths of a step, tried at first
PITCH_TOLERANCE: Final = 0.1  # relative, at first
SHARES: Final = (0.85, 0.93, 1.0, 1.08, 1.17, 1.27)  # of a width, tried when it is refined
MUCH_ALIKE: Final = 10.0  # chains whose gains differ by less: the wider steps are taken
GLARE_SHARE: Final = 2.0**-10  # of the brightest level: light that may not be the step's own, at first
FINE_GLARE_SHARE: Final = 2.0**-14
END_SHARE: Final = 50  # of a profile at either end, which shows what surrounds the strip
MOST_OVER_STOP: Final = 2.0  # by which the brightest step may lie above saturation
LEVEL_SHARE: Final = 0.01  # of its level, by which the light of a step may vary
MOST_ROUGH: Final = 3.0  # times the variance of its noise: a place from which the core of a step reaches into a border
DRAWN_SHARE: Final = 0.25  # of the width, by which a pitch may draw a step to where it does not stand
EVEN_SHARE: Final = 0.06  # of the width, by which steps at one pitch may seem to stray


def find_chain(profile: FloatArray, noise: FloatArray, *, steps: int | None, stops_per_step: float) -> Chain | None:
    """Find the chain of steps along a profile, brightest first, in whichever direction it runs.

    Parameters
    ----------
    profile, noise : ndarray of shape (n,)
        Exposure along the strip, and its standard deviation at each pixel.
    steps : int or None
        How many there are at most; None sets no bound. Those that stand out are taken.
    stops_per_step : float
        Nominal exposure ratio of neighbours, base-2 logarithm.

    Returns
    -------
    Chain or None
        Its places are good to a few pixels: see `refined_chain`. None where no three steps can be chained.

    Notes
    -----
    Dynamic programming over the places along the profile (R. Bellman, 1957), once for each width and pitch of a grid:
    a step costs what it is not flat, and what its level departs from the ratio to the one before, which near saturation
    may be less; gaps may be uneven at a bounded cost. Of chains about as good, the one with the widest steps is taken.
    What lost: asking for all steps at first, where the profile may not hold them: steps were then taken twice, and 25
    of 150 pictures with uneven gaps and widths read wrong by 0.1 stop or more, or were refused. Cutting the profile by
    thresholds and following the mean pitch from the last step so found: it broke where saturated steps flow together
    and took labels for steps, in 18 of 304 pictures (own bench).
    """
    factor = max(1, len(profile) // max(COARSE_PLACES, PLACES_PER_STEP * (steps or 0)))
    best: Chain | None = None
    for is_reversed in (False, True):
        light = _light(profile, noise, steps, stops_per_step, factor, is_reversed=is_reversed, needs_all=False)
        chain = None if light is None else _first_look(light, max(SMALLEST_STEP_PX / factor, FEWEST_PLACES))
        if chain is not None and (best is None or chain.gain > best.gain):
            best = _placed_back(chain, factor, len(profile), is_reversed=is_reversed)
    return best


def refined_chain(
    profile: FloatArray, noise: FloatArray, chain: Chain, *, steps: int | None, stops_per_step: float
) -> Chain | None:
    """Find a chain again, its width and pitch adjusted to each other, to the pixel; evened where its steps are even.

    Steps of hundreds of pixels are good to some of them: the time goes with the square of their width. Each step that
    is seen is laid into the middle of its flat part, since a pitch draws it by up to 0.2 of its width towards even gaps
    (24 profiles of uneven gaps: the worst step was off by 1.5 pixels of 22 at the median and 4.5 at most, now by 0.5;
    one of 650 wedges read half a stop high).
    """
    is_reversed = chain.centres_px[0] > chain.centres_px[-1]
    factor = max(1, int(abs(chain.pitch_px)) // FINE_PLACES)
    light = _light(profile, noise, steps, stops_per_step, factor, is_reversed=is_reversed, needs_all=steps is not None)
    if light is None:
        return None
    reduced = replace(chain, centres_px=tuple(c / factor for c in chain.centres_px), width_px=chain.width_px / factor)
    found = _refined(replace(light, glare_share=FINE_GLARE_SHARE), reduced)
    if found is None:
        return None
    return _placed_back(_evened(_centred(found, light)), factor, len(profile), is_reversed=is_reversed)


def _placed_back(chain: Chain, factor: int, length: int, *, is_reversed: bool) -> Chain:
    """Return a chain of a reduced and perhaps reversed profile in pixels of the profile as it was."""
    centres = [factor * centre + (factor - 1) / 2 for centre in chain.centres_px]
    return replace(
        chain,
        centres_px=tuple(length - 1 - centre for centre in centres) if is_reversed else tuple(centres),
        width_px=factor * chain.width_px,
    )


def _light(
    profile: FloatArray,
    noise: FloatArray,
    steps: int | None,
    stops_per_step: float,
    factor: int,
    *,
    is_reversed: bool,
    needs_all: bool,
) -> StripLight | None:
    dark = float(np.percentile(ndimage.uniform_filter1d(profile, 5), 2))
    top = float(np.percentile(ndimage.median_filter(profile - dark, 5), 99.5))
    if top <= 0:
        return None
    light, noise = _reduced(profile - dark, factor), _reduced(noise, factor) / math.sqrt(factor)
    end = max(3, len(light) // END_SHARE)
    surround = float(np.median(np.concatenate([light[:end], light[-end:]])))
    is_lit = steps is not None and surround > SEEN_NOISE * float(np.median(noise))
    if is_reversed:
        light, noise = light[::-1], noise[::-1]
    return StripLight(
        light=light,
        noise=noise,
        top=top,
        steps=steps,
        needs_all=needs_all,
        stops_per_step=stops_per_step,
        glare_share=GLARE_SHARE if factor > 1 else FINE_GLARE_SHARE,
        dark_doubt=top * 2.0 ** (MOST_OVER_STOP - stops_per_step * (steps or 0)) if is_lit else 0.0,
        is_in_white=surround > CLIPPED_SHARE * top,
    )


def _reduced(values: FloatArray, factor: int) -> FloatArray:
    whole = len(values) // factor * factor
    return np.asarray(values[:whole].reshape(-1, factor).mean(axis=1), dtype=np.float64)


def _first_look(light: StripLight, width: float) -> Chain | None:
    """Return the best chain of steps at least so wide."""
    found: list[Chain] = []
    while width < len(light.light) / 3:
        found += chains_of_width(light, width, [(p * width, PITCH_TOLERANCE * p * width) for p in PITCHES])
        width *= WIDTH_RATIO
    return _widest(found)


def _widest(found: Sequence[Chain]) -> Chain | None:
    """Return the chain with the widest steps of those about as good as the best."""
    if not found:
        return None
    best = max(chain.gain for chain in found)
    return max((c for c in found if c.gain > best - MUCH_ALIKE), key=lambda c: (c.width_px, c.gain))


def _refined(light: StripLight, chain: Chain) -> Chain | None:
    found = chain
    for _ in range(2):
        width, pitch = found.width_px, abs(found.pitch_px)
        strays = 1.5 * float(np.median(np.abs(np.abs(np.diff(found.centres_px)) - pitch)))
        ways = [(pitch, max(0.03 * pitch, strays, 1.0))]
        widths = [share * width for share in SHARES if share * width <= 1.03 * pitch]
        again = _widest([chain for each in widths for chain in chains_of_width(light, each, ways)])
        if again is None:
            return None
        found = again
    return found


def _centred(chain: Chain, light: StripLight) -> Chain:
    """Return the chain with each step in the middle of the places from which its core reaches into no border."""
    half = math.ceil(CORE * chain.width_px / 2)
    mean, square = running_mean(light.light, half), running_mean(light.light**2, half)
    rough = (square - mean**2) / (running_mean(light.noise**2, half) + (LEVEL_SHARE * mean) ** 2)
    flat = np.flatnonzero(rough < MOST_ROUGH)
    runs = np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1)
    middles = [(run[0] + run[-1]) / 2 for run in runs if 0 < len(run) < chain.width_px]  # longer: several, or none
    centres = list(chain.centres_px)
    for k in chain.seen:
        middle = min(middles, key=lambda place: abs(place - centres[k]), default=centres[k])
        if abs(middle - centres[k]) < DRAWN_SHARE * chain.width_px:
            centres[k] = middle
    return replace(chain, centres_px=tuple(centres))


def _evened(chain: Chain) -> Chain:
    """Return the chain with all steps at one pitch, where those that are seen stand so."""
    if len(chain.seen) < 4:
        return chain
    seen = np.array(chain.seen)
    pitch, first = np.polyfit(seen, np.take(chain.centres_px, seen), 1)
    even = first + pitch * np.arange(len(chain.centres_px))
    if float(np.abs(even - chain.centres_px)[seen].max()) > EVEN_SHARE * chain.width_px:
        return chain
    return replace(chain, centres_px=tuple(float(centre) for centre in even))
