"""Where the steps of a wedge lie: the strip in a picture, its direction, and the steps along it."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

BRIGHT_STOPS = 5.0  # the strip is sought among what is at most this much darker than the brightest step
SMALLEST_STEP_PX = 6
CORE = 0.6  # of width and height of a step that is measured: clear of its blurred border
MOST_THRESHOLDS = 200
SEEN_NOISE = 6.0  # standard deviations of the mean across the strip
WIDTH_SPREAD = 0.15  # relative, of steps that a threshold cuts out whole
WIDTH_SPREAD_PX = 5.0  # saturated steps look wider by their blurred borders
HOLE_SHARE = 0.3  # of the usual width
SHORTEST_WHOLE = 0.6  # of the usual width: a step between gaps
SHORTEST_GROWN = 0.3  # of the usual width: a step at the end of several saturated ones that look like one
CONTRAST_SEEN = 5.0  # standard deviations by which a step must rise over its flanks to be placed by itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A strip of steps: a point on its axis, the axis' direction, half of its height, all in pixels and radians."""

    x: float
    y: float
    angle: float
    half_height_px: float
    along_from: float
    along_to: float

    def along_and_across(self, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
        """Return for every pixel its place along the axis and its distance from it."""
        y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
        cos, sin = math.cos(self.angle), math.sin(self.angle)
        along = (x - self.x) * cos + (y - self.y) * sin
        across = -(x - self.x) * sin + (y - self.y) * cos
        return along, across


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: centre along the axis and width, in pixels; `is_seen` where its own borders placed it."""

    centre_px: float
    width_px: float
    is_seen: bool


def find_strip(image: FloatArray) -> Strip | None:
    """Find a strip of steps on a darker surround.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        Linear in exposure.

    Returns
    -------
    Strip or None
        None where nothing elongated stands out.

    Notes
    -----
    What is brighter than the brightest by at most 5 stops, and than the surround, is taken as the bright steps. The
    axis is the principal axis of these pixels, turned until the strip is narrowest; its height is where the profile
    across falls to half.
    """
    smooth = ndimage.uniform_filter(image, 3)
    top = float(np.percentile(smooth, 99.5))
    surround = float(np.median(smooth))
    noise = 1.4826 * float(np.median(np.abs(smooth - surround)))
    if not top > 0 or top < 2 * surround:
        return None
    level = max(top * 2**-BRIGHT_STOPS, surround + 8 * noise, surround + 0.02 * (top - surround))
    bright = _large_parts(smooth > level)
    y, x = np.nonzero(bright)
    if len(x) < 4 * SMALLEST_STEP_PX**2:
        return None
    middle = np.array([x.mean(), y.mean()])
    spread, axes = np.linalg.eigh(np.cov(np.stack([x, y])))
    if spread[1] < 3 * spread[0]:
        return None
    angle = math.atan2(float(axes[1, 1]), float(axes[0, 1]))
    angle = _narrowest(x - middle[0], y - middle[1], angle)
    along = (x - middle[0]) * math.cos(angle) + (y - middle[1]) * math.sin(angle)
    across = -(x - middle[0]) * math.sin(angle) + (y - middle[1]) * math.cos(angle)
    low, high = _half_extent(across)
    shift = (low + high) / 2
    return Strip(
        x=float(middle[0] - shift * math.sin(angle)),
        y=float(middle[1] + shift * math.cos(angle)),
        angle=angle,
        half_height_px=(high - low) / 2,
        along_from=float(along.min()),
        along_to=float(along.max()),
    )


def strip_of_region(region: tuple[int, int, int, int]) -> Strip:
    """Return the strip that fills a region X, Y, W, H, along its longer side."""
    x, y, width, height = region
    centre_x, centre_y = x + (width - 1) / 2, y + (height - 1) / 2
    is_level = width >= height
    half = (width if is_level else height) / 2
    return Strip(
        x=centre_x,
        y=centre_y,
        angle=0.0 if is_level else math.pi / 2,
        half_height_px=(height if is_level else width) / 2,
        along_from=-half,
        along_to=half,
    )


def _large_parts(mask: BoolArray) -> BoolArray:
    names, count = ndimage.label(mask)
    if count == 0:
        return mask
    sizes = np.bincount(names.ravel())
    sizes[0] = 0
    large: BoolArray = (sizes > 0.08 * sizes.max())[names]
    return large


def _narrowest(x: FloatArray, y: FloatArray, angle: float) -> float:
    """Return the angle near a first guess for which the pixels spread least across the axis."""
    for reach in (math.radians(6), math.radians(1.5), math.radians(0.4)):
        trials = angle + np.linspace(-reach, reach, 13)
        widths = [_width_of(-x * math.sin(t) + y * math.cos(t)) for t in trials]
        angle = float(trials[int(np.argmin(widths))])
    return angle


def _width_of(across: FloatArray) -> float:
    return float(np.percentile(across, 99.5) - np.percentile(across, 0.5))


def _half_extent(across: FloatArray) -> tuple[float, float]:
    counts, edges = np.histogram(across, bins=max(8, math.ceil(np.ptp(across))))
    kept = np.flatnonzero(counts > 0.5 * np.percentile(counts, 80))
    return float(edges[kept[0]]), float(edges[kept[-1] + 1])


def find_steps(image: FloatArray, strip: Strip, *, steps: int | None, stops_per_step: float) -> tuple[Step, ...]:
    """Find the steps along a strip, brightest first.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    strip : Strip
    steps : int or None
        How many there are; None takes those that are seen.
    stops_per_step : float
        Nominal exposure ratio of neighbours, base-2 logarithm.

    Returns
    -------
    tuple of Step
        Empty where fewer than three are seen.

    Notes
    -----
    The mean along the strip is cut by thresholds that fall by a third of a step. What is new at a threshold, and as
    wide as a step, is a step: between dark gaps it appears as a whole, in a wedge without gaps it grows at the end of
    those before. Where steps sink into noise, the mean pitch predicts the next, which is moved to where it stands out
    most from its flanks if it stands out at all; uneven gaps are followed in this way far below the noise of a pixel.
    """
    profile, noise, start = _profile(image, strip)
    seen = _seen_segments(profile, noise, stops_per_step)
    if len(seen) < 3:
        return ()
    centres = np.array([(a + b) / 2 for a, b in seen])
    levels = np.array([float(np.median(profile[a:b])) for a, b in seen])
    if np.polyfit(centres, np.log2(np.maximum(levels, 1e-12)), 1)[0] > 0:
        length = len(profile)
        turned = [(length - b, length - a) for a, b in reversed(seen)]
        found = _followed(profile[::-1], noise[::-1], _regular(turned), steps)
        return tuple(
            Step(centre_px=start + length - s.centre_px, width_px=s.width_px, is_seen=s.is_seen) for s in found
        )
    found = _followed(profile, noise, _regular(seen), steps)
    return tuple(Step(centre_px=start + s.centre_px, width_px=s.width_px, is_seen=s.is_seen) for s in found)


def _profile(image: FloatArray, strip: Strip) -> tuple[FloatArray, FloatArray, float]:
    """Return the mean across the strip at every pixel along it, its standard deviation, and where it starts."""
    along, across = strip.along_and_across((image.shape[0], image.shape[1]))
    chosen = np.abs(across) <= CORE * strip.half_height_px
    start = math.floor(float(along[chosen].min()))
    place = np.floor(along[chosen] - start).astype(np.intp)
    values = image[chosen]
    count = np.maximum(np.bincount(place), 1)
    mean = np.bincount(place, values) / count
    square = np.bincount(place, values**2) / count
    sd = np.sqrt(np.maximum(square - mean**2, 0) / count)
    smooth_sd = ndimage.median_filter(sd, 9)
    return mean, np.maximum(smooth_sd, 1e-9), float(start)


def _seen_segments(profile: FloatArray, noise: FloatArray, stops_per_step: float) -> list[tuple[int, int]]:
    light = ndimage.uniform_filter1d(profile, 3)
    light = light - float(np.percentile(light, 5))
    top = float(np.percentile(light, 99))
    found: list[tuple[int, int]] = []
    width = 0.0
    for k in range(1, MOST_THRESHOLDS):
        level = top * 2 ** (-stops_per_step * k / 3)
        if level < SEEN_NOISE * float(np.median(noise)):
            break
        is_new = light > level
        for a, b in found:
            is_new[max(0, a - 2) : b + 2] = False
        for a, b in _runs(_mended(is_new, HOLE_SHARE * width)):
            shortest = SHORTEST_GROWN if len(found) < 2 and _grows(a, b, found) else SHORTEST_WHOLE
            if b - a >= max(SMALLEST_STEP_PX, shortest * width):
                found.append((a, b))
        if found:
            widths = sorted(b - a for a, b in found)
            width = float(widths[0] if len(widths) < 3 else np.median(widths))
    return sorted(found)


def _mended(mask: BoolArray, hole_px: float) -> BoolArray:
    """Return a mask without holes up to a length: noise breaks a step up where the threshold meets its level."""
    mended = mask.copy()
    runs = _runs(mask)
    for (_, end), (start, _) in pairwise(runs):
        if start - end <= hole_px:
            mended[end:start] = True
    return mended


def _grows(a: int, b: int, found: list[tuple[int, int]]) -> bool:
    """Say whether a run joins the found steps on one side only, as the next of a wedge without gaps does."""
    left = any(0 <= a - end <= 4 for _, end in found)
    right = any(0 <= start - b <= 4 for start, _ in found)
    return left != right


def _runs(mask: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _regular(seen: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the seen steps, brightest first, up to the first that is not as wide as the others.

    The brightest may be several saturated ones without a gap, and is split then. Where a threshold comes close to noise
    or to the light in the gaps, what it cuts out is no longer a step: those beyond are placed by what they rise over
    their flanks.
    """
    width = float(np.median([b - a for a, b in seen]))
    a, b = seen[0]
    edges = np.linspace(a, b, max(1, round((b - a) / width)) + 1).round().astype(int)
    kept = [(int(p), int(q)) for p, q in pairwise(edges)]
    for a, b in seen[1:]:
        if abs(b - a - width) > max(WIDTH_SPREAD * width, min(WIDTH_SPREAD_PX, 2 * WIDTH_SPREAD * width)):
            break
        kept.append((a, b))
    return kept


def _followed(profile: FloatArray, noise: FloatArray, seen: list[tuple[int, int]], steps: int | None) -> list[Step]:
    width = float(np.median([b - a for a, b in seen]))
    centres = np.array([(a + b) / 2 for a, b in seen])
    pitch = float(np.median(np.diff(centres))) if len(centres) > 1 else width
    found = [Step(centre_px=float(c), width_px=width, is_seen=True) for c in centres]
    total = len(found) if steps is None else steps
    uneven = float(np.std(np.diff(centres))) if len(centres) > 2 else 0.0
    reach = max(0.4 * max(pitch - width, 0.15 * pitch), min(2 * uneven, 0.5 * pitch))
    while len(found) < total:
        place = found[-1].centre_px + pitch
        if place + CORE * width / 2 > len(profile):
            break
        found.append(_placed(profile, noise, place, width, pitch, reach))
    return found[:total]


def _placed(profile: FloatArray, noise: FloatArray, place: float, width: float, pitch: float, reach: float) -> Step:
    best, best_rise = place, 0.0
    for trial in place + np.arange(-round(reach), round(reach) + 1):
        rise = _rise(profile, noise, float(trial), width, max(pitch - width, 2.0))
        if rise > best_rise:
            best, best_rise = float(trial), rise
    if best_rise < CONTRAST_SEEN:
        return Step(centre_px=place, width_px=width, is_seen=False)
    return Step(centre_px=best, width_px=width, is_seen=True)


def _rise(profile: FloatArray, noise: FloatArray, centre: float, width: float, gap: float) -> float:
    a, b = round(centre - 0.45 * width), round(centre + 0.45 * width)
    flank = max(2, round(0.6 * gap))
    left, right = profile[max(0, a - flank) : a], profile[b : b + flank]
    if a < 1 or b >= len(profile) or len(left) == 0 or len(right) == 0:
        return 0.0
    own = float(profile[a:b].mean())
    around = (float(left.mean()) + float(right.mean())) / 2
    doubt = float(np.mean(noise[a:b])) * math.sqrt(1 / (b - a) + 1 / (2 * flank))
    return (own - around) / doubt


def step_masks(strip: Strip, steps: tuple[Step, ...], shape: tuple[int, ...]) -> tuple[IndexArray, ...]:
    """Return for each step the flat indices of the pixels in its core; pixels outside of the picture are left out."""
    along, across = strip.along_and_across((shape[0], shape[1]))
    in_height = np.abs(across) <= CORE * strip.half_height_px
    return tuple(
        np.flatnonzero(in_height & (np.abs(along - step.centre_px + 0.5) <= CORE * step.width_px / 2)) for step in steps
    )
