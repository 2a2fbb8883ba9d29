"""The model of bands, against what its algebra says."""

import numpy as np
import pytest

from inspect_app.numerics.bands.band_model import bright, misfit, profile_of, trapezoid

_PLACES = (np.arange(300) + 0.5) / 300
_BRIGHT = np.array([2.46, 0.78, 0.47, 0.02, 0.1, -0.4])
_DARK = np.array([2.46, 0.28, 0.53, 0.02, 0.1, -0.4])


def _seen(flash=None):
    count, middle, width, ramp, tilt, bow = _BRIGHT
    away = _PLACES - 0.5
    light = 0.2 + trapezoid(count * _PLACES - middle, width, ramp)
    return profile_of(light * (1 + tilt * away + bow * away**2), flash)


def test_bands_are_the_gaps_between_dark_ones_of_a_negative_height():
    """Algebra: 1 less a trapezoid is a trapezoid half a period on, as long as the rest of the period."""
    seen = _seen()

    told = bright(seen, _DARK)

    assert told == pytest.approx(_BRIGHT)
    assert misfit(seen, _DARK)[:300] == pytest.approx(misfit(seen, told)[:300], abs=3e-3)  # priors hold levels a little


@pytest.mark.parametrize("swapped", [False, True])
def test_bright_bands_stay_as_they_are(swapped):
    """Whichever of flash and exposure is the longer one."""
    told = _BRIGHT[[0, 1, 3, 2, 4, 5]] if swapped else _BRIGHT

    assert bright(_seen(), told) == pytest.approx(told)


def test_a_flash_that_is_told_is_not_turned_into_the_dark_between():
    assert bright(_seen(flash=0.02), _DARK) == pytest.approx(_DARK)
