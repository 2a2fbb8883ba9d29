"""The readings of a wedge's steps from the pixels of all frames, and the level at which these saturate."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from inspect_app.capture import FloatArray, Still
from inspect_app.numerics.wedges.step_reading import StepReading, read_step
from inspect_app.numerics.wedges.wedge_place import IndexArray

OTHER_LIGHT: Final = 4.5  # standard uncertainties by which a step is lighter or noisier than a brighter one
MAY_SATURATE: Final = 2.0**-6  # of the brightest step: from there on a full well may have cut the noise off
PILED_SHARE: Final = 0.05  # of a step's pixels at one level, and twice as many as at the next: they are saturated there


def read_steps(
    stills: Sequence[Still], masks: Sequence[IndexArray], ratio_stop: float
) -> tuple[tuple[StepReading, ...], float | None]:
    """Read every step, brightest first, and the exposure of saturated pixels, None where none is.

    Parameters
    ----------
    stills : sequence of Still
        Frames of one scene.
    masks : sequence of ndarray of int
        Flat indices of the pixels of each step.
    ratio_stop : float
        Exposure ratio of neighbouring steps, in stops.
    """
    values = [np.stack([still.exposure.ravel()[mask] for still in stills]) for mask in masks]
    ceiling = _ceiling(stills, values, masks)
    levels = np.unique(np.concatenate([value.ravel() for value in values]))
    readings = tuple(
        read_step(
            value,
            exposure=2.0 ** (-ratio_stop * k),
            saturated=0.0 if ceiling is None else float(np.mean(value >= ceiling)),
            code_step=_code_step(levels, float(value.mean())),
        )
        for k, value in enumerate(values)
    )
    return readings, ceiling


def own_light(readings: Sequence[StepReading]) -> tuple[StepReading, ...]:
    """Return the longest row of steps of which none is lighter or noisier than a brighter one.

    Steps that noise hides stand where the pitch of the others says, which may be a gap between steps that is brighter.
    """
    rows: list[tuple[StepReading, ...]] = []
    for reading in readings:
        before = max((row for row in rows if _may_follow(reading, row[-1])), key=len, default=())
        rows.append((*before, reading))
    return max(rows, key=len, default=())


def _may_follow(darker: StepReading, brighter: StepReading) -> bool:
    doubt = OTHER_LIGHT * math.hypot(darker.mean_u, brighter.mean_u)
    if darker.mean > brighter.mean + doubt:
        return False
    doubt = OTHER_LIGHT * math.hypot(darker.variance_u, brighter.variance_u) + darker.code_step**2 / 4
    return brighter.exposure > MAY_SATURATE or darker.variance <= brighter.variance + doubt


def _ceiling(stills: Sequence[Still], values: Sequence[FloatArray], masks: Sequence[IndexArray]) -> float | None:
    """Return the exposure of the highest code, or of a lower one at which the brightest pixels pile up.

    Codes of 12 bits in a file of 16 saturate below its highest code.
    """
    clipped = [
        value[k][still.clipped.ravel()[mask]]
        for value, mask in zip(values, masks, strict=True)
        for k, still in enumerate(stills)
    ]
    saturated = np.concatenate(clipped)
    if saturated.size:
        return float(saturated.min())
    brightest = max(values, key=lambda value: float(value.mean()))
    levels, counts = np.unique(brightest, return_counts=True)
    piles_up = counts[-1] > PILED_SHARE * brightest.size and (len(counts) == 1 or counts[-1] > 2 * counts[-2])
    return float(levels[-1]) if piles_up else None


def _code_step(levels: FloatArray, mean: float) -> float:
    """Return the distance of neighbouring codes near a mean, from the values that occur."""
    if len(levels) < 2:
        return 0.0
    at = int(np.clip(np.searchsorted(levels, mean), 1, len(levels) - 1))
    near = np.diff(levels[max(0, at - 4) : at + 4])
    return float(np.median(near))
