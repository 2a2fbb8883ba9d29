"""The power spectrum of a texture, and the filters made from it, against algebra."""

import numpy as np
import pytest
from scipy import fft

from inspect_app.numerics.spots.texture import (
    BLOCK_PX,
    ROUNDING_SHARE,
    Rounding,
    local_power,
    matched_kernel,
    texture_power,
    whitened,
    whitening_of,
)

WHOLE = np.ones((400, 500), dtype=bool)
WHITE = np.ones((BLOCK_PX, BLOCK_PX // 2 + 1))


def test_white_noise_has_its_variance_at_every_frequency() -> None:
    """Truth from algebra."""
    relief = np.random.default_rng(1).normal(0, 0.02, WHOLE.shape)

    power = texture_power(relief, WHOLE)

    assert power[2:-2, 2:-2].mean() == pytest.approx(0.02**2, rel=0.05)


def test_a_few_spots_do_not_count_as_texture() -> None:
    """Truth from algebra: the median over blocks does not see what a minority of them holds."""
    relief = np.random.default_rng(2).normal(0, 0.02, WHOLE.shape)
    spotted = relief.copy()
    spotted[100:110, 100:110] -= 0.8
    spotted[300:310, 400:410] -= 0.8

    assert texture_power(spotted, WHOLE).mean() == pytest.approx(texture_power(relief, WHOLE).mean(), rel=0.15)


@pytest.mark.parametrize("factor", [1, 2])
def test_what_rounded_blocks_lose_of_a_loud_signal_has_the_power_of_the_rounding(factor: int) -> None:
    """Truth by simulation: noise of 30 steps, its blocks of 8 x 8 transformed, rounded and transformed back."""
    steps = 1.0 + np.add.outer(np.arange(8), np.arange(8)) / 3
    blocks = np.random.default_rng(4).normal(0, 100, (50, 62, 8, 8))
    kept = fft.idctn(np.round(fft.dctn(blocks, axes=(2, 3), norm="ortho") / steps) * steps, axes=(2, 3), norm="ortho")
    lost = (kept - blocks).swapaxes(1, 2).reshape(50 * 8 // factor, factor, 62 * 8 // factor, factor).mean(axis=(1, 3))

    told = Rounding(steps=steps, block_px=8.0).power(factor) / ROUNDING_SHARE

    seen = texture_power(lost, np.ones(lost.shape, dtype=bool))
    low = (slice(2, BLOCK_PX // 4), slice(2, BLOCK_PX // 4))
    assert told[low].mean() == pytest.approx(seen[low].mean(), rel=0.15)
    assert told.mean() == pytest.approx(seen.mean(), rel=0.25)


def test_the_matched_filter_answers_its_template_with_one() -> None:
    """Truth by definition, also in a texture with a strong line."""
    rows, cols = np.indices((BLOCK_PX, BLOCK_PX))
    template = np.exp(-(np.hypot(rows - 32, cols - 32) ** 2) / 18)
    power = np.full((BLOCK_PX, BLOCK_PX // 2 + 1), 1e-4)
    power[10, 12] = 1.0

    kernel = matched_kernel(template, power)

    assert float((kernel * template).sum()) == pytest.approx(1.0, abs=1e-5)


def test_a_wave_of_the_texture_is_filtered_out() -> None:
    """Truth from algebra: where the texture has a line, the filter has a notch."""
    rows, cols = np.indices((BLOCK_PX, BLOCK_PX))
    template = np.exp(-(np.hypot(rows - 32, cols - 32) ** 2) / 4)
    power = np.full((BLOCK_PX, BLOCK_PX // 2 + 1), 1e-4)
    power[10, 12] = 1.0
    wave = np.cos(2 * np.pi * (10 * rows + 12 * cols) / BLOCK_PX)

    assert abs(float((matched_kernel(template, power) * wave).sum())) < 1e-3


def test_whitened_noise_has_unit_variance() -> None:
    """Truth by definition: as many units as there are pixels."""
    patches = np.random.default_rng(3).normal(0, 0.1, (20, BLOCK_PX, BLOCK_PX)).astype(np.float32)
    power = np.full((BLOCK_PX, BLOCK_PX // 2 + 1), 0.01)

    white = whitened(patches, whitening_of(power))

    assert np.square(white).sum(axis=1).mean() == pytest.approx(BLOCK_PX**2, rel=0.02)
    assert white[0] @ white[1] == pytest.approx(100 * float((patches[0] * patches[1]).sum()), rel=1e-3)


@pytest.mark.parametrize("side_px", [40, 48])
def test_smooth_texture_is_as_white_in_fewer_pixels(side_px: int) -> None:
    """Truth by definition: a filtered noise, windowed as a spot is, has as many units as the window has weight."""
    rng = np.random.default_rng(5)
    down, across = np.fft.fftfreq(512)[:, None], np.fft.rfftfreq(512)[None, :]
    gain = np.exp(-((down**2 + across**2) / (2 * 0.2**2))) + 0.3
    relief = fft.irfft2(fft.rfft2(rng.normal(0, 0.05, (512, 512))) * gain, s=(512, 512))
    power = texture_power(relief, np.ones(relief.shape, dtype=bool))
    window = np.outer(np.hanning(37), np.hanning(37)).astype(np.float32)
    parts = [relief[row : row + 37, col : col + 37] for row in range(0, 470, 37) for col in range(0, 470, 37)]

    white = whitened(np.asarray(parts, dtype=np.float32) * window, whitening_of(power, side_px))

    assert np.square(white).sum(axis=1).mean() == pytest.approx(float(np.square(window).sum()), rel=0.06)


def residual(extra_per_px: float, strength: float, side_px: int = BLOCK_PX) -> np.ndarray:
    """White noise of 64 x 64 pixels, and a stripe pattern of so many cycles per pixel in it, made white as if none."""
    stripes = strength * np.sin(2 * np.pi * extra_per_px * np.arange(side_px))
    noise = np.random.default_rng(3).normal(0, 1, (side_px, side_px)) + stripes
    return whitened(noise[None].astype(np.float32), whitening_of(WHITE, side_px))[0]


def test_a_residual_of_the_expected_texture_raises_nothing() -> None:
    assert local_power(residual(0.25, 0.0), WHITE, BLOCK_PX**2) is None


@pytest.mark.parametrize("side_px", [40, 48, BLOCK_PX])
def test_only_the_band_in_which_too_much_is_left_is_raised(side_px: int) -> None:
    """Truth from algebra: stripes of a quarter cycle per pixel lie in the band from 0.2 to 0.3."""
    raised = local_power(residual(0.25, 1.0, side_px), WHITE, side_px**2, side_px)

    assert raised is not None
    assert raised[0, 16] > 2
    assert raised[0, 3] == pytest.approx(1, abs=0.3)
    assert raised[0, 31] == pytest.approx(1, abs=0.3)
