"""Rows whose noise is cut off at black and at white."""

import numpy as np
import pytest

from inspect_app.numerics.bands.clipped_noise import unclipped, without_lift


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


def test_noise_cut_off_at_both_ends_has_the_means_and_the_texture_of_what_was_there():
    """Truth by construction: levels from black to white, and a texture in proportion to them that columns share."""
    levels, noise, cols = np.linspace(0.0, 1.0, 60), 0.3, 20_000
    texture = 0.1 * np.sin(2 * np.pi * np.arange(cols) / 50)
    there = levels[:, None] * (1 + texture)
    cut = np.clip(there + noise * np.random.default_rng(5).standard_normal(there.shape), 0, 1)

    found = unclipped(cut, cut >= 1)

    assert found is not None
    strength = 2 * (found @ texture) / cols / 0.1**2
    assert np.abs(cut.mean(axis=1) - levels).max() > 0.1
    assert np.abs(found.mean(axis=1) - levels).max() < 0.01
    assert np.abs(strength - levels).max() < 0.1


def test_rows_of_which_light_and_not_its_noise_is_cut_off_are_not_brought_back():
    picture = np.tile(np.linspace(0.1, 1.4, 50)[:, None], (1, 80)).clip(0, 1)

    assert unclipped(picture, picture >= 1) is None


def test_nothing_changes_in_a_picture_of_which_nothing_is_cut_off():
    picture = 0.5 + 0.02 * np.random.default_rng(6).standard_normal((40, 60))

    assert unclipped(picture, np.zeros(picture.shape, dtype=np.bool_)) == pytest.approx(picture, rel=1e-12)
