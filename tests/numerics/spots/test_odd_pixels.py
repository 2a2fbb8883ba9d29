"""Dead and hot pixels against drawn ones, and against a real dark frame."""

import warnings
from pathlib import Path

import numpy as np
import pytest

from inspect_app.numerics.fields.smooth_field import ORDER, Blocks, SmoothField
from inspect_app.numerics.spots.odd_pixels import hot_pixels, odd_in_light
from tests.truth.fields import Spot, depth_of

SHAPE = (120, 160)
ALL = np.ones(SHAPE, dtype=bool)
LEVEL = SmoothField(
    coefficients=np.pad([[0.5]], (0, ORDER)),
    covariance=np.zeros((0, 0)),
    rows=SHAPE[0],
    cols=SHAPE[1],
    spread=0.004,
    blocks=Blocks(np.zeros(0), np.zeros(0), np.zeros(0), 1),
)


def flat() -> np.ndarray:
    return 0.5 + np.random.default_rng(1).normal(0, 0.004, SHAPE)


def test_dead_and_bright_pixels_are_told_by_place_and_side() -> None:
    """Truth by construction: two dead neighbours, one dead alone, one bright."""
    image = flat()
    image[20, 30] = image[20, 31] = image[80, 90] = 0.02
    image[50, 60] = 0.95

    odd = odd_in_light(image, LEVEL, ALL)

    assert sorted(map(tuple, odd.dead.tolist())) == [(20, 30), (20, 31), (80, 90)]
    assert odd.bright.tolist() == [[50, 60]]


@pytest.mark.parametrize("at", [(60.5, 50.5), (60.5, 50.0), (60.3, 50.4)])
@pytest.mark.parametrize("diameter_px", [2.4, 2.8, 3.4])
def test_a_nearly_sharp_dark_spot_is_no_cluster_of_dead_pixels(diameter_px: float, at: tuple[float, float]) -> None:
    """Truth by construction: blurred by 0.4 px, it gives the pixels around it a tenth of its depth in the mean."""
    spot = Spot(*at, diameter_px, 0.75, softness=0.8 / diameter_px, profile="blurred")

    assert len(odd_in_light(flat() * (1 + depth_of(spot, SHAPE)), LEVEL, ALL).dead) == 0


@pytest.mark.parametrize("diameter_px", [2.5, 3.0, 5.0, 9.0])
def test_a_soft_dark_spot_is_no_dead_pixel(diameter_px: float) -> None:
    """Truth by construction: a spot that is drawn by a lens shades the pixels beside it."""
    image = flat() * (1 + depth_of(Spot(60.3, 50.4, diameter_px, 0.8, softness=0.3), SHAPE))

    assert len(odd_in_light(image, LEVEL, ALL).dead) == 0


def test_hot_pixels_stand_out_of_row_noise() -> None:
    """Truth by construction: three hot pixels, rows with an offset of twice the noise of a pixel."""
    rng = np.random.default_rng(2)
    dark = 0.01 + rng.normal(0, 0.001, SHAPE) + rng.normal(0, 0.002, (SHAPE[0], 1))
    for row, col in ((10, 10), (60, 100), (119, 159)):
        dark[row, col] += 0.02

    found = hot_pixels(dark, noise_floor=1e-5)

    assert sorted(map(tuple, found.tolist())) == [(10, 10), (60, 100), (119, 159)]


def test_a_dark_frame_of_equal_codes_has_no_hot_pixel() -> None:
    """Truth by construction: where no scatter is seen, half a code is taken for it."""
    dark = np.zeros(SHAPE)
    dark[5, 5] = 1 / 255

    assert len(hot_pixels(dark, noise_floor=0.5 / 255)) == 0


def test_a_real_dark_frame_shows_hot_pixels_but_not_everywhere() -> None:
    """Ccdproc's real CCD frame a8280271.fits, 520 x 536: 182 pixels above 6 robust deviations, stars among them."""
    ccdproc = pytest.importorskip("ccdproc")
    from astropy.io import fits  # noqa: PLC0415  only where ccdproc is

    path = Path(ccdproc.__file__).parent / "tests" / "data" / "a8280271.fits"
    if not path.exists():
        pytest.skip("this ccdproc ships no real frame")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = fits.getdata(path).astype(float)

    found = hot_pixels(frame, noise_floor=0.5)

    assert 20 <= len(found) <= 0.01 * frame.size


def test_skewed_noise_of_few_electrons_is_no_hot_pixel() -> None:
    """Truth by construction: gamma noise, of which some pixels in half a million exceed 6 deviations; one glows."""
    dark = np.random.default_rng(5).gamma(10.0, 1.0, (600, 800))
    assert np.sum(dark > 10 + 6 * np.sqrt(10)) > 1
    dark[300, 401] = 10 + 12 * np.sqrt(10)

    assert hot_pixels(dark, noise_floor=0.1).tolist() == [[300, 401]]


@pytest.mark.parametrize("sd_codes", [0.5, 0.6, 0.7])
def test_noise_of_less_than_a_code_is_no_hot_pixel(sd_codes: float) -> None:
    """Truth by construction: more than half of the pixels have one code, and of 300 000 some lie three codes above.

    The floor is half of a code less what sums in binary make of it.
    """
    codes = np.round(6 + np.random.default_rng(7).normal(0, sd_codes, (500, 600)))

    assert len(hot_pixels(codes / 255, noise_floor=0.499 / 255)) == 0


@pytest.mark.parametrize("shape", [(97, 129), (225, 321)])
def test_the_last_row_and_column_of_a_frame_have_no_more_hot_pixels_than_others(shape: tuple[int, int]) -> None:
    """Truth by construction: noise alone, in frames one pixel longer and wider than the blocks that gauge it."""
    for seed in range(12):
        dark = 0.01 + np.random.default_rng(seed).normal(0, 0.001, shape)

        assert len(hot_pixels(dark, noise_floor=1e-5)) == 0


@pytest.mark.parametrize("black", [0.0, 0.5, 0.9])
def test_noise_that_black_cuts_off_is_no_hot_pixel(black: float) -> None:
    """Truth by construction: normal noise cut off where 50, 69 and 82 % of it lie below; one pixel glows."""
    dark = np.maximum(np.random.default_rng(8).normal(0, 0.002, (320, 400)), black * 0.002)
    dark[150, 201] = 0.06

    assert hot_pixels(dark, noise_floor=0.5 / 65535).tolist() == [[150, 201]]
