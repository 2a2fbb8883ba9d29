"""Diameter and depth of spots whose borders are soft by themselves, or discs that were blurred."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.spot_border import blended, half_depth, readings_of, sharp_disc
from inspect_app.numerics.spots.spot_kinds import BEHIND, EACH, ONE, OWN, SHARP

SPOT = FoundSpot(
    x=100.0,
    y=50.0,
    diameter_px=11.4,
    diameter_u_px=0.1,
    depth=-0.48,
    depth_u=0.01,
    disc_px=12.0,
    disc_u_px=0.12,
    disc_depth=-0.5,
    disc_depth_u=0.02,
    blur_px=1.0,
    log_blur_u=0.1,
)


def test_a_spot_is_read_at_half_of_its_depth_or_as_the_disc_that_was_blurred() -> None:
    readings = readings_of(SPOT, {})

    assert [readings[kind] for kind in (OWN, BEHIND)] == [(11.4, 0.1, -0.48, 0.01)] * 2
    assert [readings[kind] for kind in (ONE, EACH, SHARP)] == [(12.0, 0.12, -0.5, 0.02)] * 3


def test_the_depth_of_a_disc_counts_less_the_less_of_its_plateau_is_left() -> None:
    depths = [sharp_disc(replace(SPOT, blur_px=softness * 6)).depth for softness in (0.1, 0.4, 0.5, 0.7)]

    assert depths == pytest.approx([-0.5, -0.49, -0.485, -0.48])


def test_what_was_fitted_again_with_its_blur_known_is_read_in_place_of_how_it_looks() -> None:
    """A spot behind the optics that is soft besides is read at half of its own depth, a sharp one as a disc."""
    fitted = replace(SPOT, diameter_px=10.0, disc_px=10.1, depth=-0.6, disc_depth=-0.61)

    readings = readings_of(SPOT, {BEHIND: fitted, SHARP: fitted})

    assert (readings[BEHIND].diameter_px, readings[BEHIND].depth) == (10.0, -0.6)
    assert (readings[SHARP].diameter_px, readings[SHARP].depth) == (10.1, -0.61)
    assert readings[ONE] == sharp_disc(SPOT)


@pytest.mark.parametrize("probability", [0.1, 0.5, 0.9])
def test_a_mean_of_two_readings_holds_the_likelier_and_half_of_the_way_to_the_other(probability: float) -> None:
    seen = half_depth(SPOT)
    behind = seen._replace(diameter_px=0.7 * SPOT.diameter_px, depth=-0.8)

    chosen = blended(SPOT, [seen, behind], np.array([1 - probability, probability]))

    likelier = behind if probability > 0.5 else seen
    middle_px = (seen.diameter_px + behind.diameter_px) / 2
    assert abs(chosen.diameter_px - likelier.diameter_px) < 2 * chosen.diameter_u_px
    assert abs(chosen.diameter_px - middle_px) < 2 * chosen.diameter_u_px
    assert behind.depth < chosen.depth < seen.depth


@pytest.mark.parametrize("probability", [0.03, 0.1, 0.27, 0.5, 0.9])
def test_two_uncertainties_hold_95_in_100_of_what_either_reading_may_be(probability: float) -> None:
    """Truth by drawing: 20 000 times one of the readings, with its own uncertainty; 0.004 is 2.6 deviations of that."""
    rng = np.random.default_rng(1)
    seen = half_depth(SPOT)
    behind = seen._replace(diameter_px=7.9, diameter_u_px=0.7)
    is_behind = rng.random(20_000) < probability
    drawn = np.where(is_behind, rng.normal(7.9, 0.7, 20_000), rng.normal(seen.diameter_px, 0.1, 20_000))

    chosen = blended(SPOT, [seen, behind], np.array([1 - probability, probability]))

    assert np.mean(np.abs(drawn - chosen.diameter_px) <= 2 * chosen.diameter_u_px) > 0.946


@pytest.mark.parametrize("depth_u", [0.0, 0.3, 5.0])
def test_a_dark_spot_behind_a_blur_lies_between_as_deep_as_it_looks_and_black(depth_u: float) -> None:
    """Truth from algebra: of what is not known at all the mean is the middle, the deviation the width over root 12."""
    seen = replace(SPOT, depth=-0.2)

    reading = readings_of(seen, {BEHIND: replace(seen, depth=-1.4, depth_u=depth_u)})[BEHIND]

    assert -1 <= reading.depth < -0.55
    assert reading.depth_u <= 0.8 / np.sqrt(12) + 0.01
