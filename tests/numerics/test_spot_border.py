"""Whether spots are taken as soft by themselves or as blurred by the optics, against spots of known blur."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.numerics.found_spot import FoundSpot
from inspect_app.numerics.spot_border import (
    BELIEF,
    DISC_SHARE,
    SHARP,
    UNLIKE_SHARE,
    blended,
    disc_share,
    shared_blur,
    with_border,
)

DISCS_PX = np.array([3.0, 4.0, 6.0, 9.0, 14.0, 20.0, 28.0])


def spots(blurs_px: np.ndarray, *, known: float = 0.1) -> tuple[FoundSpot, ...]:
    """Spots of growing size whose outline lies 5 % further in than their disc, and 4 % less deep."""
    return tuple(
        FoundSpot(
            x=100.0 * place,
            y=50.0,
            diameter_px=0.95 * disc_px,
            diameter_u_px=0.1,
            depth=-0.48,
            depth_u=0.01,
            disc_px=disc_px,
            disc_u_px=0.1,
            disc_depth=-0.5,
            disc_depth_u=0.01,
            blur_px=blur_px,
            log_blur_u=known,
        )
        for place, (disc_px, blur_px) in enumerate(zip(DISCS_PX, blurs_px, strict=True))
    )


def test_sharp_spots_blurred_as_the_border_of_the_field_were_blurred_with_it() -> None:
    shared = shared_blur(spots(np.full(7, 1.2)), 1.25)

    assert (shared.probability > 0.99, shared.softness) == (True, SHARP)
    assert 1.2 < shared.px < 1.25


@pytest.mark.parametrize("softness", [0.2, 0.3])
def test_soft_spots_that_the_optics_blurred_besides_were_blurred_with_the_border(softness: float) -> None:
    shared = shared_blur(spots(np.hypot(1.0, softness * DISCS_PX / 2), known=0.05), 1.0)

    assert shared.probability > 0.5
    assert (shared.px, shared.softness > SHARP) == (1.0, True)


@pytest.mark.parametrize("softness", [0.15, 0.25, 0.35])
def test_spots_sharper_than_the_border_of_the_field_were_not_blurred_with_it(softness: float) -> None:
    assert shared_blur(spots(softness * DISCS_PX / 2), 1.5).probability < 0.02


def test_spots_without_a_plateau_say_nothing_for_a_blur_that_they_may_have_of_their_own() -> None:
    assert shared_blur(spots(0.8 * DISCS_PX / 2), 0.8 * DISCS_PX[0] / 2).probability <= BELIEF


def test_one_spot_in_another_focus_does_not_outvote_the_others() -> None:
    assert shared_blur(spots(np.array([0.4, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5])), 1.5).probability > 0.9


def test_a_spot_that_is_clearly_sharper_than_the_border_is_not_taken_as_blurred_by_it() -> None:
    given = spots(np.array([0.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5]), known=0.05)

    shared = shared_blur(given, 1.5)

    assert shared.probability_for(given[0]) < 0.01
    assert shared.probability_for(given[1]) == pytest.approx(shared.probability)


def test_spots_too_faint_to_tell_their_blur_do_not_vote() -> None:
    faint = spots(np.full(7, 0.3), known=2.0)

    assert shared_blur(faint, 1.5) == shared_blur((), 1.5)
    assert shared_blur([replace(spot, depth=-0.07) for spot in spots(np.full(7, 0.3))], 1.5) == shared_blur((), 1.5)


@pytest.mark.parametrize("probability", [0.1, 0.5, 0.9])
def test_a_mean_of_two_readings_holds_the_likelier_and_half_of_the_way_to_the_other(probability: float) -> None:
    seen = spots(np.full(7, 1.5))[0]
    behind = replace(seen, diameter_px=0.7 * seen.diameter_px, depth=-1.4)

    chosen = blended(seen, behind, probability)

    likelier = behind if probability > 0.5 else seen
    middle_px = (seen.diameter_px + behind.diameter_px) / 2
    assert abs(chosen.diameter_px - likelier.diameter_px) < 2 * chosen.diameter_u_px
    assert abs(chosen.diameter_px - middle_px) < 2 * chosen.diameter_u_px
    assert -1 <= chosen.depth < seen.depth


@pytest.mark.parametrize("probability", [0.03, 0.1, 0.27, 0.5, 0.9])
def test_two_uncertainties_hold_95_in_100_of_what_either_reading_may_be(probability: float) -> None:
    """Truth by drawing: 20 000 times one of the readings, with its own uncertainty; 0.004 is 2.6 deviations of that."""
    rng = np.random.default_rng(1)
    seen, behind = spots(np.full(7, 1.0))[2], replace(spots(np.full(7, 1.0))[2], diameter_px=4.4, diameter_u_px=0.7)
    is_behind = rng.random(20_000) < probability
    drawn = np.where(is_behind, rng.normal(4.4, 0.7, 20_000), rng.normal(seen.diameter_px, 0.1, 20_000))

    chosen = blended(seen, behind, probability)

    assert np.mean(np.abs(drawn - chosen.diameter_px) <= 2 * chosen.diameter_u_px) > 0.946


@pytest.mark.parametrize("depth_u", [0.0, 0.3, 5.0])
def test_a_dark_spot_behind_a_blur_lies_between_as_deep_as_it_looks_and_black(depth_u: float) -> None:
    """Truth from algebra: of what is not known at all the mean is the middle, the deviation the width over root 12."""
    seen = replace(spots(np.full(7, 1.5))[0], depth=-0.2)

    chosen = blended(seen, replace(seen, depth=-1.4, depth_u=depth_u), 1.0)

    assert -1 <= chosen.depth < -0.55
    assert chosen.depth_u <= 0.8 / np.sqrt(12) + 0.01


@pytest.mark.parametrize("softness", [0.15, 0.25, 0.35])
def test_spots_each_with_a_blur_of_its_own_end_nearer_to_half_of_their_depth(softness: float) -> None:
    assert disc_share(spots(softness * DISCS_PX / 2)) == pytest.approx(UNLIKE_SHARE, abs=0.01)


def test_spots_with_one_blur_may_be_sharp_discs_as_may_one_spot_and_spots_that_do_not_tell() -> None:
    assert disc_share(spots(np.full(7, 1.2))) == DISC_SHARE
    assert disc_share(spots(0.2 * DISCS_PX / 2)[:1]) == pytest.approx(DISC_SHARE, abs=0.04)
    assert disc_share(spots(0.2 * DISCS_PX / 2, known=2.0)) == DISC_SHARE
    assert disc_share(()) == DISC_SHARE


@pytest.mark.parametrize("share", [UNLIKE_SHARE, DISC_SHARE])
def test_the_uncertainty_covers_the_diameter_at_half_depth_and_that_of_the_sharp_disc(share: float) -> None:
    for spot in spots(0.25 * DISCS_PX / 2):
        chosen = with_border(spot, share)

        assert spot.diameter_px < chosen.diameter_px < spot.disc_px
        assert abs(spot.diameter_px - chosen.diameter_px) < 2 * chosen.diameter_u_px
        assert abs(spot.disc_px - chosen.diameter_px) < 2 * chosen.diameter_u_px
