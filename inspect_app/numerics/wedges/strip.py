"""A strip of steps in a picture: its axis and height, and the light along it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, stats

from inspect_app.numerics.between_pixels import bilinear

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

CORE: Final = 0.6  # of width and height of a step that is measured: clear of its blurred border
SHORTEST_PX: Final = 30  # of a strip
ACROSS_REACH: Final = 1.7  # half heights from the axis in which the border of a strip is sought
ALIKE, ALIKE_DEVIATIONS = 0.25, 6.0  # of a step's light, and robust standard deviations, by which its core may vary
LEAST_OF_HEIGHT: Final = 0.2  # of what is taken for a step's height: its core is no shorter
BORDER_PX, BORDER_SHARE = 6.0, 0.2  # over which the light goes from a quarter to three quarters, of both borders


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
        light = bilinear(image, y, x).mean(axis=1)
        begins, ends = _ends_of_step(light, round(CORE * strip.half_height_px))
        if ends <= begins:
            continue
        kept.append(centre)
        middles.append((begins + ends) / 2 - reach)
        halves.append((ends - begins) / 2)
    if not middles:
        return strip
    slope, shift = stats.theilslopes(middles, kept)[:2] if len(middles) > 2 else (0.0, float(np.median(middles)))
    foot_x, foot_y = _position(strip, np.array(0.0), np.array(shift))
    return Strip(
        x=float(foot_x),
        y=float(foot_y),
        angle=strip.angle + math.atan(slope),
        half_height_px=float(np.median(halves)),
        along_from=strip.along_from,
        along_to=strip.along_to,
    )


def _ends_of_step(light: FloatArray, core_px: int) -> tuple[float, float]:
    """Return where a step begins and ends in the light across it, whose middle lies in its core; (0, 0) if nowhere.

    It ends where the light has gone half of the way to what lies farthest out. Where that is a frame around all, or the
    border of the picture, it ends where its own surround begins: at the first border that is as sharp as a step's. With
    the surround taken for the step, five of 16 wedges in a bright surround and a brighter frame (another hand's) came
    out by up to 5.4 stops too small, and one was refused.

    A step as bright as its surround ends nowhere: with the axis of a small wedge laid through the middle of such a one
    too, 1.2 degrees askew, the range came out 1 stop too small.
    """
    middle = len(light) // 2
    inner = light[middle - core_px : middle + core_px + 1]
    core = float(np.median(inner))
    outside = min(float(light[:2].mean()), float(light[-2:].mean()))
    near = inner[core_px // 2 : len(inner) - core_px // 2]
    whole = _run_to(light, core, outside, 0.5)
    alike = max(ALIKE * abs(core), ALIKE_DEVIATIONS * 1.4826 * float(np.median(np.abs(near - np.median(near)))))
    first, last = _run_around(np.abs(light - core) <= alike, middle)
    around = np.concatenate([light[whole[0] : first], light[last : whole[1]]])
    if last - first >= LEAST_OF_HEIGHT * (whole[1] - whole[0]) and around.size > 0:
        beside = float(np.median(around))
        begun, done = (np.ptp(_run_to(light, core, beside, share)) for share in (0.25, 0.75))
        is_sharp = done - begun <= max(BORDER_PX, BORDER_SHARE * (last - first))
        if abs(beside - core) > alike and is_sharp:
            return _half_way(light, core, beside)
    return _half_way(light, core, outside) if abs(core - outside) > alike else (0.0, 0.0)


def _half_way(light: FloatArray, core: float, beside: float) -> tuple[float, float]:
    """Return where the light has gone half of the way from the core to what lies beside it, between two pixels."""
    left = (light - (core + beside) / 2) * (core - beside)
    first, last = _run_to(light, core, beside, 0.5)
    if last <= first:
        return 0.0, 0.0
    before = left[first] / (left[first] - left[first - 1]) if first > 0 else 0.5
    after = left[last - 1] / (left[last - 1] - left[last]) if last < len(left) else 0.5
    return first - float(before), last - 1 + float(after)


def _run_to(light: FloatArray, core: float, beside: float, share: float) -> tuple[int, int]:
    """Return the run around the middle that has not gone a share of the way from the core to what lies beside it."""
    return _run_around((light - core - share * (beside - core)) * (core - beside) > 0, len(light) // 2)


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


def _position(strip: Strip, along: FloatArray, across: FloatArray) -> tuple[FloatArray, FloatArray]:
    cos, sin = math.cos(strip.angle), math.sin(strip.angle)
    return strip.x + along * cos - across * sin, strip.y + along * sin + across * cos


def _run_around(mask: BoolArray, at: int) -> tuple[int, int]:
    """Return where the run of True around an index starts and ends."""
    before, after = np.flatnonzero(~mask[: at + 1]), np.flatnonzero(~mask[at:])
    return int(before[-1]) + 1 if before.size else 0, at + int(after[0]) if after.size else len(mask)
