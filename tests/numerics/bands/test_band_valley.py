"""How far the number of bands may be off where its likelihood has many minima."""

import numpy as np
import pytest
from scipy import ndimage

from inspect_app.numerics.bands.band_model import profile_of, refined, trapezoid
from inspect_app.numerics.bands.band_valley import valley_about
from inspect_app.numerics.bands.fitted_bands import fit_bands
from tests.truth.strobe import strobe_picture


def test_noise_alone_leaves_open_what_the_slopes_say():
    """Closed form: by least squares, the inverse of the slopes' squares; of many soft corners they are the same."""
    rng = np.random.default_rng(3)
    places = (np.arange(400) + 0.5) / 400
    light = 1 + trapezoid(places * 3.3 - 0.2, 0.5, 0.3) + 0.03 * rng.standard_normal(400)
    seen = profile_of(light, None)
    found = refined(seen, np.array([3.3, 0.2, 0.5, 0.3]))
    count_sd = seen.scatter * float(np.sqrt(np.linalg.inv(found.jac.T @ found.jac)[0, 0]))

    valley = valley_about(seen, found.x, count_sd)

    assert valley.count == pytest.approx(found.x[0], abs=0.2 * count_sd)
    assert np.sqrt(valley.variance) == pytest.approx(count_sd, rel=0.2)


def test_bands_before_a_smooth_texture_with_little_noise_are_sought_beyond_where_a_fit_stays():
    """Truth by construction: about 1.61 bands; a fit that stays where it begins is off by 2.1 %, 11 u."""
    rng = np.random.default_rng(2)
    grains = [ndimage.gaussian_filter(rng.standard_normal((240, 80)), size, mode="wrap") for size in (2, 5, 9, 20)]
    count = rng.uniform(1.5, 1.95)
    seen = strobe_picture(
        rng, readout_s=count / 400, rows=240, cols=80, snr=300, duty=0.3, open_s=0.12 / 400, ambient=0.3
    )

    found = fit_bands(seen * np.exp(0.15 * sum(grain / grain.std() for grain in grains)))

    assert found.count == pytest.approx(count, abs=2 * found.count_sd)
    assert found.count_sd < 0.01
