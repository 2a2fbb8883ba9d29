"""Response and noise of drawn steps against algebra and scipy."""

import math

import numpy as np
import pytest
from scipy import stats

from inspect_app.numerics.wedges.step_reading import StepReading, read_step
from inspect_app.numerics.wedges.wedge_response import faintest_exposure, fit_response


def reading(exposure: float, *, offset: float, floor: float, slope: float, clip: float = math.inf) -> StepReading:
    """Return a noiseless reading of a linear sensor of gain 1."""
    mean = min(offset + exposure, clip)
    variance = floor + slope * exposure
    return StepReading(
        exposure=exposure,
        mean=mean,
        mean_u=math.sqrt(variance / 2000),
        variance=variance if mean < clip else 0.0,
        variance_u=variance * math.sqrt(2 / 2000),
        code_step=0.0,
        saturated=float(mean >= clip),
        censored=0.0,
    )


def test_response_and_noise_of_an_ideal_sensor_come_back() -> None:
    """Truth from algebra: offset 0.05, gain 1, variance 1e-8 + 1e-5 signal, clipped at 0.4."""
    steps = [reading(2.0**-k, offset=0.05, floor=1e-8, slope=1e-5, clip=0.4) for k in range(16)]

    response = fit_response(steps, clip_level=0.4, has_pattern=False)

    assert response is not None
    assert response.offset == pytest.approx(0.05, abs=1e-6)
    assert response.gain == pytest.approx(1.0, abs=1e-4)
    assert response.noise_floor == pytest.approx(1e-8, rel=1e-3)
    assert response.noise_slope == pytest.approx(1e-5, rel=1e-3)
    assert response.clip_exposure == pytest.approx(0.35, abs=1e-4)
    assert response.first_linear == 2


@pytest.mark.parametrize("snr", [1, 2, 10])
def test_the_faintest_exposure_solves_the_quadratic(snr: float) -> None:
    """Truth from algebra: S² = k² (a + b S)."""
    steps = [reading(2.0**-k, offset=0.0, floor=1e-8, slope=1e-5, clip=0.4) for k in range(16)]
    response = fit_response(steps, clip_level=0.4, has_pattern=False)
    assert response is not None

    found = faintest_exposure(response, snr, (np.array([0.0, 1.0]), np.array([0.0, 0.0])))

    root = (snr**2 * 1e-5 + math.sqrt(snr**4 * 1e-10 + 4 * snr**2 * 1e-8)) / 2
    assert found == pytest.approx(root, rel=1e-3)


@pytest.mark.parametrize("snr", [0.0, 0.5, 1.0, 2.0])
def test_a_normal_distribution_cut_off_at_black_is_read_whole(snr: float) -> None:
    """Truth by construction: mean snr, standard deviation 1, values below 0 stand at 0; 60 000 values, 4 sigma."""
    values = np.maximum(np.random.default_rng(1).normal(snr, 1.0, (2, 30_000)), 0)

    found = read_step(values, exposure=1.0, saturated=0.0, code_step=0.0)

    assert found.mean == pytest.approx(snr, abs=0.04)
    assert math.sqrt(found.variance) == pytest.approx(1.0, abs=0.03)


def test_the_cut_off_estimate_is_the_most_likely_one() -> None:
    """Reference: scipy.stats.CensoredData with a normal fit."""
    values = np.maximum(np.random.default_rng(2).normal(0.6, 1.0, 4000), 0)
    border = float(values[values > 0].min()) / 2
    data = stats.CensoredData(uncensored=values[values > 0], left=np.full(int((values == 0).sum()), border))

    mean, sd = stats.norm.fit(data)
    found = read_step(values[None], exposure=1.0, saturated=0.0, code_step=0.0)

    assert (found.mean, math.sqrt(found.variance)) == pytest.approx((mean, sd), abs=2e-3)


@pytest.mark.parametrize("mean", [0.3, 0.9, 2.0])
def test_noise_of_little_more_than_half_a_code_is_read_whole_where_black_cuts_it_off(mean: float) -> None:
    """Truth by construction: standard deviation 0.6 codes, and 1 / 12 of a squared code for rounding; 4 sigma."""
    frames = np.maximum(np.rint(np.random.default_rng(5).normal(mean, 0.6, (4, 10_000))), 0)

    found = read_step(frames, exposure=1.0, saturated=0.0, code_step=1.0)

    assert found.mean == pytest.approx(mean, abs=4 * found.mean_u)
    assert found.variance == pytest.approx(0.36 + 1 / 12, abs=4 * found.variance_u)
    assert found.mean_u < 0.01
    assert found.variance_u < 0.03 * found.variance


def test_the_doubt_of_a_step_cut_off_at_black_is_the_scatter_of_its_readings() -> None:
    """200 draws of 1000 values; a standard deviation from them is known to 5 %, the bounds are 4 sigma wide."""
    rng = np.random.default_rng(6)
    drawn = [np.maximum(np.rint(rng.normal(0.6, 0.7, (1, 1000))), 0) for _ in range(200)]

    found = [read_step(values, exposure=1.0, saturated=0.0, code_step=1.0) for values in drawn]

    assert np.std([one.mean for one in found]) == pytest.approx(found[0].mean_u, rel=0.2)
    assert np.std([one.variance for one in found]) == pytest.approx(found[0].variance_u, rel=0.25)


def test_flicker_between_frames_is_no_noise() -> None:
    """Truth by construction: standard deviation 0.01 under a flicker of 10 %."""
    rng = np.random.default_rng(3)
    frames = np.stack([0.5 * gain + rng.normal(0, 0.01, 5000) for gain in (0.9, 1.1, 1.0)])

    found = read_step(frames, exposure=1.0, saturated=0.0, code_step=0.0)

    assert math.sqrt(found.variance) == pytest.approx(0.01, rel=0.03)


def test_a_step_of_zeros_and_equal_codes_has_the_noise_of_rounding() -> None:
    """Truth: algebra, values within one code of 0.01 have at least the variance 0.01^2 / 12."""
    values = np.zeros((1, 400))
    values[0, ::2] = 0.01

    found = read_step(values, exposure=1.0, saturated=0.0, code_step=0.01)

    assert found.variance >= 0.01**2 / 12 * (1 - 1e-9)
    assert 0.0 <= found.mean <= 0.01
    assert found.variance_u > 0.2 * found.variance


def test_steps_that_are_black_throughout_are_doubted_by_a_code() -> None:
    """Algebra: values that all round to the lowest code lie anywhere within it; no doubt at all would weigh all."""
    rng = np.random.default_rng(8)
    black = [read_step(np.zeros((2, 400)), exposure=2.0**-k, saturated=0.0, code_step=1 / 255) for k in (9, 10, 11)]
    lit = [
        read_step(
            np.round(255 * (2.0**-k + 0.002 * rng.standard_normal((2, 400)))).clip(0) / 255,
            exposure=2.0**-k,
            saturated=0.0,
            code_step=1 / 255,
        )
        for k in range(1, 7)
    ]

    response = fit_response([*lit, *black], clip_level=None, has_pattern=False)

    assert all(reading.mean_u == pytest.approx(1 / 255 / math.sqrt(12 * 800)) for reading in black)
    assert response is not None
    assert response.gain == pytest.approx(1.0, rel=0.02)
