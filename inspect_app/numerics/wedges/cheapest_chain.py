"""The cheapest chain of steps of one width along a strip: what each place costs as a step, and each way to it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

MOST_STEPS: Final = 200
FLAT_SHARE: Final = 0.8  # of a step's width that must be flat
WIDEST_GAP: Final = 1.5  # in widths of a step

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
LEVEL_TOLERANCE: Final = 0.2  # of the difference of neighbouring steps, for uneven light
FLATNESS_TOLERANCE: Final = 0.03  # relative
SEEN_NOISE: Final = 5.0
CLIPPED_SHARE: Final = 0.85  # of the brightest level: a step may be saturated


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


@dataclass(frozen=True, slots=True, kw_only=True)
class StripLight:
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


def chains_of_width(light: StripLight, width_px: float, pitches_px: Sequence[tuple[float, float]]) -> list[Chain]:
    """Return the cheapest chain of steps of one width for each pitch, of those pitches at which there is one.

    Parameters
    ----------
    light : StripLight
    width_px : float
    pitches_px : sequence of tuple of float
        Pitch, and by how much it may stray at little cost.
    """
    places = _places(light, width_px)
    levels = _level_costs(places, light)
    found = [_chain(places, levels, light, pitch, tolerance) for pitch, tolerance in pitches_px]
    return [chain for chain in found if chain is not None]


def _places(light: StripLight, width: float) -> _Places:
    half = max(1, int(FLAT_SHARE * width / 2))
    mean, square = running_mean(light.light, half), running_mean(light.light**2, half)
    noise = np.sqrt(running_mean(light.noise**2, half))
    glare = light.glare_share * light.top
    expected = noise**2 + (FLATNESS_TOLERANCE * mean) ** 2 + glare**2
    slope = np.maximum(np.maximum(square - mean**2, 0) / expected - 1.5, 0)
    cost = np.where(np.isnan(mean), np.inf, np.minimum(SLOPE_WEIGHT * slope, MOST_FOR_SLOPE))
    doubt = np.hypot(noise / math.sqrt(2 * half + 1), glare)
    distances = np.arange(max(1, math.floor(0.97 * width)), math.ceil((1 + WIDEST_GAP) * width) + 1)
    start = np.arange(len(mean))[:, None] - distances[None, :]
    return _Places(mean, doubt, cost, mean > SEEN_NOISE * doubt, width, distances, np.maximum(start, 0), start >= 0)


def running_mean(values: FloatArray, half: int) -> FloatArray:
    """Return the mean over `half` neighbours to either side; NaN where they do not exist."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    result = np.full(len(values), np.nan)
    size = 2 * half + 1
    if len(values) >= size:
        result[half : len(values) - half] = (total[size:] - total[:-size]) / size
    return result


def _level_costs(places: _Places, light: StripLight) -> FloatArray:
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


def _chain(places: _Places, levels: FloatArray, light: StripLight, pitch: float, tolerance: float) -> Chain | None:
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
