"""How far a number of bands may be off where the light of strips is known by construction."""

import dataclasses

import numpy as np
import pytest

from inspect_app.numerics.bands.band_doubt import count_variance
from inspect_app.numerics.bands.band_model import profile_of, refined, trapezoid
from inspect_app.numerics.bands.strip_light import StripLight

_PLACES = (np.arange(200) + 0.5) / 200
_NOISE = 0.01


def _light(count):
    return 0.2 + trapezoid(_PLACES * count - 0.45, 0.4, 0.2)


@pytest.mark.parametrize(("by_strips", "least", "most"), [(1.7, 0.0, 0.01), (1.8, 0.03, 0.2)])
def test_strips_that_say_otherwise_than_rows_add_to_the_doubt(by_strips, least, most):
    """Closed form: rows with 1.7 bands, and strips, as sure as they are, with as many or with 1.8."""
    rows = _light(1.7) + _NOISE * np.random.default_rng(2).standard_normal(200)
    light = _light(by_strips)
    size = float(np.sqrt(np.mean(light**2)))
    seen = profile_of(rows, None)
    seen = dataclasses.replace(seen, strips=StripLight(light / size, np.eye(200) * size / _NOISE, 0.0))
    start = np.array([1.7, 0.45, 0.4, 0.2])

    fit = refined(seen, start)
    alone = refined(dataclasses.replace(seen, strips=None), start)

    assert least < np.sqrt(count_variance(seen, fit, alone.x)) < most
    assert abs(fit.x[0] - 1.7) < 2 * np.sqrt(count_variance(seen, fit, alone.x))
