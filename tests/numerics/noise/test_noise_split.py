"""The split of noise against algebra, and against a real sensor with published figures."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image
from scipy import ndimage

from inspect_app.numerics.noise.noise_split import independent_pixels, split_noise, without_trend

REAL = Path(__file__).parents[3] / "shared" / "data" / "emva-ccd-12bit" / "images"


def real_stack(kind: str) -> npt.NDArray[np.float64]:
    """Return the frames of EMVA 1288 reference set 001 at half saturation (b) or in darkness (d)."""
    if not REAL.is_dir():
        pytest.skip("the EMVA 1288 reference images lie beside the repository, and are not there")
    return np.stack([np.asarray(Image.open(path), dtype=float) for path in sorted(REAL.glob(f"{kind}_s_*.png"))])


def test_a_surface_of_the_order_is_taken_away_whole() -> None:
    """Truth from algebra: x² y - 3 x + 2 is of third order."""
    y, x = np.mgrid[-1:1:40j, -1:1:30j]
    surface = x**2 * y - 3 * x + 2

    assert np.abs(without_trend(surface, 3)).max() < 1e-12
    assert np.abs(without_trend(surface, 2)).max() > 0.1


def test_white_noise_has_as_many_independent_values_as_pixels() -> None:
    """Truth from algebra: the periodogram of white noise is exponential."""
    residual = np.random.default_rng(1).normal(size=(200, 300))

    assert independent_pixels(residual) == pytest.approx(60_000, rel=0.03)


def test_box_filtered_noise_has_fewer_independent_values() -> None:
    """Truth from algebra: the correlation falls as a triangle, and the sum of its squares is (19 / 9)² = 4.457."""
    noise = np.random.default_rng(2).normal(size=(300, 400))

    count = independent_pixels(ndimage.uniform_filter(noise, 3, mode="wrap"))

    assert count == pytest.approx(120_000 / (19 / 9) ** 2, rel=0.03)


def test_offsets_of_columns_keep_their_variance_beside_a_slope_of_the_light() -> None:
    """Truth: the variance of the 60 offsets themselves; a slope takes one of 59, at 40 seeds 0.4 % of the variance."""
    ratios = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        offsets = rng.normal(0, 0.03, 60)
        scene = 1 + offsets + 0.1 * np.linspace(-1, 1, 60) + 0.1 * np.linspace(-1, 1, 80)[:, None]
        split = split_noise(scene + rng.normal(0, 1e-3, (3, 80, 60)))
        ratios.append(split.pattern_variance / offsets.var())

    assert np.mean(ratios) == pytest.approx(1.0, abs=0.015)


def test_noise_that_rows_share_is_whole_beside_a_surface_that_takes_some_of_it() -> None:
    """Truth from algebra; 0.15 % at 160 seeds. Mean and surface take 4 of 60 rows with a fifth of it: 1.3 %."""
    ratios = []
    for seed in range(160):
        rng = np.random.default_rng(seed)
        frames = 1 + 0.01 * rng.normal(size=(6, 60, 80)) + 0.005 * rng.normal(size=(6, 60, 1))
        ratios.append(split_noise(frames).temporal_variance / (0.01**2 + 0.005**2))

    assert np.mean(ratios) == pytest.approx(1.0, abs=0.006)


def test_strong_vignetting_is_light_and_not_pattern() -> None:
    """Truth: white pattern of 0.003 under light that falls by half to the corners; 1 / sqrt(2 · 24 000) is 0.5 %."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[-0.5:0.5:160j, -0.5:0.5:150j]
    scene = (1 + 0.9 * (x**2 + y**2)) ** -2 + rng.normal(0, 0.003, x.shape)

    split = split_noise(scene + rng.normal(0, 0.001, (4, *x.shape)))

    assert np.sqrt(split.pattern_variance) == pytest.approx(0.003, rel=0.02)


def test_the_pattern_of_a_real_sensor_is_its_published_prnu() -> None:
    """EMVA 1288 reference set 001, reference library on the full set: PRNU 0.433 %, within 0.03 points."""
    bright = split_noise(real_stack("b"), trend_order=0)
    dark = split_noise(real_stack("d"), trend_order=0)

    prnu = np.sqrt(bright.pattern_variance - dark.pattern_variance) / (bright.mean - dark.mean)

    assert 100 * prnu == pytest.approx(0.433, abs=0.03)


def test_the_pattern_of_a_real_dark_stack_is_its_published_dsnu() -> None:
    """EMVA 1288 reference set 001: DSNU 0.15493 DN on 50 frames; 16 frames leave room for 0.02 DN."""
    dark = split_noise(real_stack("d"), trend_order=0)

    assert np.sqrt(dark.pattern_variance) == pytest.approx(0.155, abs=0.02)


def test_the_shot_noise_of_a_real_sensor_gives_its_published_gain() -> None:
    """EMVA 1288 reference set 001: K = (s²bright - s²dark) / (bright - dark) = 0.2801 DN per electron, within 2 %."""
    bright, dark = split_noise(real_stack("b")), split_noise(real_stack("d"))

    gain = (bright.temporal_variance - dark.temporal_variance) / (bright.mean - dark.mean)

    assert gain == pytest.approx(0.2801, rel=0.02)
