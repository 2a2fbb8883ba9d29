"""Where a strip of steps may lie in a picture: its axis and height, and the light along it."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

CORE: Final = 0.6  # of width and height of a step that is measured: clear of its blurred border
COARSE_PIXELS: Final = 300_000  # the strip is sought in a picture reduced to about so many
LEVELS_STOP: Final = (0.6, 2.0, 3.5, 5.0, 6.5)  # below the brightest, at which bright parts are cut out
SHORTEST_PX: Final = 30  # of a strip
SMALLEST_AREA_PX: Final = 100
FEWEST_POINTS: Final = 12
POINTS: Final = 1200  # of a bright part, by which its direction is found
OTHER_SHARE: Final = 0.1  # by which steps differ from a bright surround
ACROSS_REACH: Final = 1.7  # half heights from the axis in which the border of a strip is sought
PARTS: Final = 2  # the largest at each level
FULL_SHARE: Final = 0.5  # of its rectangle that a strip fills
CLOSINGS_PX: Final = ((0, 0), (5, 0), (0, 5), (13, 0), (0, 13))  # along x and y, over the gaps between steps


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A strip of steps: a point on its axis, the axis' direction, half of its height, all in pixels and radians.

    `along_from` and `along_to` bound the part that was seen.
    """

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


def candidate_strips(image: FloatArray) -> Iterator[Strip]:
    """Yield strips that differ from what surrounds them, first those that are long and found at many levels.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        Linear in exposure.

    Notes
    -----
    The picture is cut by thresholds, and by how far it departs from the light at its border. What is left, closed over
    gaps along x or y, is a candidate if it fills a rectangle by half. Its axis is the principal axis of its pixels,
    turned until the strip is narrowest; a compact one is tried along both axes. Whether steps lie along it is for the
    caller to see.
    """
    factor = max(1, math.floor(math.sqrt(image.size / COARSE_PIXELS)))
    coarse = _reduced(image, factor)
    found: list[tuple[float, Strip]] = []
    for mask in _bright_masks(coarse):
        for along_x, along_y in CLOSINGS_PX:
            closed = _closed(mask, along_x, along_y)
            for part in _large_parts(closed, SMALLEST_AREA_PX / factor**2):
                for strip in _strips_around(mask, part):
                    _count(found, strip)
    for _, strip in sorted(found, key=lambda entry: -entry[0] * (entry[1].along_to - entry[1].along_from)):
        yield _enlarged(strip, factor)


def straightened(image: FloatArray, strip: Strip, centres_px: Sequence[float], width_px: float) -> Strip:
    """Return a strip with its axis laid through the middles of steps, and as high as they are.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    strip : Strip
    centres_px : sequence of float
        Of steps that stand out well, along the axis.
    width_px : float
        Of a step.
    """
    reach = math.ceil(ACROSS_REACH * strip.half_height_px)
    across = np.arange(-reach, reach + 1.0)
    kept, middles, halves = [], [], []
    for centre in centres_px:
        along = centre + np.arange(-CORE * width_px / 2, CORE * width_px / 2 + 0.5)
        x, y = _position(strip, along[None, :], across[:, None])
        light = ndimage.map_coordinates(image, [y, x], order=1, mode="nearest").mean(axis=1)
        core = float(np.median(light[np.abs(across) <= CORE * strip.half_height_px]))
        beside = min(float(light[:2].mean()), float(light[-2:].mean()))
        run = _run_around((light - (core + beside) / 2) * (core - beside) > 0, reach)
        if run[1] <= run[0]:
            continue
        kept.append(centre)
        middles.append(across[run[0] : run[1]].mean())
        halves.append((run[1] - run[0]) / 2)
    if not middles:
        return strip
    slope, shift = np.polyfit(kept, middles, 1) if len(middles) > 2 else (0.0, float(np.median(middles)))
    foot_x, foot_y = _position(strip, np.array(0.0), np.array(shift))
    return Strip(
        x=float(foot_x),
        y=float(foot_y),
        angle=strip.angle + math.atan(slope),
        half_height_px=float(np.median(halves)),
        along_from=strip.along_from,
        along_to=strip.along_to,
    )


