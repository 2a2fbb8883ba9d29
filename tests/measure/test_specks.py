"""Spots of hardly more than a pixel."""

import math

import pytest

from inspect_app.measure.blemish import blemish
from tests.bench.bench_spots import OPTIONS, random_field
from tests.truth.sensor import still_of


@pytest.mark.parametrize("hardness", [0.35, 1.0])
def test_a_speck_that_was_sought_a_pixel_beside_is_found_where_it_is(hardness: float) -> None:
    """Truth by construction: a Gaussian of 1.43 px; from that start all fits ended between pixels, twice as wide."""
    truth, _ = random_field(3207, 14, hardness, profiles=("gaussian",))
    speck = min(truth.spots, key=lambda spot: spot.diameter_px)

    measured = blemish((still_of(truth.exposure),), OPTIONS)

    found = min(measured.features, key=lambda f: math.hypot(f.x - speck.x, f.y - speck.y))
    assert math.hypot(found.x - speck.x, found.y - speck.y) < 0.2
    assert found.diameter_px == pytest.approx(speck.diameter_px, abs=2 * (found.diameter_uncertainty_px or 0))
    assert found.contrast == pytest.approx(speck.contrast, abs=3 * (found.contrast_uncertainty or 0))
