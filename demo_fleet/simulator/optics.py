"""Pictures of targets through a blur: the tilted edge, and the grid of dots."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from demo_fleet.simulator.truth import Blur

FloatArray = npt.NDArray[np.float64]

TILT_DEG: Final = 5.0  # ISO 12233 charts tilt their edges so
DARK, BRIGHT = 0.15, 0.75  # reflectances: 5:1
DOT_PITCH_PX: Final = 40.0
DOT_RADIUS_PX: Final = 6.0

# Three Gauss-Legendre nodes across a pixel integrate a blurred edge to better than 1e-4 for blurs from 0.5 pixels on.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)


def tilted_edge(rows: int, cols: int, blur: Blur, axis: str, *, offset_px: float = 0.0) -> FloatArray:
    """Return an edge through the middle of a picture, tilted by 5 degrees, as reflectance of shape (rows, cols).

    Resolution along an axis is read across an edge whose normal is near that axis. The edge is an error function along
    its normal, integrated over square pixels.
    """
    sigma_px, tilt = edge_sigma_px(blur, axis), math.radians(TILT_DEG)
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    across, along = (x - (cols - 1) / 2, y - (rows - 1) / 2)
    if axis == "vertical":
        across, along = along, across
    bright_share = np.zeros((rows, cols))
    for node_across, weight_across in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
        for node_along, weight_along in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
            distance = (across - offset_px + node_across) * math.cos(tilt) + (along + node_along) * math.sin(tilt)
            bright_share += weight_across * weight_along * special.ndtr(distance / sigma_px)
    return DARK + (BRIGHT - DARK) * bright_share


def edge_sigma_px(blur: Blur, axis: str) -> float:
    """Return the blur along the normal of the edge for an axis."""
    tilt = math.radians(TILT_DEG)
    along, other = blur.sigma_px(axis), blur.sigma_px("vertical" if axis == "horizontal" else "horizontal")
    return math.hypot(along * math.cos(tilt), other * math.sin(tilt))


def edge_frequency_cy_px(blur: Blur, axis: str, level: float) -> float:
    """Return where the response across the edge falls to a level, in cycles per pixel along its normal.

    The response is that of the Gaussian blur times that of the square pixel seen at the tilt (algebra).
    """
    sigma_px, tilt = edge_sigma_px(blur, axis), math.radians(TILT_DEG)

    def above(frequency: float) -> float:
        blurred = math.exp(-2 * (math.pi * sigma_px * frequency) ** 2)
        return float(blurred * np.sinc(frequency * math.cos(tilt)) * np.sinc(frequency * math.sin(tilt)) - level)

    return float(optimize.brentq(above, 1e-6, 1.0))


def dot_grid(rows: int, cols: int, distortion_percent: float, blur: Blur) -> FloatArray:
    """Return a square grid of dark dots on a bright ground, moved radially by a cubic law.

    A dot at the radius r moves to r (1 + d (r / R)²), where R reaches the corner of the picture and d is the distortion
    there, negative for a barrel.
    """
    centre_x, centre_y = (cols - 1) / 2, (rows - 1) / 2
    corner_px = math.hypot(centre_x, centre_y)
    picture = np.full((rows, cols), BRIGHT)
    sigma_px = max(blur.sigma_x_px, blur.sigma_y_px)
    reach_px = math.ceil(DOT_RADIUS_PX + 4 * sigma_px)
    for x, y in _dot_places(cols, rows):
        stretch = 1 + distortion_percent / 100 * ((x**2 + y**2) / corner_px**2)
        at_x, at_y = centre_x + x * stretch, centre_y + y * stretch
        if not (reach_px < at_x < cols - 1 - reach_px and reach_px < at_y < rows - 1 - reach_px):
            continue
        left, top = int(at_x) - reach_px, int(at_y) - reach_px
        cut = np.s_[top : top + 2 * reach_px + 2, left : left + 2 * reach_px + 2]
        yy, xx = np.mgrid[cut]
        radius = np.hypot(xx - at_x, yy - at_y)
        picture[cut] -= (BRIGHT - DARK) * special.ndtr((DOT_RADIUS_PX - radius) / sigma_px)
    return picture


def outermost_dot_distortion_percent(rows: int, cols: int, distortion_percent: float) -> float:
    """Return the distortion of the dot that lies farthest out and still whole inside the picture."""
    centre_x, centre_y = (cols - 1) / 2, (rows - 1) / 2
    inside = [
        math.hypot(x, y)
        for x, y in _dot_places(cols, rows)
        if abs(x) < centre_x - DOT_PITCH_PX / 2 and abs(y) < centre_y - DOT_PITCH_PX / 2
    ]
    return distortion_percent * (max(inside) / math.hypot(centre_x, centre_y)) ** 2


def _dot_places(cols: int, rows: int) -> list[tuple[float, float]]:
    across, down = int(cols / 2 / DOT_PITCH_PX) + 1, int(rows / 2 / DOT_PITCH_PX) + 1
    return [
        (column * DOT_PITCH_PX, row * DOT_PITCH_PX)
        for row in range(-down, down + 1)
        for column in range(-across, across + 1)
    ]
