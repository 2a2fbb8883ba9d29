"""The shading of a bright field: peak to valley of its smooth part."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.calmed_surface import calmed
from inspect_app.numerics.field_circle import BrightField
from inspect_app.numerics.smooth_field import SmoothField

FloatArray = npt.NDArray[np.float64]

SHADING_SHARE = 0.9  # of the radius
MEAN_PLACES, EXTREME_PLACES = 257, 65  # across the picture and down
NOISE_SWING = 3.0  # standard uncertainties of the surface, from peak to valley where it is noise (own trials)
BORDER_RAYS = 3600  # to the border, where extremes lie: in the corner of a frame 1° is up to 0.5 % of the light
ORDER_SHARE = 0.4  # of what the terms above order 4 change (own trials: light that falls off with r³ and r⁵)
LEAST_ORDER_U = 1e-4  # of the mean


@dataclass(frozen=True, slots=True)
class Shading:
    """Shading as a ratio, its standard uncertainties, and the mean level within 90 % of the field.

    `scatter_u` is that by the noise of the surface, `order_u` that by the number of its terms.
    """

    ratio: float
    scatter_u: float
    order_u: float
    level: float


def shading_of(smooth: SmoothField, field: BrightField, factor: int) -> Shading | None:
    """Return peak to valley of the smooth part within 90 % of the field over its mean, its uncertainties, and the mean.

    None where the smooth part falls to nothing there: light it is not, then. What noise has left in the surface after
    each of its orders was shrunk (`numerics.calmed_surface`) has a peak and a valley too; its mean square is taken off.
    """
    reach_px, at_x, at_y = SHADING_SHARE * field.radius_px / factor, field.x / factor, field.y / factor
    level = _mean_level(smooth, at_x, at_y, reach_px)
    across, down = (_middles(length, EXTREME_PLACES) for length in (smooth.cols, smooth.rows))
    rows, cols = np.nonzero(np.add.outer((down - at_y) ** 2, (across - at_x) ** 2) <= reach_px**2)
    # What lies beyond the frame is moved to its border: still within the circle, and where extremes may be.
    turn = np.arange(BORDER_RAYS) * (2 * math.pi / BORDER_RAYS)
    border_x = np.clip(at_x + reach_px * np.cos(turn), 0, smooth.cols - 1)
    border_y = np.clip(at_y + reach_px * np.sin(turn), 0, smooth.rows - 1)
    x, y = np.concatenate([across[cols], border_x]), np.concatenate([down[rows], border_y])
    surface = calmed(smooth, x, y, middle=(at_x, at_y), reach_px=reach_px, area=len(rows))
    light = surface.light
    peak, valley = int(light.argmax()), int(light.argmin())
    if not min(light[valley], level) > 0:
        return None
    seen = float(light[peak] - light[valley])
    noise = surface.departure_u()
    swing = math.sqrt(max(seen**2 - (NOISE_SWING * noise) ** 2, 0.0))
    scatter = math.hypot(surface.difference_u(peak, valley), (seen - swing) / 2)
    return Shading(
        ratio=swing / level,
        scatter_u=(scatter if swing > 0 else max(scatter, noise)) / level,  # noise hides as much as it makes
        order_u=max(ORDER_SHARE * abs(seen - float(np.ptp(surface.light_of_low_order))) / level, LEAST_ORDER_U),
        level=level,
    )


def _mean_level(smooth: SmoothField, at_x: float, at_y: float, reach_px: float) -> float:
    across, down = (_middles(length, MEAN_PLACES) for length in (smooth.cols, smooth.rows))
    within = np.add.outer((down - at_y) ** 2, (across - at_x) ** 2) <= reach_px**2
    return float(smooth.over_grid(across, down)[within].mean())


def _middles(length_px: int, places: int) -> FloatArray:
    """Return the middles of equal parts of a length in pixels, which begins half a pixel before the first."""
    return (np.arange(places) + 0.5) * length_px / places - 0.5
