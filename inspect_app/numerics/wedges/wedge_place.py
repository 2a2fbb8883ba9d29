"""The place of a step wedge in a picture: of all strips that may be it, the one with the best chain of steps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.wedges.cheapest_chain import CLIPPED_SHARE, SEEN, Chain
from inspect_app.numerics.wedges.step_chain import find_chain, refined_chain
from inspect_app.numerics.wedges.strip import CORE, Profile, Strip, profile_along, straightened, strip_of_region
from inspect_app.numerics.wedges.strip_search import candidate_strips

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

MOST_STRIPS: Final = 8
SURE: Final = 8 * SEEN  # gain of a chain that needs no rival, along a strip that is narrower than the picture
SPANS: Final = 0.9  # of what is looked at, from side to side across a strip: it may be wedge and surround
MOST_REFINED: Final = 2  # chains of a picture that are looked at closely
MOST_SLOPE: Final = 0.35  # of the fall from step to step that lies within the steps: beyond it they are a ramp
LEAST: Final = 1.2 * SEEN
FEWEST_BELOW: Final = 2  # steps that are seen below saturation
LEAST_SHARE: Final = 0.6  # of the gain of as many perfect steps
BEYOND_AT_FIRST: Final = 0.7  # in lengths of the part that is seen, how far to look past its ends
EVERYWHERE: Final = 1e6  # lengths: to the borders of the picture
AROUND: Final = 0.3  # of a region's shorter side, by which it is widened to see what surrounds the strip
MOST_MIDDLES: Final = 8  # of the brightest steps, through which the axis is laid


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgePlace:
    """A strip, and the centres of its steps along it, brightest first, with their common width, in pixels."""

    strip: Strip
    centres_px: tuple[float, ...]
    width_px: float


def place_wedge(
    image: FloatArray,
    *,
    steps: int | None,
    stops_per_step: float,
    region: tuple[int, int, int, int] | None = None,
) -> WedgePlace | None:
    """Find a step wedge.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        Linear in exposure; the brightest steps are brighter than what surrounds them.
    steps : int or None
        How many there are; None takes those that are seen.
    stops_per_step : float
        Nominal exposure ratio of neighbours, base-2 logarithm.
    region : tuple of int, optional
        X, Y, width and height in pixels of a part that holds the strip, or is it.

    Returns
    -------
    WedgePlace or None
        None where no strip carries flat steps that keep to their ratio. Steps that noise hides stand at the mean pitch
        of the others.

    Notes
    -----
    Every strip that may be it is tried, and the one whose chain of steps gains most is taken: labels, a bright frame
    and saturated steps that flow together are no wedge, whatever their shape. The axis is then laid through the middles
    of its brightest steps, and the chain found again. What lost: the principal axis of all bright pixels, which a frame
    or labels turn (13 of 16 such pictures read wrong by stops, against none). Taking a strip that spans the picture as
    soon as its chain gains enough: steps and a lit surround above and below them chain well enough together, and one of
    56 such wedges came out 2 stops too small.
    """
    rows, cols = image.shape if region is None else (region[3], region[2])
    found: list[tuple[Strip, Chain]] = []
    for strip in _strips(image, region):
        profile = profile_along(image, strip, BEYOND_AT_FIRST)
        if profile is None:
            continue
        chain = find_chain(profile.mean, profile.noise, steps=steps, stops_per_step=stops_per_step)
        if chain is None or chain.gain <= LEAST:
            continue
        chain = replace(chain, centres_px=tuple(profile.start_px + c for c in chain.centres_px))
        across_px = rows * abs(math.cos(strip.angle)) + cols * abs(math.sin(strip.angle))
        if chain.gain > SURE and 2 * strip.half_height_px < SPANS * across_px:
            place = _refined(image, strip, chain, steps=steps, stops_per_step=stops_per_step)
            if place is not None:
                return place
        found.append((strip, chain))
    return _best_refined(image, found, steps=steps, stops_per_step=stops_per_step)


def _best_refined(
    image: FloatArray, found: Sequence[tuple[Strip, Chain]], *, steps: int | None, stops_per_step: float
) -> WedgePlace | None:
    """Return the place of the chain that gains most, or of the next one where that is no wedge."""
    by_gain = sorted(found, key=lambda entry: -entry[1].gain)[:MOST_REFINED]
    for strip, chain in by_gain:
        place = _refined(image, strip, chain, steps=steps, stops_per_step=stops_per_step)
        if place is not None:
            return place
    return None


def _refined(
    image: FloatArray, strip: Strip, chain: Chain, *, steps: int | None, stops_per_step: float
) -> WedgePlace | None:
    middles = [chain.centres_px[k] for k in chain.seen[:MOST_MIDDLES]]
    strip = straightened(image, strip, middles, chain.width_px)
    profile = profile_along(image, strip, EVERYWHERE)
    if profile is None:
        return None
    chain = replace(chain, centres_px=tuple(centre - profile.start_px for centre in chain.centres_px))
    found = refined_chain(profile.mean, profile.noise, chain, steps=steps, stops_per_step=stops_per_step)
    if found is None or not _is_wedge(profile, found, stops_per_step):
        return None
    centres = tuple(profile.start_px + centre for centre in found.centres_px)
    return WedgePlace(strip=strip, centres_px=centres, width_px=found.width_px)


def _is_wedge(profile: Profile, chain: Chain, stops_per_step: float) -> bool:
    """Say whether a chain is one of flat steps that keep to their ratio, and not a way through something else."""
    if len(chain.seen) < FEWEST_BELOW:
        return False
    light = profile.mean - np.percentile(profile.mean, 2)
    half = max(1, int(CORE * chain.width_px / 2))
    parts = [light[max(0, round(c) - half) : round(c) + half + 1] for c in np.take(chain.centres_px, chain.seen)]
    levels = np.array([part.mean() for part in parts])
    below = np.flatnonzero(levels <= CLIPPED_SHARE * levels.max())
    if len(below) < FEWEST_BELOW or chain.gain < LEAST_SHARE * SEEN * (len(below) - 1):
        return False
    falls = [-np.polyfit(np.arange(len(parts[k])), parts[k], 1)[0] / levels[k] for k in below]
    per_step = float(np.median(falls)) * chain.pitch_px / math.log(2)
    return abs(per_step) < MOST_SLOPE * stops_per_step


def _strips(image: FloatArray, region: tuple[int, int, int, int] | None) -> list[Strip]:
    if region is None:
        return list(islice(candidate_strips(image), MOST_STRIPS))
    x, y, width, height = region
    around = round(AROUND * min(width, height))
    return [
        *_strips_in(image, x, y, width, height),
        strip_of_region(region),
        *_strips_in(image, x - around, y - around, width + 2 * around, height + 2 * around),
    ]


def _strips_in(image: FloatArray, x: int, y: int, width: int, height: int) -> list[Strip]:
    left, top = max(0, x), max(0, y)
    cut = image[top : y + height, left : x + width]
    return [replace(s, x=s.x + left, y=s.y + top) for s in islice(candidate_strips(cut), MOST_STRIPS)]


def step_masks(place: WedgePlace, shape: tuple[int, ...]) -> tuple[IndexArray, ...]:
    """Return for each step the flat indices of the pixels in its core; pixels outside of the picture are left out."""
    along, across = place.strip.along_and_across((shape[0], shape[1]))
    in_height = np.flatnonzero(np.abs(across) <= CORE * place.strip.half_height_px)
    along = along.ravel()[in_height]
    return tuple(in_height[np.abs(along - centre) <= CORE * place.width_px / 2] for centre in place.centres_px)
