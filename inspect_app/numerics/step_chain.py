"""The steps of a wedge along a strip: the chain of flat places whose levels fall by the step ratio."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SMALLEST_STEP_PX: Final = 9
FEWEST_PLACES: Final = 6  # of a step in the first look
COARSE_PLACES: Final = 240  # a first look goes over a profile reduced to about so many places, or
PLACES_PER_STEP: Final = 10
FINE_PLACES: Final = 160  # of a step when a chain is refined: the time goes with their square
MOST_STEPS: Final = 200
FLAT_SHARE: Final = 0.8  # of a step's width that must be flat
WIDEST_GAP: Final = 1.5  # in widths of a step
WIDTH_RATIO: Final = 1.18  # between the widths that are tried
PITCHES: Final = (1.0, 1.2, 1.5, 1.9)  # in widths of a step, tried at first
PITCH_TOLERANCE: Final = 0.1  # relative, at first
SHARES: Final = (0.85, 0.93, 1.0, 1.08, 1.17, 1.27)  # of a width, tried when it is refined

# Costs, in squared standard deviations. A chain gains by every step that is seen, is below saturation, flat, and as
# bright as it should be; what speaks against a step is bounded, so that one bad step does not break a good chain.
SEEN: Final = 25.0
SEEN_BRIGHT: Final = 5.0  # saturated or nearly so: its level says little
LIKE_SURROUND: Final = -1.0  # saturated as the surround is: it may be the surround
LEVEL_WEIGHT: Final = 3.0
MOST_FOR_LEVEL: Final = 45.0
SLOPE_WEIGHT: Final = 3.0
MOST_FOR_SLOPE: Final = 30.0
MOST_FOR_PITCH: Final = 6.0
SKIPPED_BRIGHT: Final = 60.0
MOST_SKIPPED: Final = 2.0  # pitches before a first step within which no brighter one may lie
HIDDEN: Final = 0.5
MUCH_ALIKE: Final = 10.0  # chains whose gains differ by less: the wider steps are taken

LEVEL_TOLERANCE: Final = 0.2  # of the difference of neighbouring steps, for uneven light
FLATNESS_TOLERANCE: Final = 0.03  # relative
GLARE_SHARE: Final = 2.0**-10  # of the brightest level: light that may not be the step's own, at first
FINE_GLARE_SHARE: Final = 2.0**-14
END_SHARE: Final = 50  # of a profile at either end, which shows what surrounds the strip
MOST_OVER_STOP: Final = 2.0  # by which the brightest step may lie above saturation
SEEN_NOISE: Final = 5.0
CLIPPED_SHARE: Final = 0.85  # of the brightest level: a step may be saturated
EVEN_SHARE: Final = 0.12  # of the width, by which steps at one pitch may seem to stray


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """Steps along a profile, brightest first: centres and common width in pixels.

    `gain` counts what speaks for it, about 25 for every unsaturated step that is seen. `seen` holds the indices of all
    steps that stand out from noise, saturated or not.
    """

    centres_px: tuple[float, ...]
    width_px: float
    gain: float
    seen: tuple[int, ...]

    @property
    def pitch_px(self) -> float:
        """Mean distance of the steps that are seen, or of all where fewer than two are."""
        chosen = self.seen if len(self.seen) > 1 else range(len(self.centres_px))
        return float(np.polyfit(chosen, np.take(self.centres_px, chosen), 1)[0])


@dataclass(frozen=True, slots=True)
class _Light:
    """A profile above its darkest part, its noise, its brightest level, and the wedge that is sought in it.

    `dark_doubt` is how far the darkest part may lie above darkness: in a bright surround it is the darkest step itself.
    With `is_in_white` the surround is saturated: a saturated place may then be the surround.
    """

    light: FloatArray
    noise: FloatArray
    top: float
    steps: int | None
    needs_all: bool
    stops_per_step: float
    glare_share: float
    dark_doubt: float
    is_in_white: bool


@dataclass(frozen=True, slots=True)
class _Places:
    """For every place as a step's centre: mean, its doubt, cost, whether it is seen, and the ways to it from others."""

    mean: FloatArray
    doubt: FloatArray
    cost: FloatArray
    is_seen: BoolArray
    width_px: float
    distances: npt.NDArray[np.intp]
    start: npt.NDArray[np.intp]
    is_inside: BoolArray


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

    Steps of hundreds of pixels are good to some of them: the time goes with the square of their width.
    """
    is_reversed = chain.centres_px[0] > chain.centres_px[-1]
    factor = max(1, int(abs(chain.pitch_px)) // FINE_PLACES)
    light = _light(profile, noise, steps, stops_per_step, factor, is_reversed=is_reversed, needs_all=steps is not None)
    if light is None:
        return None
    reduced = replace(chain, centres_px=tuple(c / factor for c in chain.centres_px), width_px=chain.width_px / factor)
    found = _refined(replace(light, glare_share=FINE_GLARE_SHARE), reduced)
    return None if found is None else _placed_back(_evened(found), factor, len(profile), is_reversed=is_reversed)


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
) -> _Light | None:
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
    return _Light(
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


def _first_look(light: _Light, width: float) -> Chain | None:
    """Return the best chain of steps at least so wide."""
    found: list[Chain] = []
    while width < len(light.light) / 3:
        places = _places(light, width)
        levels = _level_costs(places, light)
        found += [
            chain
            for pitch in PITCHES
            if (chain := _chain(places, levels, light, pitch * width, PITCH_TOLERANCE * pitch * width)) is not None
        ]
        width *= WIDTH_RATIO
    return _widest(found)


def _widest(found: Sequence[Chain]) -> Chain | None:
    """Return the chain with the widest steps of those about as good as the best."""
    if not found:
        return None
    best = max(chain.gain for chain in found)
    return max((c for c in found if c.gain > best - MUCH_ALIKE), key=lambda c: (c.width_px, c.gain))


def _refined(light: _Light, chain: Chain) -> Chain | None:
    found = chain
    for _ in range(2):
        width, pitch = found.width_px, abs(found.pitch_px)
        strays = 1.5 * float(np.median(np.abs(np.abs(np.diff(found.centres_px)) - pitch)))
        trials = []
        for share in SHARES:
            if share * width <= 1.03 * pitch:
                places = _places(light, share * width)
                tolerance = max(0.03 * pitch, strays, 1.0)
                trials.append(_chain(places, _level_costs(places, light), light, pitch, tolerance))
        again = _widest([trial for trial in trials if trial is not None])
        if again is None:
            return None
        found = again
    return found


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


def _places(light: _Light, width: float) -> _Places:
    half = max(1, int(FLAT_SHARE * width / 2))
    mean, square = _running(light.light, half), _running(light.light**2, half)
    noise = np.sqrt(_running(light.noise**2, half))
    glare = light.glare_share * light.top
    expected = noise**2 + (FLATNESS_TOLERANCE * mean) ** 2 + glare**2
    slope = np.maximum(np.maximum(square - mean**2, 0) / expected - 1.5, 0)
    cost = np.where(np.isnan(mean), np.inf, np.minimum(SLOPE_WEIGHT * slope, MOST_FOR_SLOPE))
    doubt = np.hypot(noise / math.sqrt(2 * half + 1), glare)
    distances = np.arange(max(1, math.floor(0.97 * width)), math.ceil((1 + WIDEST_GAP) * width) + 1)
    start = np.arange(len(mean))[:, None] - distances[None, :]
    return _Places(mean, doubt, cost, mean > SEEN_NOISE * doubt, width, distances, np.maximum(start, 0), start >= 0)


def _running(values: FloatArray, half: int) -> FloatArray:
    """Return the mean over `half` neighbours to either side; NaN where they do not exist."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    result = np.full(len(values), np.nan)
    size = 2 * half + 1
    if len(values) >= size:
        result[half : len(values) - half] = (total[size:] - total[:-size]) / size
    return result


