"""Ripple of a lit level: found, carried back to its start, and told from noise."""

import numpy as np
import pytest

from inspect_app.numerics.changes.ripple import ripple

LIT = slice(20, 80)


def wave(times, period, *, second=0.0):
    angle = 2 * np.pi * times / period
    return np.sin(angle + 0.7) + second * np.cos(2 * angle)


@pytest.mark.parametrize("period", [2.2, 3.0, 5.7, 11.3])
def test_a_ripple_is_told_from_where_the_level_holds_at_all_times(period):
    """Algebra: the ripple is added, and must come back also where the light was dark."""
    times, noise = np.arange(80.0), 0.05 * np.random.default_rng(3).standard_normal(80)
    rippling = 4 + wave(times, period, second=0.3)

    found = ripple(times, np.where(times < 20, 0.0, rippling) + noise, LIT)

    assert found == pytest.approx(rippling - 4, abs=0.1)


def test_samples_at_uneven_times_show_a_ripple_as_well():
    times = np.cumsum(np.random.default_rng(5).choice([0.85, 1.0, 1.15, 2.0], 80))

    found = ripple(times, 4 + 0.01 * times + wave(times, 4.4), LIT)

    assert found == pytest.approx(wave(times, 4.4), abs=0.02)


def test_noise_is_no_ripple():
    """200 levels with white noise, and as many with slow drift, of 20 to 60 lit samples: none is taken for a ripple."""
    rng = np.random.default_rng(7)

    for _ in range(200):
        count = int(rng.integers(40, 81))
        noise = rng.standard_normal(count)
        assert ripple(np.arange(float(count)), noise, slice(20, count)) is None
        assert ripple(np.arange(float(count)), 0.1 * np.cumsum(noise) / count + 0.1 * noise, slice(20, count)) is None


def test_a_level_that_is_seen_too_briefly_has_no_ripple():
    assert ripple(np.arange(80.0), wave(np.arange(80.0), 3.0), slice(61, 80)) is None
