"""Surfaces of a higher order against light that the smooth part cannot follow."""

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.finer_surface import alike_of, departures_of, finer_surface
from inspect_app.numerics.fields.smooth_field import SmoothField, smooth_field

SHAPE = (320, 360)


def _light() -> npt.NDArray[np.float64]:
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / 160.0
    light = 1 - 0.1 * (x - 1.1) ** 2 + 0.1 * np.exp(-(((x - 0.9) / 0.25) ** 2 + ((y - 1.2) / 0.25) ** 2) / 2)
    return np.asarray(light)


def _smooth(picture: npt.NDArray[np.float64]) -> SmoothField:
    smooth = smooth_field(picture, np.ones(SHAPE, dtype=bool))
    assert smooth is not None
    return smooth


def _all(smooth: SmoothField) -> npt.NDArray[np.bool_]:
    return np.ones(len(smooth.blocks.levels), dtype=bool)


def test_a_reflection_is_followed_to_its_top() -> None:
    """Truth by construction: 0.1 of the light, a quarter of the half height wide; the smooth part misses a fifth."""
    smooth = _smooth(_light())
    x, y = np.array([0.9 * 160]), np.array([1.2 * 160])

    finer = finer_surface(smooth, _all(smooth))

    assert finer is not None
    top = _light()[192, 144]
    assert abs(smooth.at(x, y)[0] - top) > 0.02
    assert abs(finer.at(x, y)[0] - top) < 0.006
    assert np.percentile(np.abs(departures_of(finer)), 95) < 0.006


def test_its_uncertainty_is_no_less_than_the_scatter_between_pictures() -> None:
    """Of 30 pictures with white noise, in four places: it is up to twice as wide, for tiles are fewer than terms."""
    x, y = np.array([60.0, 144, 200, 300]), np.array([80.0, 192, 160, 250])
    seen, stated = [], []
    for seed in range(30):
        smooth = _smooth(_light() + np.random.default_rng(seed).normal(0, 0.05, SHAPE))
        finer = finer_surface(smooth, _all(smooth))
        assert finer is not None
        terms = finer.terms(x, y)
        stated.append(((terms @ finer.covariance) * terms).sum(axis=1))
        seen.append(finer.at(x, y))

    assert 0.95 < np.sqrt(np.mean(stated) / np.var(seen, axis=0, ddof=1).mean()) < 2


def test_too_few_blocks_without_spots_make_no_surface() -> None:
    smooth = _smooth(_light())

    assert finer_surface(smooth, np.arange(len(smooth.blocks.levels)) < 300) is None


def test_noise_departs_by_chance_and_an_edge_alike_in_neighbours() -> None:
    """By construction: 5 % of noise in every block and on a row, or a step of 40 % across the picture."""
    rng = np.random.default_rng(5)
    rows, cols = np.indices(SHAPE)
    blocks = np.kron(rng.normal(0, 0.05, (54, 60)), np.ones((6, 6)))[: SHAPE[0]]
    striped = 0.5 * (1 + blocks + rng.normal(0, 0.05, (SHAPE[0], 1)))
    edge = 0.5 * (1 - 0.4 * (cols + rows / 3 > 230)) + rng.normal(0, 0.002, rows.shape)

    assert alike_of(_smooth(striped)) < 0.01
    assert 0.03 < alike_of(_smooth(edge)) < 0.06
