"""The step wedge: one patch a step, each half as bright as the one before."""

from typing import Final

import numpy as np
import numpy.typing as npt

from demo_fleet.simulator.truth import Sensor

STEPS: Final = 21
STOPS_PER_STEP: Final = 1.0
PATCH_PX: Final = (48, 28)  # rows, columns
GAP_PX: Final = 4
MARGIN_PX: Final = 36
OVEREXPOSED_STOPS: Final = 1.5  # the brightest patches clip, as they must to show where clipping begins


def step_wedge(sensor: Sensor) -> npt.NDArray[np.float64]:
    """Return electrons of a strip of 21 patches on black, brightest at the left.

    The first patch lies above the full well, so that the place where the response clips is inside the strip.
    """
    patch_rows, patch_cols = PATCH_PX
    rows = patch_rows + 2 * MARGIN_PX
    cols = STEPS * patch_cols + (STEPS - 1) * GAP_PX + 2 * MARGIN_PX
    picture = np.zeros((rows, cols))
    for step in range(STEPS):
        left = MARGIN_PX + step * (patch_cols + GAP_PX)
        level_e = sensor.full_well_e * 2.0 ** (OVEREXPOSED_STOPS - step * STOPS_PER_STEP)
        picture[MARGIN_PX : MARGIN_PX + patch_rows, left : left + patch_cols] = level_e
    return picture