def _level_costs(places: _Places, light: _Light) -> FloatArray:
    """Return what the level of every place costs after that of the place where a way to it starts, less what it gains.

    A step gains as much as its level tells it from an equal one, so that a step cut in two gains nothing. That darkness
    may be darker than it looks explains a step that is too dark, and none that is too bright. What lost: to let it
    explain both, whereby steps as dark as the gaps were taken twice or missed by a quarter of
    their width (52 of 120 profiles, against 2); gaining by the fall that is seen, which leaves too little where a wedge
    ends in glare: refused.
    """
    before, before_doubt = places.mean[places.start], places.doubt[places.start]
    here, ratio = places.mean[:, None], 2.0**-light.stops_per_step
    difference = (1 - ratio) * np.maximum(before, 0)
    noise_square = places.doubt[:, None] ** 2 + (ratio * before_doubt) ** 2
    doubt_square = noise_square + (LEVEL_TOLERANCE * difference) ** 2
    too_bright = here - ratio * before
    off = np.maximum(too_bright, 0) + np.minimum(too_bright + (1 - ratio) * light.dark_doubt, 0)
    cost = np.minimum(LEVEL_WEIGHT * off**2 / doubt_square, MOST_FOR_LEVEL)
    gain = np.minimum(difference**2 / noise_square, SEEN)
    may_clip = (before > CLIPPED_SHARE * light.top) & (here >= ratio * before) & (here < 1.03 * before)
    of_bright = LIKE_SURROUND if light.is_in_white else SEEN_BRIGHT
    gain = np.where(may_clip & (here > CLIPPED_SHARE * light.top), of_bright, gain)
    net = np.nan_to_num(np.where(may_clip, 0.0, cost) - gain, nan=MOST_FOR_LEVEL)
    return np.asarray(np.where(places.is_inside, net, np.inf), dtype=np.float64)


