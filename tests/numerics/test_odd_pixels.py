"""Pixels that glow in darkness are found, and coarse codes do not make others glow."""

import numpy as np
import pytest

from inspect_app.numerics.odd_pixels import hot_pixels


@pytest.mark.parametrize("seed", [1, 5])
@pytest.mark.parametrize("step", [0.05, 1.0])
def test_rounding_to_coarse_codes_makes_no_pixel_hot(step, seed):
    """Truth: noise of one standard deviation, the mean of two frames rounded to steps, and one pixel 20 above."""
    noise = np.random.default_rng(seed).normal(0, 1.0, (2, 480, 640))
    frames = np.rint((8.2 + noise) / step) * step
    frames[:, 123, 45] += 20

    found = hot_pixels(frames.mean(axis=0), noise_floor=1e-6)

    assert found.tolist() == [[123, 45]]
