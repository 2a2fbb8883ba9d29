"""What a shutter that is shut for part of each frame hides of a blinking light: missing frames, and its own opening."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blink_period import Period
from inspect_app.numerics.blink_wave import Wave, is_partly_lit

FloatArray = npt.NDArray[np.float64]

_STEPS: Final = (1, 2, 3)  # blinks after which a switch may fall into the same part of a frame
_LEAST_OPEN: Final = 0.25  # of a frame: shutters that are open more briefly do not see nearly every switch
_PASSES: Final = 2.0  # frames by which switches must have gone on against the shutter for the fit to be trusted
_OPEN: Final = 0.85  # of the switches: a shutter that is open throughout sees them all
SAME_CLOCK: Final = 0.001  # relative: a crystal is nearer than this to its nominal rate,
_NEAR_CLOCK: Final = 0.03  # and a film in slow motion, or with another nominal rate, further off than this
_FEWEST_TELLING: Final = 5  # frames that are partly lit, and
_UNLIKE_STEPS: Final = 0.05  # frames (rms) by which they are off steps of whole frames: more rule out hidden ones


def sees_switches(share: FloatArray, switches: float) -> bool:
    """Say whether nearly every switch of the light leaves a frame that is partly lit."""
    return bool(np.sum(is_partly_lit(share)) > _OPEN * switches)


def may_hide_frames(share: FloatArray, wave: Wave, places: FloatArray, expected: float) -> bool:
    """Say whether a rate a little off the file's may stand for missing frames that a shut shutter hides.

    At the file's rate, frames that are partly lit would be off by what the rates differ by; hidden frames make steps of
    that, one frame each. Where switches keep to the same part of frames, the opening of the shutter makes up for more.
    """
    off = wave.rate / expected - 1
    if not SAME_CLOCK < abs(off) < _NEAR_CLOCK or sees_switches(share, 2 * wave.rate * float(np.ptp(places))):
        return False
    seen = places[is_partly_lit(share)]
    if len(seen) < _FEWEST_TELLING or _keeps_to_one_part(wave, float(np.ptp(places))):
        return True
    rates, starts = off + np.linspace(-SAME_CLOCK, SAME_CLOCK, 7), np.arange(0, 1, 0.05)
    drift = rates[:, None, None] * seen + starts[:, None]
    return float(np.sqrt(np.mean((drift - np.round(drift)) ** 2, axis=-1)).min()) < _UNLIKE_STEPS


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


def _keeps_to_one_part(wave: Wave, frames: float) -> bool:
    """Say whether switches come back to the same parts of frames, further apart than the shutter is open."""
    period, opening = 1 / wave.rate, wave.ramp / wave.rate
    return any(
        abs(step * period - round(step * period)) / step * frames / period < _PASSES and step * opening < 1
        for step in _STEPS
    )
