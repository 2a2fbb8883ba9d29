"""Whether spots are taken as soft by themselves or as blurred discs, against spots of known blur."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.spot_kinds import BEHIND, EACH, ONE, OWN, SHARP, SpotKinds, kinds_of

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


def likeliest(kinds: SpotKinds) -> int:
    return int(np.argmax(kinds.likely))


@pytest.mark.parametrize("border_px", [None, 1.5, 6.0])
@pytest.mark.parametrize("softness", [0.15, 0.25, 0.35])
def test_spots_whose_blur_grows_with_size_are_soft_by_themselves(softness: float, border_px: float | None) -> None:
    kinds = kinds_of(spots(softness * DISCS_PX / 2), border_px)

    assert likeliest(kinds) == OWN
    assert kinds.likely[OWN] > 0.9


@pytest.mark.parametrize("border_px", [None, 3.0])
def test_spots_of_one_blur_are_discs_behind_it_whatever_the_border_shows(border_px: float | None) -> None:
    kinds = kinds_of(spots(np.array([0.98, 1.25, 1.2, 1.15, 1.25, 1.2, 1.2])), border_px)

    assert kinds.likely[ONE] > 0.9
    assert kinds.one_px == pytest.approx(1.18, abs=0.04)


def test_discs_with_the_blur_of_the_border_have_it_from_one_of_two_that_are_the_same() -> None:
    kinds = kinds_of(spots(np.full(7, 1.2)), 1.25)

    assert kinds.likely[ONE] + kinds.likely[SHARP] > 0.9
    assert kinds.likely[SHARP] > kinds_of(spots(np.full(7, 1.2)), 2.0).likely[SHARP]


@pytest.mark.parametrize("softness", [0.2, 0.3])
def test_soft_spots_that_the_optics_blurred_besides_were_blurred_with_the_border(softness: float) -> None:
    kinds = kinds_of(spots(np.hypot(1.0, softness * DISCS_PX / 2), known=0.05), 1.0)

    assert likeliest(kinds) == BEHIND


@pytest.mark.parametrize("softness", [0.2, 0.25])
def test_soft_spots_one_of_which_is_sharper_than_the_border_do_not_lie_behind_its_blur(softness: float) -> None:
    blurs_px = np.hypot(1.0, softness * DISCS_PX / 2)
    blurs_px[1] = 0.6

    kinds = kinds_of(spots(blurs_px, known=0.05), 1.0)

    assert kinds.likely[OWN] > 0.9


def test_blurs_that_know_nothing_of_the_size_are_those_of_discs_in_different_focus() -> None:
    """Truth by construction: ten spots, the largest of which are no softer than the smallest."""
    blurs_px = np.array([0.45, 0.9, 0.5, 1.3, 0.5, 1.6, 0.6])

    assert likeliest(kinds_of(spots(blurs_px, known=0.05), None)) == EACH


def test_the_area_of_a_pixel_is_no_blur_that_spots_share() -> None:
    """Truth by construction: spots soft by a sixth of their radius in pixels four times as large as those told of."""
    blurs_px = np.hypot(0.15 * DISCS_PX / 2, 0.6)

    own = [kinds_of(spots(blurs_px, known=0.02), None, pixel_px=side).likely[OWN] for side in (0.6 * np.sqrt(12), 0.1)]

    assert own[0] > own[1]


def test_spots_without_a_plateau_say_nothing_for_a_blur_that_they_may_have_of_their_own() -> None:
    border_px = 0.8 * DISCS_PX[0] / 2

    before, after = kinds_of((), border_px).likely, kinds_of(spots(0.8 * DISCS_PX / 2), border_px).likely

    for kind in (ONE, BEHIND, SHARP):
        assert after[kind] / after[OWN] <= before[kind] / before[OWN] + 1e-9


def test_one_spot_in_another_focus_does_not_outvote_the_others() -> None:
    kinds = kinds_of(spots(np.array([0.4, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5])), 1.5)

    assert kinds.likely[ONE] + kinds.likely[SHARP] > 0.8


def test_a_spot_that_is_clearly_sharper_than_the_border_is_not_taken_as_blurred_by_it() -> None:
    given = spots(np.array([0.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5]), known=0.05)

    kinds = kinds_of(given, 1.5)

    assert kinds.likely_for(given[0])[[ONE, BEHIND, SHARP]].max() < 0.01
    assert kinds.likely_for(given[1]) == pytest.approx(kinds.likely)


def test_spots_too_faint_to_tell_their_blur_do_not_vote() -> None:
    before = kinds_of((), 1.5).likely

    assert kinds_of(spots(np.full(7, 0.3), known=2.0), 1.5).likely == pytest.approx(before)
    assert kinds_of([replace(s, depth=-0.07) for s in spots(np.full(7, 0.3))], 1.5).likely == pytest.approx(before)


def test_a_single_spot_leaves_beliefs_that_a_border_does_not_bear_on_where_they_were() -> None:
    """One blur and one radius are any share and any blur alike; the grids differ by little."""
    before = kinds_of((), None).likely

    assert kinds_of(spots(0.2 * DISCS_PX / 2)[3:4], None).likely == pytest.approx(before, abs=0.1)
