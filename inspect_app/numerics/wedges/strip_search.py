"""Where a strip of steps may lie in a picture: bright parts that fill a rectangle, at several thresholds."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.wedges.strip import Strip

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

COARSE_PIXELS: Final = 300_000  # the strip is sought in a picture reduced to about so many
LEVELS_STOP: Final = (0.6, 2.0, 3.5, 5.0, 6.5)  # below the brightest, at which bright parts are cut out
SMALLEST_AREA_PX: Final = 100
FEWEST_POINTS: Final = 12
POINTS: Final = 1200  # of a bright part, by which its direction is found
OTHER_SHARE: Final = 0.1  # by which steps differ from a bright surround
PARTS: Final = 2  # the largest at each level
FULL_SHARE: Final = 0.5  # of its rectangle that a strip fills
CLOSINGS_PX: Final = ((0, 0), (5, 0), (0, 5), (13, 0), (0, 13))  # along x and y, over the gaps between steps


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


def _reduced(image: FloatArray, factor: int) -> FloatArray:
    rows, cols = image.shape[0] // factor, image.shape[1] // factor
    blocks = image[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float64)


def _bright_masks(image: FloatArray) -> Iterator[BoolArray]:
    smooth = ndimage.uniform_filter(image, 3)
    dark, top = float(np.percentile(smooth, 5)), float(smooth.max())
    steps = np.diff(image, axis=1 if image.shape[1] > 1 else 0)
    noise = float(np.median(np.abs(steps))) / 0.954 / 3 if steps.size else 0.0
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
