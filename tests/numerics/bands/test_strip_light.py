"""The light of each row by what strips of a picture differ by, against light that is known by construction."""

import numpy as np
from scipy.ndimage import gaussian_filter

from inspect_app.numerics.bands.strip_light import strip_light
from inspect_app.numerics.bands.strip_texture import strips_of, texture_of

ROWS, COLS = 300, 240
LIGHT = 0.2 + 0.8 * np.clip(np.abs(np.arange(ROWS) % 120 - 60) / 10 - 2, 0, 1)


def textured(seed: int) -> np.ndarray:
    """Return a texture of standard deviation 0.25 about 1 with a little noise of pixels, under no light yet."""
    rng = np.random.default_rng(seed)
    raised = gaussian_filter(rng.standard_normal((ROWS, COLS)), 12)
    return 1 + 0.25 * raised / raised.std() + 0.02 * rng.standard_normal((ROWS, COLS))


def test_light_is_off_by_no_more_than_it_claims_however_much_noise_whole_rows_share():
    """Truth by construction: of 8 textures, chi-squared of the light is at most 1 for each row."""
    misfits = []
    for seed in range(8):
        rows = np.random.default_rng(seed).standard_normal((ROWS, 1))
        strips = strips_of(textured(seed) * LIGHT[:, None] + rows, 1)
        misfits.append(strip_light(strips, texture_of(strips, LIGHT, has_black=False)).misfit(LIGHT[:, None]))

    assert 0.05 < np.mean(np.square(misfits)) < 1.0


def test_a_step_from_light_that_is_a_little_off_comes_nearer():
    """Truth by construction: edges three rows further down, under a strong texture."""
    strips = strips_of(textured(9) * LIGHT[:, None], 1)
    off = np.roll(LIGHT, 3)

    found = strip_light(strips, texture_of(strips, off, has_black=False))

    assert np.sum(found.misfit(LIGHT[:, None]) ** 2) < 0.5 * np.sum(found.misfit(off[:, None]) ** 2)


def test_strips_that_do_not_differ_tell_next_to_nothing():
    """Nothing there: columns that are all the same, as in a drawing."""
    strips = strips_of(np.tile(LIGHT[:, None], COLS), 1)

    found = strip_light(strips, texture_of(strips, LIGHT))

    assert np.sum(found.misfit(np.roll(LIGHT, 3)[:, None]) ** 2) < 1
