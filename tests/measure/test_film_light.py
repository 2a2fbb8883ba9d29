"""How bright regions of a film are: the same by sums of codes as by looking up every point."""

import numpy as np
import pytest

from inspect_app.capture import Film
from inspect_app.capture.transfer import decoder
from inspect_app.measure._films.light import Samples, watch
from inspect_app.measure._films.region_traces import traces_of


def film_of(frames: np.ndarray, exposures: np.ndarray) -> Film:
    """Return a film of frames of codes, shape (n, rows, cols), with the exposure of each code."""
    codes = [(number / 100, frame) for number, frame in enumerate(frames)]
    return Film(
        name="film",
        sha256="",
        rows=frames.shape[1],
        cols=frames.shape[2],
        open_frames=lambda: ((time_s, exposures[frame]) for time_s, frame in codes),
        open_codes=lambda: iter(codes),
        exposures=exposures,
    )


FULL_RANGE = np.arange(256.0) / 255
STUDIO = np.clip(np.arange(256.0) - 16, 0, 219) / 219


@pytest.mark.parametrize("exposures", [FULL_RANGE, STUDIO, decoder("srgb")(np.arange(256), 255), np.ones(256)])
def test_regions_shine_as_the_mean_exposure_of_their_points(exposures: np.ndarray) -> None:
    """Truth is the mean of looked-up codes, also of those below black and above white."""
    rng = np.random.default_rng(3)
    frames = rng.integers(0, 256, (70, 40, 60)).astype(np.uint8)
    regions = rng.random((2, 40, 60)) < np.array([0.3, 0.6])[:, None, None]

    light = traces_of(film_of(frames, exposures), Samples(codes=frames, step_px=1), list(regions))

    truth = np.stack([exposures[frames[:, region]].mean(axis=1) for region in regions], axis=1)
    np.testing.assert_allclose(light, truth, atol=1e-6)


def test_regions_of_ten_bits_shine_as_the_mean_exposure_of_their_points() -> None:
    """Studio range of 10 bits, 64 to 940; truth as above."""
    exposures = np.clip(np.arange(1024.0) - 64, 0, 876) / 876
    frames = np.random.default_rng(4).integers(0, 1024, (9, 30, 30)).astype(np.uint16)

    light = traces_of(film_of(frames, exposures), Samples(codes=frames, step_px=1), [np.ones((30, 30), dtype=bool)])

    np.testing.assert_allclose(light[:, 0], exposures[frames].mean(axis=(1, 2)), atol=1e-6)


@pytest.mark.parametrize("cols", [639, 640, 960, 1281])
@pytest.mark.parametrize("stored", [np.uint8, np.uint16])
def test_a_film_is_watched_at_every_so_many_points(cols: int, stored: type) -> None:
    """Even or odd in width, in bytes or in wider codes: the samples are the codes at the points of the grid."""
    frames = np.random.default_rng(5).integers(0, 256, (4, 540, cols)).astype(stored)

    samples = watch(film_of(frames, FULL_RANGE), (), with_samples=True).samples

    assert samples is not None
    assert samples.step_px > 1
    np.testing.assert_array_equal(samples.codes, frames[:, :: samples.step_px, :: samples.step_px])
