"""Rows that clipping at black lifts."""

import numpy as np
import pytest

from inspect_app.numerics.bands.black_clipping import without_lift


@pytest.mark.parametrize("code", [1e-6, 0.01])
def test_rows_of_noise_that_is_cut_off_at_black_have_the_means_of_what_was_there(code):
    """Truth by construction: levels from half a deviation of noise below black to four above it, rounded to codes."""
    levels, noise, cols = np.linspace(-0.01, 0.08, 24), 0.02, 100_000
    seen = levels[:, None] + noise * np.random.default_rng(3).standard_normal((24, cols))
    cut = np.maximum(np.round(seen / code), 0) * code

    lifted, found = cut.mean(axis=1) - levels, without_lift(cut).mean(axis=1) - levels

    assert lifted.max() > 0.5 * noise
    assert np.abs(found).max() < 0.03 * noise


def test_darkness_without_noise_is_left_as_it_is():
    """Algebra: no neighbours differ there, so no noise was cut off."""
    picture = np.tile(np.linspace(0.1, 0.8, 40)[:, None], (1, 64))
    picture[10:20] = 0.0
    picture[:, :16] = 0.0

    changed = without_lift(picture)

    assert np.abs(changed - picture).max() < 0.02


def test_a_picture_above_black_is_the_same_picture():
    picture = 0.2 + 0.02 * np.random.default_rng(4).standard_normal((40, 60))

    assert np.array_equal(without_lift(picture), picture)
