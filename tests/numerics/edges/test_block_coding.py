"""Coding as a JPEG does it: against pictures that were really written, and noise of known strength."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from inspect_app.capture import Still, read
from inspect_app.numerics.edges.block_coding import Coding, coded, noise_before
from inspect_app.numerics.edges.clipped_noise import share_cut


def written(codes: np.ndarray, path: Path, quality: int) -> Still:
    """Return codes as a JPEG file gives them back, as exposures of code / 255."""
    Image.fromarray(codes.astype(np.uint8)).save(path, quality=quality)
    (still,) = read(path)
    assert isinstance(still, Still)
    return still


@pytest.mark.parametrize("quality", [10, 50, 90])
def test_coding_is_what_a_jpeg_file_does(quality: int, tmp_path: Path) -> None:
    """Truth: the file. Its transform is one of integers, by which single terms are rounded the other way."""
    random = np.random.default_rng(quality)
    codes = np.clip(np.rint(128 + 60 * np.sign(np.arange(52) - 25.5) + random.normal(0, 12, (45, 52))), 0, 255)
    still = written(codes, tmp_path / "codes.jpg", quality)
    assert still.rounding is not None

    found = coded(codes, still.rounding.steps, (0, 0))

    off = np.abs(found - 255 * still.exposure)[:40, :48]
    assert np.mean(off <= 1.5) > 0.9
    turned = np.abs(coded(codes, still.rounding.steps.T, (0, 0)) - 255 * still.exposure)[:40, :48]
    assert np.mean(turned <= 1.5) < 0.7


def test_a_part_is_coded_as_it_is_within_the_whole() -> None:
    """By construction: the part begins at row 8 + 3 and column 16 + 6 of the whole, and whole blocks are compared."""
    random = np.random.default_rng(1)
    codes, steps = np.rint(random.normal(120, 20, (48, 64))), np.full((8, 8), 25.0)

    part = coded(codes[11:, 22:], steps, (3, 6))

    assert part[5:, 2:] == pytest.approx(coded(codes, steps, (0, 0))[16:, 24:])


@pytest.mark.parametrize("noise", [3.0, 8.0, 20.0])
def test_noise_is_found_as_it_was_before_coding(noise: float) -> None:
    """By construction, within what 160 x 160 pixels tell: steps of 6 to 20 codes, so that some noise is left."""
    random = np.random.default_rng(int(noise))
    steps = 6 + 2.0 * np.arange(8) + np.zeros((8, 1))

    after = coded(np.rint(random.normal(128, noise, (160, 160))), steps, (0, 0))

    assert noise_before(np.array([np.var(after)]), steps)[0] == pytest.approx(noise, rel=0.08)


def test_codes_that_a_picture_does_not_have_are_exposed_straight_on() -> None:
    """By construction: exposures of half a code each, known from code 40 to 200."""
    exposures = np.where(np.arange(201) < 40, 0.0, 0.5 * np.arange(201))

    coding = Coding(steps=np.ones((8, 8)), exposures=exposures, corner=(0, 0))

    assert coding.curve == pytest.approx(0.5 * np.arange(256))
    assert coding.codes(np.array([10.25, 120.0])) == pytest.approx([20.5, 240.0])
    assert coding.in_codes(np.array([1.0]), np.array([50.0])) == pytest.approx([4.0])


@pytest.mark.parametrize("above", [-1.0, 0.0, 0.5, 2.0])
def test_the_share_of_noise_cut_off_is_told_by_what_is_left(above: float) -> None:
    """By construction: 40 000 draws of normal noise cut at a bound so many standard deviations above its level."""
    left = np.minimum(np.random.default_rng(1).normal(-above, 1, 40_000), 0)

    assert share_cut(-np.mean(left) / np.std(left)) == pytest.approx(np.mean(left == 0), abs=0.01)


@pytest.mark.parametrize("quality", [60, 75])
def test_how_near_to_white_an_even_part_of_a_jpeg_lies_is_told(quality: int, tmp_path: Path) -> None:
    """By construction: 12 codes below white under noise of 3, 4 standard deviations; told within what coding hides."""
    random = np.random.default_rng(quality)
    still = written(np.rint(random.normal(243, 3, (80, 80))), tmp_path / "even.jpg", quality)
    assert still.rounding is not None
    coding = Coding(steps=still.rounding.steps, exposures=np.arange(256) / 255, corner=(0, 0))

    told = coding.distance_from_white(still.exposure.ravel(), float(np.var(still.exposure)))

    assert 1.2 < told < 4.2
