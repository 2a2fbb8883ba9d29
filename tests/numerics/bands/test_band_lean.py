"""How far bands lean, against a strobe's, which lie level, and a weave that leans by a known angle."""

import numpy as np
import pytest

from inspect_app.numerics.bands.band_lean import lean_of
from inspect_app.numerics.bands.fitted_bands import fit_bands
from tests.truth.strobe import patterned, strobe_picture


@pytest.mark.parametrize(("lean_deg", "grain_px"), [(1.2, 25.0), (-3.0, 37.0)])
def test_a_weave_leans_by_its_angle_over_the_width(lean_deg, grain_px):
    """Truth by construction: no strobe; over 160 columns stripes are lower by 160 times the tangent."""
    rng = np.random.default_rng(3)
    even = strobe_picture(rng, duty=1.0, rows=240, cols=160, snr=100, fall_off=0.1)
    picture = even * patterned(rng, 240, 160, "weave", depth=0.3, grain_px=grain_px, lean_deg=lean_deg)

    found = fit_bands(picture)
    lean = lean_of(picture, found).rows

    assert lean == pytest.approx(160 * np.tan(np.deg2rad(lean_deg)), rel=0.2)
    assert lean_of(picture[:, ::-1], found).rows == pytest.approx(-lean)


@pytest.mark.parametrize(("snr", "depth"), [(8, 0.0), (40, 0.1), (100, 0.35)])
def test_a_strobes_bands_do_not_lean_whatever_stands_behind_them(snr, depth):
    """Truth by construction: bands along the rows before blobs half as coarse as they are high, and noise."""
    for seed in range(2):
        rng = np.random.default_rng(seed)
        picture = strobe_picture(rng, readout_s=0.0085, rows=240, cols=160, snr=snr, fall_off=0.4, level=0.3)
        picture *= patterned(rng, 240, 160, "blobs", depth=depth, grain_px=15.0)

        assert lean_of(picture, fit_bands(picture)).rows == 0
