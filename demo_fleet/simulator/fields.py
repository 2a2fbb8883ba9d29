"""Bright even fields: the round view of a tube with its fibres and grain, and the full frame of a sensor."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from demo_fleet.simulator.truth import FieldOfView, Spot

FloatArray = npt.NDArray[np.float64]

ROUND_SIZE_PX: Final = 720
ROUND_RADIUS_PX: Final = 340.0
BORDER_SIGMA_PX: Final = 1.5
SPOT_SOFTNESS: Final = 0.18  # standard deviation of a spot's border over its radius
VEIL: Final = 0.004  # scattered light outside the round field
FIBRE_PERIOD_PX: Final = 3.7
GRAIN: Final = 0.02  # scintillation of the screen, as a share of the local level
GRAIN_SIGMA_PX: Final = 1.0


def round_field(view: FieldOfView, random: np.random.Generator) -> FloatArray:
    """Return the view through an eyepiece, 1 in the centre, black around: shape (720, 720)."""
    centre = (ROUND_SIZE_PX - 1) / 2
    y, x = np.mgrid[:ROUND_SIZE_PX, :ROUND_SIZE_PX].astype(np.float64)
    radius = np.hypot(x - centre, y - centre)
    picture = 1 - view.vignetting * (radius / ROUND_RADIUS_PX) ** 2
    picture = picture * (1 + _fibres(x, y, view.fibre, random))
    picture = picture * _spots(view.spots, x - centre, y - centre, 2 * ROUND_RADIUS_PX / view.diameter_mm)
    picture = picture * special.ndtr((ROUND_RADIUS_PX - radius) / BORDER_SIGMA_PX)
    grain = ndimage.gaussian_filter(random.standard_normal(picture.shape), GRAIN_SIGMA_PX)
    return np.asarray(picture * (1 + GRAIN * grain / grain.std()) + VEIL)


def frame_field(view: FieldOfView, rows: int, cols: int) -> FloatArray:
    """Return the full frame of an evenly lit sensor, 1 in the centre: shape (rows, cols)."""
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    x -= (cols - 1) / 2
    y -= (rows - 1) / 2
    diagonal_px = math.hypot(rows, cols)
    picture = 1 - view.vignetting * (x**2 + y**2) / (diagonal_px / 2) ** 2
    return np.asarray(picture * _spots(view.spots, x, y, diagonal_px / view.diameter_mm))


def _fibres(x: FloatArray, y: FloatArray, depth: float, random: np.random.Generator) -> FloatArray:
    """Return the honeycomb of a fibre plate: three plane waves at 60 degrees."""
    texture = np.zeros(x.shape)
    turn = random.uniform(0, math.pi / 3)
    for third in range(3):
        angle, phase = turn + third * math.pi / 3, random.uniform(0, 2 * math.pi)
        texture += np.cos(2 * math.pi * (x * math.cos(angle) + y * math.sin(angle)) / FIBRE_PERIOD_PX + phase)
    return np.asarray(depth * texture / texture.std())


def _spots(spots: tuple[Spot, ...], x: FloatArray, y: FloatArray, px_per_mm: float) -> FloatArray:
    picture = np.ones(x.shape)
    for spot in spots:
        radius_px = spot.diameter_mm * px_per_mm / 2
        away = np.hypot(x - spot.x_mm * px_per_mm, y - spot.y_mm * px_per_mm)
        depth = spot.contrast * special.erfc((away - radius_px) / (SPOT_SOFTNESS * radius_px * math.sqrt(2))) / 2
        picture = picture * (1 + depth if spot.polarity == "bright" else 1 - depth)
    return picture
