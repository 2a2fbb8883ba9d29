"""Courses of bricks, of which no one is like the next, against a strobe's bands as wide before a texture."""

import numpy as np
import pytest

from inspect_app.numerics.bands.band_courses import in_courses
from inspect_app.numerics.bands.fitted_bands import fit_bands
from tests.truth.strobe import patterned, strobe_picture


def test_bricks_lie_in_courses():
    """Truth by construction: no strobe; joints every 15 rows, and bricks of other tones in each course."""
    rng = np.random.default_rng(4)
    picture = strobe_picture(rng, duty=1.0, rows=240, cols=180, snr=150)
    picture *= patterned(rng, 240, 180, "bricks", depth=0.3, grain_px=30.0)

    assert in_courses(picture, fit_bands(picture))


@pytest.mark.parametrize(("duty", "grain_px"), [(0.85, 3.0), (0.7, 12.0), (0.3, 6.0)])
def test_what_stands_behind_a_strobes_bands_does_not_know_of_them(duty, grain_px):
    """Truth by construction: six bands lit for 30 to 85 % of the period before blobs of a quarter of the light."""
    rng = np.random.default_rng(5)
    picture = strobe_picture(rng, readout_s=0.015, duty=duty, open_s=0.0002, rows=240, cols=180, snr=150)
    picture *= patterned(rng, 240, 180, "blobs", depth=0.25, grain_px=grain_px)

    assert not in_courses(picture, fit_bands(picture))
