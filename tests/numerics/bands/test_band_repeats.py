"""What repeats in bands that a strobe cannot make, by construction."""

import numpy as np
import pytest

from inspect_app.numerics.bands.band_repeats import columns_apart, lopsided
from inspect_app.numerics.bands.fitted_bands import fit_bands
from tests.truth.strobe import patterned, strobe_picture


@pytest.mark.parametrize("kind", ["plain", "blobs", "stripes", "clipped"])
def test_columns_of_a_strobes_bands_differ_by_their_light_alone(kind):
    """Nothing there but for what each column has of the light: upright stripes, blobs, or half of it clipped."""
    rng = np.random.default_rng(31)
    picture = strobe_picture(rng, rows=240, cols=160, snr=20, fall_off=0.4)
    if kind == "blobs":
        picture *= patterned(rng, 240, 160, "blobs", depth=0.3, grain_px=15.0)
    if kind == "stripes":
        picture *= 1 + 0.5 * np.sign(np.sin(np.arange(160) / 3))
    if kind == "clipped":
        picture = np.minimum(picture * np.linspace(0.4, 1.6, 160), 0.5)
    found = fit_bands(picture, is_clipped=kind == "clipped")

    assert columns_apart(picture, found) < (0.2 if kind == "clipped" else 0.03)
    assert lopsided(found)[0] < 0.005 or lopsided(found)[1] < 3


@pytest.mark.parametrize("off_px", [0, 20])
def test_dots_are_at_the_same_columns_in_every_row_of_them_or_in_every_other(off_px):
    """Dots at a distance of 40 columns cover a third of them; set off by half of it, the others (geometry)."""
    y, x = np.mgrid[:240, :160]
    away = np.hypot((x + off_px * (y // 40 % 2)) % 40 - 20, y % 40 - 20)
    picture = 0.8 - 0.6 * (away < 7) + 0.01 * np.random.default_rng(32).standard_normal((240, 160))

    assert columns_apart(picture, fit_bands(picture)) > 0.4


def test_steps_over_light_that_falls_off_are_lopsided():
    """Teeth of a saw have a straight side and a steep one, and no trapezoid has."""
    steps = 0.1 + 0.04 * np.floor(np.arange(320) / 20)
    picture = steps[:, None] + 0.01 * np.random.default_rng(33).standard_normal((320, 160))

    share, certainty = lopsided(fit_bands(picture))

    assert share > 0.02
    assert certainty > 5
