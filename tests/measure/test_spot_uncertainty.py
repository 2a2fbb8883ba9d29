"""The doubt of a spot's diameter and contrast, against sums done by hand."""

import math

import pytest

from inspect_app.measure._blemish.spot_uncertainty import contrast_of, contrast_u, relative_diameter_u
from inspect_app.numerics.spots.found_spot import FoundSpot


def spot_of(depth: float, diameter_px: float = 10.0) -> FoundSpot:
    return FoundSpot(
        x=0.0,
        y=0.0,
        diameter_px=diameter_px,
        diameter_u_px=0.1 * diameter_px,
        depth=depth,
        depth_u=0.1,
        disc_px=diameter_px,
        disc_u_px=0.1,
        disc_depth=depth,
        disc_depth_u=0.1,
        blur_px=1.0,
        log_blur_u=0.1,
    )


@pytest.mark.parametrize(("depth", "louder"), [(0.6, math.sqrt((1 + 1.6**2) / 2)), (-0.8, math.sqrt((1 + 0.2**2) / 2))])
def test_the_noise_of_a_contrast_is_that_of_the_middle_and_of_the_surround(depth: float, louder: float) -> None:
    """Truth by algebra: the difference of two places, each as noisy as it is bright, over that of two alike."""
    assert contrast_u(spot_of(depth), 0.0) == pytest.approx(louder * 0.1, rel=0.01)


def test_the_outline_of_a_bright_spot_is_louder_and_that_of_a_dark_one_as_loud_as_the_field() -> None:
    """Truth by algebra: the outline has half of a spot's own light."""
    assert relative_diameter_u(spot_of(0.6)) == pytest.approx(0.13, rel=0.01)
    assert relative_diameter_u(spot_of(-0.6)) == pytest.approx(0.1, rel=0.01)


def test_a_spot_of_two_pixels_is_doubted_more_than_its_fit_doubts() -> None:
    """Property: the less the smaller, and nothing from three pixels on."""
    of_two, of_more, of_three, of_many = (relative_diameter_u(spot_of(-0.5, size)) for size in (2.0, 2.6, 3.0, 9.0))

    assert of_two > of_more > of_three
    assert of_three == pytest.approx(of_many)
    assert contrast_u(spot_of(-0.5, 2.0), 0.0) > contrast_u(spot_of(-0.5, 3.0), 0.0)


def test_an_uncertain_level_of_the_field_is_a_share_of_each_contrast() -> None:
    """Truth by algebra."""
    sure, unsure = (contrast_u(spot_of(-0.5), level_u) for level_u in (0.0, 0.3))

    assert unsure**2 - sure**2 == pytest.approx((0.5 * 0.3) ** 2)


def test_a_dark_spot_is_no_deeper_than_black() -> None:
    assert contrast_of(spot_of(-1.2)) == 1.0
    assert contrast_of(spot_of(1.2)) == 1.2
