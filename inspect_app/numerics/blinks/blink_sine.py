"""Light that swells and fades as mains light does, told from a light that is switched on and off."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.blinks.blink_wave import WaveFit

FloatArray = npt.NDArray[np.float64]

_RATES: Final = np.linspace(-1, 1, 21)  # blinks over the whole film, by which a sine may be off the fitted rate
_MORE_PARAMETERS: Final = 2  # of a trapezoid: its width and its ramp
_NOTHING: Final = 1e-12  # squares of shares: what remains of an exact trace


def is_sine(share: FloatArray, fit: WaveFit, places: FloatArray) -> bool:
    """Say whether a sine explains a light as well as switches do.

    Parameters
    ----------
    share : ndarray of shape (n,)
        Light of each frame between its two levels, 0 to 1.
    fit : WaveFit
        The trapezoid that was fitted to it, and what remains.
    places : ndarray of shape (n,)
        When each frame was shot, in frames.

    Notes
    -----
    Switches have to explain so much more as pays for two parameters more (Bayesian information criterion, Schwarz 1978,
    from memory). Of 23 films of a scene in mains light, of which a region and a frequency were given, 18 were read as a
    light of that frequency without this, with it 5; of 80 lamps of 2.2 to 8 frames a blink, noise 0.02 to 0.2 of the
    swing, one is refused, of 75 frames, 2.3 a blink and a noise of 0.18 (own draws).

    What lost: a sine with its second harmonic. A lamp of four frames a blink is as much one as a trapezoid, so that 3
    of the 80 were refused. Ramps longer than a frame, which no shutter makes: mains light of three frames a blink has
    none.
    """
    span = float(np.ptp(places)) + 1
    left = min(_left_of_sine(share, places, fit.wave.rate + off / span) for off in _RATES)
    left_of_switches, count = max(float(fit.rest @ fit.rest), _NOTHING), len(share)
    return bool(count * np.log(left / left_of_switches) < _MORE_PARAMETERS * np.log(count))


def _left_of_sine(share: FloatArray, places: FloatArray, rate: float) -> float:
    """Return the sum of squares that remains of the best sine at a rate, in blinks per frame."""
    turns = 2 * np.pi * rate * places
    sine = np.stack([np.ones_like(turns), np.cos(turns), np.sin(turns)], axis=1)
    left = share - sine @ np.linalg.lstsq(sine, share, rcond=None)[0]
    return max(float(left @ left), _NOTHING)
