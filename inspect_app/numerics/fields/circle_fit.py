"""A circle through the places of a border, of which a picture may show an arc only, and how well it is known."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.field_border import ALL_AROUND, RAYS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

STARTS_APART = 3  # points: circles through three are tried from every third
FLATTEST = 1e-3  # of the square of a distance: three places with less between them lie on one line
LEAST_OF_BORDER, OVAL_DEVIATIONS = 0.75, 4.0  # seen, and of its noise, for a field to be an ellipse
WAVES_PX, WAVES_ALONG = 0.07, 0.5  # by which a border is smoothly off a circle, and over what angle (own draws)
GRAIN_PX = 3.0  # along a border, over which it is off alike
ENDS = 0.05  # of an arc, by which rays are sent beyond either end of what was seen


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCircle:
    """A circle: its middle and radius in pixels, and the robust standard deviation of the points about it.

    `points` of shape (n, 2) are those that were used.
    """

    x: float
    y: float
    radius_px: float
    spread_px: float
    points: FloatArray

    @property
    def radius_u_px(self) -> float:
        """Return the standard uncertainty of the radius."""
        angles = np.arctan2(self.points[:, 1] - self.y, self.points[:, 0] - self.x)
        return _radius_u(angles, self.radius_px, self.spread_px)


def fit_circle(points: FloatArray) -> FittedCircle:
    """Fit a circle to a border's points, shape (n, 2), in order of their angles.

    By least squares, without points farther off than three robust deviations. It begins with those that agree best,
    for of a field that the picture cuts a third may be falls in its texture: on rays whose border is cut off.

    Notes
    -----
    An arc tells the radius far less well than a circle does, for its middle may lie farther off as well. Taken for the
    spread over the root of the number, value ± 2 u held the radius of 10 % of 60 fields that show two dark corners, and
    17 % of 60 that show three; with waves along the border and the arc's own leverage it holds 100 and 97 % of them, 97
    % of 60 whole ones, and 94 % of 36 that one corner tells (z 0.59, 0.84, 0.93 and 1.10; own draws of 300 px). Waves
    of 0.1 px, which allowed for what `field_border.border_of` no longer leaves, had z 0.53 and 0.59 in the first two.
    """
    kept = points[_agreeing(points)]
    for _ in range(4):
        x, y = kept[:, 0], kept[:, 1]
        mean_x, mean_y = x.mean(), y.mean()
        design = np.column_stack([2 * (x - mean_x), 2 * (y - mean_y), np.ones(len(x))])
        solution = np.linalg.lstsq(design, (x - mean_x) ** 2 + (y - mean_y) ** 2, rcond=None)[0]
        centre_x, centre_y = mean_x + solution[0], mean_y + solution[1]
        radius = math.sqrt(max(float(solution[2] + solution[0] ** 2 + solution[1] ** 2), 0.0))
        off = np.hypot(points[:, 0] - centre_x, points[:, 1] - centre_y) - radius
        robust = 1.4826 * float(np.median(np.abs(off - np.median(off)))) + 1e-3
        kept = points[np.abs(off - np.median(off)) <= 3 * robust]
    return FittedCircle(
        x=float(centre_x),
        y=float(centre_y),
        radius_px=radius,
        spread_px=robust,
        points=kept,
    )


def seen_part(points: FloatArray) -> FloatArray:
    """Return the angles of 360 rays to that part of a border in which its points about the middle lie.

    All around, unless more than a twelfth of it shows none: an arc is then seen by as many rays as a circle.
    """
    angles = np.sort(np.arctan2(points[:, 1], points[:, 0]))
    gaps = np.diff(angles, append=angles[0] + 2 * math.pi)
    widest = int(gaps.argmax())
    if gaps[widest] < 2 * math.pi / 12:
        return ALL_AROUND
    begins = angles[(widest + 1) % len(angles)]
    beyond = ENDS * (2 * math.pi - gaps[widest])
    return np.asarray(
        np.linspace(begins - beyond, begins + 2 * math.pi - gaps[widest] + beyond, RAYS), dtype=np.float64
    )


def _radius_u(angles: FloatArray, radius_px: float, spread_px: float) -> float:
    """Return the standard uncertainty of the radius of a circle through points at these angles.

    Each point is off by itself, and all are off together by waves along the border: light that falls off unevenly,
    texture, a field that is no circle.
    """
    terms = np.stack([np.ones_like(angles), np.cos(angles), np.sin(angles)], axis=1)
    apart = np.abs((angles[:, None] - angles + math.pi) % (2 * math.pi) - math.pi)
    alike = np.exp(-0.5 * (apart * radius_px / GRAIN_PX) ** 2)
    together = WAVES_PX**2 * np.exp(-0.5 * (apart / WAVES_ALONG) ** 2) + spread_px**2 * alike
    gain = np.linalg.pinv(terms)[0]
    return math.sqrt(float(gain @ together @ gain))


def oval_of(points: FloatArray, radius: float) -> tuple[float, float]:
    """Return by how much the border of a field is an ellipse, from its points about the middle; 0 where it is none.

    By least squares, points farther off than three robust deviations left out. It takes three quarters of the border,
    four standard deviations and a pixel to be one.
    """
    angles, off = np.arctan2(points[:, 1], points[:, 0]), np.hypot(points[:, 0], points[:, 1]) - radius
    terms = np.stack([np.ones_like(off), *(wave(k * angles) for k in (1, 2) for wave in (np.cos, np.sin))], axis=1)
    kept = np.ones(len(off), dtype=bool)
    for _ in range(4):
        solution = np.linalg.lstsq(terms[kept], off[kept], rcond=None)[0]
        rest = off - terms @ solution
        deviation = 1.4826 * float(np.median(np.abs(rest))) + 1e-3
        kept = np.abs(rest) <= 3 * deviation
    c, s = float(solution[3]), float(solution[4])
    is_seen = np.unique((angles[kept] * RAYS / (2 * math.pi)).astype(np.intp)).size >= LEAST_OF_BORDER * RAYS
    clear = max(1.0, OVAL_DEVIATIONS * deviation * math.sqrt(2 / max(int(kept.sum()), 1)))
    return (c, s) if is_seen and math.hypot(c, s) > clear else (0.0, 0.0)


def off_ellipse(points: FloatArray, radius: float, oval_px: tuple[float, float]) -> float:
    """Return the robust standard deviation of points about the middle, off an ellipse."""
    angles = np.arctan2(points[:, 1], points[:, 0])
    along = radius + oval_px[0] * np.cos(2 * angles) + oval_px[1] * np.sin(2 * angles)
    return 1.4826 * float(np.median(np.abs(np.hypot(points[:, 0], points[:, 1]) - along)))


def _agreeing(points: FloatArray) -> npt.NDArray[np.bool_]:
    """Say which points, in order of their angles, lie near that circle through three of them which suits most.

    Least median of squares (Rousseeuw, J. Am. Stat. Assoc. 79, 1984; from memory) over threes that lie a third, and a
    sixth, of the points apart.
    """
    count = len(points)
    starts = np.arange(0, count, STARTS_APART)[:, None]
    threes = np.concatenate([starts + count // apart * np.arange(3) for apart in (3, 6)]) % count
    first, second, third = points[threes].transpose(1, 0, 2)
    # The middle, about the first of three, by the rule of Cramer; three on one line have none.
    p, q = second - first, third - first
    p_square, q_square = (p**2).sum(axis=1), (q**2).sum(axis=1)
    twice_area = 2 * (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])
    has_middle = np.abs(twice_area) > FLATTEST * p_square
    if not has_middle.any():
        return np.ones(count, dtype=bool)
    first, p, q, p_square, q_square, twice_area = (
        values[has_middle] for values in (first, p, q, p_square, q_square, twice_area)
    )
    aside = np.stack([q[:, 1] * p_square - p[:, 1] * q_square, p[:, 0] * q_square - q[:, 0] * p_square], axis=1)
    aside /= twice_area[:, None]
    x, y = ((first + aside)[:, i, None] - points[:, i] for i in (0, 1))
    off = np.abs(np.sqrt(x * x + y * y) - np.hypot(*aside.T)[:, None])  # a third of the time of hypot
    medians = np.median(off, axis=1)
    best = int(medians.argmin())
    agrees: npt.NDArray[np.bool_] = off[best] <= 3 * (1.4826 * medians[best] + 1e-3)
    return agrees
