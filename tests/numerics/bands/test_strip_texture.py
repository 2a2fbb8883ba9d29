"""How a texture scatters the means of rows, against textures whose covariance is known in closed form."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from inspect_app.numerics.bands.strip_texture import strips_of, texture_of

ROWS, COLS = 600, 300


def blobs(rng: np.random.Generator, grain_px: float) -> np.ndarray:
    """Return a texture of standard deviation 0.1 about 1, of blobs with a standard width of one grain."""
    margin = round(4 * grain_px)
    raised = gaussian_filter(rng.standard_normal((ROWS + 2 * margin, COLS + 2 * margin)), grain_px)
    raised *= 2 * np.pi**0.5 * grain_px
    return 1 + 0.1 * raised[margin:-margin, margin:-margin]


@pytest.mark.parametrize("grain_px", [6.0, 25.0])
def test_the_means_of_rows_scatter_by_what_the_grain_leaves_over_their_width(grain_px):
    """Algebra: C q(W), the mean of the covariance 0.01 exp(-(x - x')²/4s²) over all pairs of columns; mean of eight."""
    x = np.arange(COLS)
    truth = 0.01 * np.exp(-((x[:, None] - x) ** 2) / (4 * grain_px**2)).mean()
    rng = np.random.default_rng(3)

    found = [texture_of(strips_of(blobs(rng, grain_px), 1), np.ones(ROWS)).memory[0] for _ in range(8)]

    assert np.mean(found) == pytest.approx(truth, rel=0.35)


def test_noise_of_single_pixels_is_no_texture():
    """Truth by construction: white noise leaves next to nothing over two rows and more."""
    picture = 1 + 0.1 * np.random.default_rng(4).standard_normal((ROWS, COLS))

    assert texture_of(strips_of(picture, 1), np.ones(ROWS)).memory[0] < 0.1 * 0.01 / COLS


def test_a_picture_whose_columns_are_all_the_same_has_no_texture():
    """Truth by construction: bands of a drawing, without noise."""
    light = 1.0 + (np.arange(ROWS) // 100) % 2

    assert not texture_of(strips_of(np.tile(light[:, None], COLS), 1), light).memory.any()


def test_a_texture_is_stronger_where_there_is_more_light():
    """Algebra: the texture of a field twice as bright is twice as deep; the black level has none."""
    light = np.where(np.arange(ROWS) < ROWS // 2, 1.0, 0.5)
    picture = 0.2 + blobs(np.random.default_rng(5), 6.0) * light[:, None]

    growth = texture_of(strips_of(picture, 1), picture.mean(axis=1)).growth

    assert growth[: ROWS // 2].mean() / growth[ROWS // 2 :].mean() == pytest.approx(2, rel=0.25)
