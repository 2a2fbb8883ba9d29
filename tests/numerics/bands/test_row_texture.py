"""What the columns of a picture differ by, against fields whose scatter is known in closed form."""

import numpy as np
import pytest

from inspect_app.numerics.bands.row_texture import certainty, certainty_weighed, strip_differences


def field(*, depth: float = 0.0, noise: float = 1.0, fall: float = 0.0) -> np.ndarray:
    """Return white noise on a field whose rows change by a wave and whose light falls off to the right."""
    rows, cols = 400, 300
    wave = depth * np.sin(np.arange(rows) / 20)
    light = (100 + wave)[:, None] * np.linspace(1, 1 - fall, cols)
    return light + noise * np.random.default_rng(1).standard_normal((rows, cols))


def test_light_that_changes_for_all_columns_and_falls_off_across_them_is_no_texture():
    """Invariance: what all columns share, each in proportion to its light, leaves nothing."""
    plain = strip_differences(field())
    lit = strip_differences(field(depth=30.0, fall=0.5))

    assert lit == pytest.approx(plain, abs=0.1)


def test_a_change_of_twice_the_depth_stands_out_twice_as_far():
    """Algebra: a share's scatter is that of the noise over the depth."""
    wave = np.sin(np.arange(400) / 20)
    differences = strip_differences(field())

    assert certainty(differences, 2 * wave) == pytest.approx(2 * certainty(differences, wave))


def test_a_change_that_is_chance_does_not_stand_out():
    """Truth by construction: the mean of noise, smoothed over ten rows, is about one standard deviation of itself."""
    picture = field()
    smooth = np.convolve(picture.mean(axis=1) - 100, np.full(10, 0.1), mode="same")

    assert certainty(strip_differences(picture), smooth) < 6


def test_white_noise_weighed_alike_leaves_the_certainty_as_it_is():
    """Algebra: misfits that all weigh the same weigh as if they did not, whatever their unit."""
    picture, wave = field(), np.sin(np.arange(400) / 20)
    plain = certainty(strip_differences(picture), wave)

    assert certainty_weighed(picture, wave, 3 * np.eye(400)) == pytest.approx(plain, rel=0.05)