def _position(strip: Strip, along: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    cos, sin = math.cos(strip.angle), math.sin(strip.angle)
    return strip.x + along * cos - across * sin, strip.y + along * sin + across * cos


def _run_around(mask: BoolArray, at: int) -> tuple[int, int]:
    """Return where the run of True around an index starts and ends."""
    before, after = np.flatnonzero(~mask[: at + 1]), np.flatnonzero(~mask[at:])
    return int(before[-1]) + 1 if before.size else 0, at + int(after[0]) if after.size else len(mask)


def _reduced(image: FloatArray, factor: int) -> FloatArray:
    rows, cols = image.shape[0] // factor, image.shape[1] // factor
    blocks = image[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float64)


def _bright_masks(image: FloatArray) -> Iterator[BoolArray]:
    smooth = ndimage.uniform_filter(image, 3)
    dark, top = float(np.percentile(smooth, 5)), float(smooth.max())
    noise = float(np.median(np.abs(np.diff(image, axis=1)))) / 0.954 / 3
    for stops in LEVELS_STOP:
        level = dark + (top - dark) * 2.0**-stops
        if level <= dark + 6 * noise:
            break
        yield smooth > level
    surround = float(np.median(np.concatenate([smooth[0], smooth[-1], smooth[:, 0], smooth[:, -1]])))
    if surround > dark + 6 * noise:
        yield np.abs(smooth - surround) > max(6 * noise, OTHER_SHARE * surround)


def _closed(mask: BoolArray, along_x: int, along_y: int) -> BoolArray:
    closed = mask.astype(np.uint8)
    for size, axis in ((along_x, 1), (along_y, 0)):
        if size:
            grown = ndimage.maximum_filter1d(closed, 2 * size + 1, axis=axis)
            closed = ndimage.minimum_filter1d(grown, 2 * size + 1, axis=axis)
    return closed.astype(bool)


@dataclass(frozen=True, slots=True)
class _Part:
    name: int
    window: tuple[slice, slice]
    names: npt.NDArray[np.integer[Any]]


def _large_parts(closed: BoolArray, smallest: float) -> Iterator[_Part]:
    names, count = ndimage.label(closed, structure=np.ones((3, 3)))
    if count == 0:
        return
    sizes = np.bincount(names.ravel())
    sizes[0] = 0
    windows = ndimage.find_objects(names)
    for name in np.argsort(sizes)[::-1][:PARTS]:
        if sizes[name] >= smallest:
            yield _Part(int(name), windows[name - 1], names)


def _strips_around(mask: BoolArray, part: _Part) -> Iterator[Strip]:
    inside = part.names[part.window] == part.name
    rows, cols = np.nonzero(inside & mask[part.window])
    if len(rows) < FEWEST_POINTS:
        return
    chosen = np.linspace(0, len(rows) - 1, min(POINTS, len(rows))).astype(np.intp)
    x = np.asarray(cols[chosen] + part.window[1].start, dtype=np.float64)
    y = np.asarray(rows[chosen] + part.window[0].start, dtype=np.float64)
    spread, axes = np.linalg.eigh(np.cov(np.stack([x, y])))
    angle = math.atan2(float(axes[1, 1]), float(axes[0, 1]))
    compact = spread[1] < 6 * spread[0]
    for first_guess in (angle, angle + math.pi / 2) if compact else (angle,):
        strip = _fitted(x, y, first_guess)
        area = 2 * strip.half_height_px * (strip.along_to - strip.along_from + 1)
        if np.count_nonzero(inside) > FULL_SHARE * area and strip.along_to - strip.along_from > strip.half_height_px:
            yield strip


def _fitted(x: FloatArray, y: FloatArray, angle: float) -> Strip:
    middle_x, middle_y = float(x.mean()), float(y.mean())
    angle = _narrowest(x - middle_x, y - middle_y, angle)
    along = (x - middle_x) * math.cos(angle) + (y - middle_y) * math.sin(angle)
    across = -(x - middle_x) * math.sin(angle) + (y - middle_y) * math.cos(angle)
    low, high = _half_extent(across)
    shift = (low + high) / 2
    return Strip(
        x=middle_x - shift * math.sin(angle),
        y=middle_y + shift * math.cos(angle),
        angle=angle,
        half_height_px=(high - low) / 2,
        along_from=float(along.min()),
        along_to=float(along.max()),
    )


def _narrowest(x: FloatArray, y: FloatArray, angle: float) -> float:
    """Return the angle near a first guess for which the pixels spread least across the axis."""
    for reach in (math.radians(6), math.radians(1.5), math.radians(0.4)):
        trials = angle + np.linspace(-reach, reach, 13)
        across = np.outer(np.cos(trials), y) - np.outer(np.sin(trials), x)
        low, high = np.percentile(across, (0.5, 99.5), axis=1)
        angle = float(trials[int(np.argmin(high - low))])
    return angle


def _half_extent(across: FloatArray) -> tuple[float, float]:
    counts, edges = np.histogram(across, bins=max(8, math.ceil(np.ptp(across))))
    kept = np.flatnonzero(counts > 0.5 * np.percentile(counts, 80))
    return float(edges[kept[0]]), float(edges[kept[-1] + 1])


def _count(found: list[tuple[float, Strip]], strip: Strip) -> None:
    """Add a strip, or count one more voice for a strip alike."""
    for k, (voices, known) in enumerate(found):
        if _are_alike(known, strip):
            longer = max(known, strip, key=lambda s: s.along_to - s.along_from)
            found[k] = (voices + 1, longer)
            return
    found.append((1.0, strip))


def _are_alike(one: Strip, other: Strip) -> bool:
    turn = abs((one.angle - other.angle + math.pi / 2) % math.pi - math.pi / 2)
    aside = abs(-(other.x - one.x) * math.sin(one.angle) + (other.y - one.y) * math.cos(one.angle))
    is_as_high = abs(one.half_height_px - other.half_height_px) < 0.1 * one.half_height_px + 1
    return turn < math.radians(1.5) and aside < 0.1 * one.half_height_px + 1 and is_as_high


def _enlarged(strip: Strip, factor: int) -> Strip:
    """Return a strip of a reduced picture in pixels of the whole one."""
    shift = (factor - 1) / 2
    return Strip(
        x=strip.x * factor + shift,
        y=strip.y * factor + shift,
        angle=strip.angle,
        half_height_px=strip.half_height_px * factor,
        along_from=strip.along_from * factor,
        along_to=strip.along_to * factor,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Light along a strip: mean across its core and that mean's standard deviation, pixel by pixel from `start_px`."""

    mean: FloatArray
    noise: FloatArray
    start_px: float


def profile_along(image: FloatArray, strip: Strip, beyond: float) -> Profile | None:
    """Return the light along a strip, as far past the ends of its seen part as `beyond` times its length."""
    half = CORE * strip.half_height_px
    across = np.arange(-math.floor(half), math.floor(half) + 1.0)
    more = min(beyond * (strip.along_to - strip.along_from), math.hypot(*image.shape))
    along = np.arange(math.floor(strip.along_from - more), math.ceil(strip.along_to + more) + 1.0)
    cos, sin = math.cos(strip.angle), math.sin(strip.angle)
    x, y = strip.x + along * cos, strip.y + along * sin
    is_inside = (x >= 0) & (x <= image.shape[1] - 1) & (y >= 0) & (y <= image.shape[0] - 1)
    along = along[is_inside]
    if len(along) < SHORTEST_PX:
        return None
    x, y = _position(strip, along[None, :], across[:, None])
    cols, rows = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    kept = (cols >= 0) & (cols < image.shape[1]) & (rows >= 0) & (rows < image.shape[0])
    values = image[np.clip(rows, 0, image.shape[0] - 1), np.clip(cols, 0, image.shape[1] - 1)]
    count = np.maximum(kept.sum(axis=0), 1)
    mean = (values * kept).sum(axis=0) / count
    square = (values**2 * kept).sum(axis=0) / count
    deviation = np.sqrt(np.maximum(square - mean**2, 0) / np.maximum(count - 1, 1))
    smooth = ndimage.median_filter(deviation, 9)
    return Profile(mean=mean, noise=np.maximum(smooth, 1e-9), start_px=float(along[0]))
