"""How far a number of bands may be off where the light of strips is known by construction."""

import dataclasses

import numpy as np
import pytest

from inspect_app.numerics.bands.band_doubt import count_variance
from inspect_app.numerics.bands.band_model import profile_of, refined, trapezoid
from inspect_app.numerics.bands.strip_light import StripLight
from inspect_app.numerics.bands.strip_texture import Strips

_PLACES = (np.arange(200) + 0.5) / 200
_NOISE = 0.01


def _light(count):
    return 0.2 + trapezoid(_PLACES * count - 0.45, 0.4, 0.2)


@pytest.mark.parametrize(("by_strips", "least", "most"), [(1.7, 0.0, 0.01), (1.8, 0.03, 0.2)])
def test_strips_that_say_otherwise_than_rows_add_to_the_doubt(by_strips, least, most):
    """Closed form: rows with 1.7 bands, and strips, as sure as they are, with as many or with 1.8."""
    rows = _light(1.7) + _NOISE * np.random.default_rng(2).standard_normal(200)
    light = _light(by_strips)
    size = float(np.sqrt(np.mean(light**2)))
    seen = profile_of(rows, None)
    seen = dataclasses.replace(seen, strips=StripLight(light / size, np.eye(200) * size / _NOISE, 0.0))
    start = np.array([1.7, 0.45, 0.4, 0.2])

    fit = refined(seen, start)
    alone = refined(dataclasses.replace(seen, strips=None), start)

    doubt = np.sqrt(count_variance(seen, fit, alone.x, Strips(np.tile(rows, (12, 1)), 200.0, is_clipped=False)))
    assert least < doubt < most
    assert abs(fit.x[0] - 1.7) < 2 * doubt


@pytest.mark.parametrize(("run", "more"), [(1, 1.0), (3, 3.0**0.5)])
def test_what_strips_differ_by_is_in_the_doubt_and_more_where_neighbours_share_it(run, more):
    """Closed form: noise in the strips but not in the weights; the mean of runs of three alike is 3 ** 0.5 as noisy."""
    rng = np.random.default_rng(4)
    seen = profile_of(_light(3.4), None)
    fit = refined(seen, np.array([3.4, 0.45, 0.4, 0.2]))
    counts, doubts = [], []
    for _ in range(40):
        strips = _light(3.4) + 0.05 * np.repeat(rng.standard_normal((12 // run, 200)), run, axis=0)
        doubts.append(count_variance(seen, fit, fit.x, Strips(strips, 200.0, is_clipped=False)))
        counts.append(refined(profile_of(strips.mean(axis=0), None), fit.x).x[0])

    assert np.sqrt(np.mean(doubts)) == pytest.approx(np.std(counts), rel=0.3)
    assert np.std(counts) == pytest.approx(more * 0.05 / 12**0.5 * _count_a_value(seen, fit), rel=0.3)


def _count_a_value(seen, fit):
    """Return the standard deviation of the number of bands by noise of 1 in each value."""
    return float(np.linalg.norm(np.linalg.pinv(fit.jac)[0, : len(seen.values)])) / seen.scale


def test_the_slopes_of_bands_are_not_taken_for_noise():
    """Truth by construction: bands that rise or fall in every row, by three times the noise."""
    rows = np.abs((_PLACES * 6) % 1 - 0.5) * 2 + 0.02 * np.random.default_rng(6).standard_normal(200)

    seen = profile_of(rows, None)

    assert seen.noise * seen.scale == pytest.approx(0.02, rel=0.2)
