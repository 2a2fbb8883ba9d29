"""What a shutter that is shut for part of each frame hides of a blinking light: its own opening."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_period import Period
from inspect_app.numerics.blinks.blink_wave import is_partly_lit

FloatArray = npt.NDArray[np.float64]

_STEPS: Final = (1, 2, 3)  # blinks after which a switch may fall into the same part of a frame
_LEAST_OPEN: Final = 0.25  # of a frame: shutters that are open more briefly do not see nearly every switch
_PASSES: Final = 2.0  # frames by which switches must have gone on against the shutter for the fit to be trusted
_OPEN: Final = 0.85  # of the switches: a shutter that is open throughout sees them all


def sees_switches(share: FloatArray, switches: float) -> bool:
    """Say whether nearly every switch of the light leaves a frame that is partly lit."""
    return bool(np.sum(is_partly_lit(share)) > _OPEN * switches)


def trusting(fitted: Period, noise: float, opening: float, switches: float, floor: float) -> Period:
    """Return a fitted period with the doubt that remains where switches keep to the same parts of frames all along.

    The shares of those frames go on by what the period is off whole frames, over the opening of the shutter: nothing
    tells the two apart before each kind of switch has passed the shutter twice. The period trusts the fit, its
    uncertainty no opening from a quarter of a frame on.
    """
    steps = np.array(_STEPS) * fitted.frames
    off = float(np.min(np.abs(steps - np.round(steps)) / _STEPS))
    passed = off * switches / 2
    if passed >= _PASSES:
        return fitted
    reach = max(1 - _LEAST_OPEN / opening, min(1 / opening, _PASSES / max(passed, 1e-9)) - 1, 0.0)
    along = noise * opening * 12**0.5 / switches**1.5 * 2
    return Period(frames=fitted.frames, frames_sd=float(np.hypot(off * reach / 3**0.5, np.hypot(along, floor))))