def _chain(places: _Places, levels: FloatArray, light: _Light, pitch: float, tolerance: float) -> Chain | None:
    """Return the cheapest chain of steps of one width."""
    join = levels + np.minimum(((places.distances - pitch) / tolerance) ** 2, MOST_FOR_PITCH)
    own = places.cost + HIDDEN
    cost = own + (np.zeros(len(own)) if light.is_in_white else _skipped(places, pitch))
    every = np.arange(len(cost))
    back: list[npt.NDArray[np.intp]] = []
    best_cost, last = math.inf, (0, 0)
    for count in range(2, (light.steps or MOST_STEPS) + 1):
        reached = cost[places.start] + join
        chosen = np.argmin(reached, axis=1)
        cost = reached[every, chosen] + own
        lowest = int(np.argmin(cost))
        if not math.isfinite(cost[lowest]):
            break
        back.append(chosen)
        if light.needs_all or cost[lowest] < best_cost:
            best_cost, last = float(cost[lowest]), (count, lowest)
    count, at = last
    if count < 3:
        return None
    centres = [at]
    for chosen in reversed(back[: count - 1]):
        centres.append(centres[-1] - int(places.distances[chosen[centres[-1]]]))
    centres.reverse()
    return Chain(
        centres_px=tuple(float(centre) for centre in centres),
        width_px=places.width_px,
        gain=-best_cost,
        seen=tuple(int(k) for k in np.flatnonzero(places.is_seen[centres])),
    )


def _skipped(places: _Places, pitch: float) -> FloatArray:
    """Return what it costs to start at a place although a flat, bright one lies before it, within one step more."""
    flat_light = np.where(places.cost < MOST_FOR_SLOPE / 2, places.mean, 0.0)
    nearest, farthest = int(places.distances[0]), max(int(places.distances[-1]), math.ceil(MOST_SKIPPED * pitch))
    before = np.concatenate([np.zeros(farthest), flat_light])[: len(flat_light) + farthest - nearest]
    brightest = np.lib.stride_tricks.sliding_window_view(before, farthest - nearest + 1).max(axis=1)
    return np.where(brightest > 0.9 * places.mean, SKIPPED_BRIGHT, 0.0)
