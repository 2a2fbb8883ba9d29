"""Waves of the light along rows, told from noise of every colour."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy import ndimage

from inspect_app.numerics.noise.light_ripple import Ripple, across_lines, light_ripple


def found_in(frames: npt.NDArray[np.float64]) -> Ripple | None:
    """Look for a ripple along the rows of frames, shape (n, rows, cols), as the split of noise does."""
    return light_ripple(np.stack([across_lines(frame) for frame in frames - frames.mean(axis=0)]))


@pytest.mark.parametrize(("blur_px", "most"), [(0.0, 1), (3.0, 6)])
def test_noise_is_hardly_ever_a_ripple(blur_px: float, most: int) -> None:
    """Truth by construction: no light ripples; a blur makes slow waves strong, in rows as in single pixels."""
    rng = np.random.default_rng(4)
    sets = [rng.normal(size=(int(rng.integers(2, 9)), *rng.integers(12, 160, 2))) for _ in range(60)]
    blurred = [ndimage.gaussian_filter(frames, (0, blur_px, blur_px)) for frames in sets]

    assert sum(found_in(frames) is not None for frames in blurred) <= most


def test_light_of_two_waves_leaves_the_squares_of_both() -> None:
    """Truth from algebra: a wave of amplitude a has the mean square a² / 2; n frames less their mean keep 1 - 1/n."""
    rng = np.random.default_rng(9)
    phases = rng.uniform(0, 2 * np.pi, (8, 1))
    rows = np.arange(200)
    wave = np.sin(2 * np.pi * rows / 50 + phases) + 0.5 * np.sin(2 * np.pi * rows / 25 + 2 * phases)
    own = wave - wave.mean(axis=0)

    found = found_in(wave[:, :, None] + rng.normal(0, 1, (8, 200, 150)))

    assert found is not None
    assert found.waves == 2
    assert found.lines_a_period == pytest.approx(50, abs=1)
    assert found.squares == pytest.approx(np.square(own).mean(axis=1), rel=0.1)
