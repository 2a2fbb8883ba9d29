"""Whether spots are taken as soft by themselves or as blurred by the optics, against spots of known blur."""

import pytest

from inspect_app.numerics.spot_border import with_borders
from inspect_app.numerics.spot_map import FoundSpot

DISCS_PX = (6.0, 9.0, 14.0, 20.0, 28.0)


def spots(blurs_px: list[float], *, known: float = 0.1) -> tuple[FoundSpot, ...]:
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


def test_spots_blurred_as_the_border_of_the_field_are_the_sharp_discs_behind() -> None:
    chosen = with_borders(spots([1.5] * 5), 1.5)

    assert [spot.diameter_px for spot in chosen] == pytest.approx(DISCS_PX, rel=0.002)
    assert all(spot.depth == pytest.approx(-0.5, abs=0.001) for spot in chosen)


@pytest.mark.parametrize("softness", [0.15, 0.25, 0.35])
def test_spots_whose_blur_goes_with_their_size_lie_nearer_to_half_depth(softness: float) -> None:
    chosen = with_borders(spots([softness * disc_px / 2 for disc_px in DISCS_PX]), 0.8)

    for spot, disc_px in zip(chosen, DISCS_PX, strict=True):
        assert 0.95 * disc_px < spot.diameter_px < 0.97 * disc_px
        assert -0.49 < spot.depth < -0.48


@pytest.mark.parametrize(("border_px", "softness", "known"), [(None, 0.25, 0.1), (1.5, 0.25, 2.0), (0.8, 0.25, 0.1)])
def test_where_nothing_tells_them_apart_the_uncertainty_covers_both(
    border_px: float | None, softness: float, known: float
) -> None:
    """No border of the field; spots too faint to say anything of their blur; spots soft in another way than it."""
    chosen = with_borders(spots([softness * px / 2 for px in DISCS_PX], known=known), border_px)

    for spot, disc_px in zip(chosen, DISCS_PX, strict=True):
        assert spot.diameter_px - 2 * spot.diameter_u_px < 0.95 * disc_px
        assert spot.diameter_px + 2 * spot.diameter_u_px > disc_px


def test_one_spot_in_another_focus_does_not_outvote_the_others() -> None:
    chosen = with_borders(spots([1.5, 1.5, 1.5, 1.5, 6.0]), 1.5)

    assert chosen[0].diameter_px > 0.99 * DISCS_PX[0]
