"""From light to the codes of a file: shot noise, read noise, fixed pattern, hot and dead pixels, rounding, clipping."""

from typing import Final

import numpy as np
import numpy.typing as npt

from demo_fleet.simulator.truth import Sensor

FloatArray = npt.NDArray[np.float64]
CodeArray = npt.NDArray[np.uint16]

HIGHEST_CODE: Final = 65535
HOT_E, DEAD_SHARE = (400.0, 2500.0), 0.1


def odd_pixels(sensor: Sensor, shape: tuple[int, int], random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Return the electrons that hot pixels add and the gain of every pixel, both of shape (rows, cols)."""
    rows, cols = shape
    gain = 1 + sensor.fixed_pattern_percent / 100 * random.standard_normal(shape)
    glow = np.zeros(shape)
    for row, col in _hot_places(sensor, shape, random):
        glow[row, col] = random.uniform(*HOT_E)
    for place in _scattered(sensor.dead_pixels, rows, cols, random):
        gain[place] = DEAD_SHARE
    return glow, gain


def _hot_places(sensor: Sensor, shape: tuple[int, int], random: np.random.Generator) -> list[tuple[int, int]]:
    rows, cols = shape
    if not sensor.hot_cluster:
        return _scattered(sensor.hot_pixels, rows, cols, random)
    side = int(np.ceil(np.sqrt(sensor.hot_pixels)))
    top, left = rows // 3, cols // 3
    return [(top + place // side, left + place % side) for place in range(sensor.hot_pixels)]


def _scattered(count: int, rows: int, cols: int, random: np.random.Generator) -> list[tuple[int, int]]:
    """Return places that lie at least 10 pixels apart and off the border: one a cell of a coarse grid."""
    down, across = (rows - 40) // 20, (cols - 40) // 20
    cells = random.choice(down * across, size=count, replace=False)
    return [
        (
            20 + 20 * int(cell // across) + int(random.integers(10)),
            20 + 20 * int(cell % across) + int(random.integers(10)),
        )
        for cell in cells
    ]


def expose(
    mean_e: FloatArray,
    sensor: Sensor,
    random: np.random.Generator,
    *,
    frames: int = 1,
    glow_e: FloatArray | float = 0.0,
    gain: FloatArray | float = 1.0,
    pedestal_e: float = 0.0,
) -> CodeArray:
    """Return the codes of one picture, or of the mean of several frames, spread over 16 bits.

    Electrons come as a normal approximation of the Poisson law above 50 of them in sum over the frames.
    """
    signal = np.maximum(mean_e * gain + glow_e, 0)
    total = signal * frames
    counted = np.where(
        total > 50, total + np.sqrt(total) * random.standard_normal(total.shape), random.poisson(np.minimum(total, 50))
    )
    read = sensor.read_noise_e / np.sqrt(frames) * random.standard_normal(total.shape)
    electrons = np.minimum(counted / frames, sensor.full_well_e) + read + pedestal_e
    converted = np.clip(np.rint(electrons / sensor.step_e), 0, 2**sensor.bits - 1)
    spread: CodeArray = np.rint(converted * (HIGHEST_CODE / (2**sensor.bits - 1))).astype(np.uint16)
    return spread
