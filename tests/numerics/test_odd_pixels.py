"""Pixels that glow in darkness are found, and coarse codes do not make others glow."""

import numpy as np
import pytest

from inspect_app.numerics.odd_pixels import hot_pixels


@pytest.mark.parametrize("step", [0.05, 0.5, 1.0, 1.5])
def test_rounding_to_coarse_codes_makes_no_pixel_hot(step):
    """Truth: noise of one standard deviation, the mean of two frames rounded to steps, and one pixel 20 above."""
    draw = np.random.default_rng(2)
    frames = np.rint(draw.normal(0, 1.0, (2, 400, 500)) / step) * step
    frames[:, 123, 45] += 20

    found = hot_pixels(frames.mean(axis=0), noise_floor=1e-6)

    assert found.tolist() == [[123, 45]]
