"""The profile of a blurred disc against the distribution that it is."""

import numpy as np
import pytest
from scipy import special

from inspect_app.numerics.spots.spot_profile import blurred_disc, central_depth, half_radius


@pytest.mark.parametrize(("radius", "blur"), [(1.0, 1.0), (3.0, 1.0), (10.0, 0.8), (6.0, 6.0)])
def test_the_profile_is_the_non_central_chi_square_distribution(radius: float, blur: float) -> None:
    """Reference: scipy.special.chndtr."""
    profile = blurred_disc(radius, blur, 2 * radius)

    expected = special.chndtr((radius / blur) ** 2, 2, np.maximum((profile.r / blur) ** 2, 1e-12))
    assert profile.value == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("radius", "blur"), [(3.0, 1.0), (6.0, 4.0)])
def test_derivatives_are_those_of_the_profile(radius: float, blur: float) -> None:
    """Reference: differences of scipy.special.chndtr."""

    def exact(own_radius: float, own_blur: float) -> np.ndarray:
        return special.chndtr((own_radius / own_blur) ** 2, 2, np.maximum((profile.r / own_blur) ** 2, 1e-12))

    profile = blurred_disc(radius, blur, 2 * radius)
    step = 1e-5
    by_radius = (exact(radius * (1 + step), blur) - exact(radius * (1 - step), blur)) / (2 * step)
    by_blur = (exact(radius, blur * (1 + step)) - exact(radius, blur * (1 - step))) / (2 * step)

    assert profile.by_log_radius == pytest.approx(by_radius, abs=1e-4)
    assert profile.by_log_blur == pytest.approx(by_blur, abs=1e-4)


def test_a_sharp_disc_has_half_of_its_depth_at_its_border() -> None:
    """Truth from algebra: without blur the border is a step."""
    assert half_radius(10.0, 0.3) == pytest.approx(10.0, abs=0.05)


def test_a_strongly_blurred_disc_is_a_gaussian() -> None:
    """Truth from algebra: the half width of a Gaussian of standard deviation w is 1.1774 w."""
    assert half_radius(0.2, 2.0) == pytest.approx(1.17741 * 2.0, rel=0.01)


@pytest.mark.parametrize("softness", [0.003, 0.013, 0.1, 0.37, 0.9, 1.6, 7.0])
def test_half_of_the_depth_lies_where_the_distribution_has_half_of_its_central_value(softness: float) -> None:
    """Reference: scipy.special.chndtr."""
    half = half_radius(5.0, 5.0 * softness)

    depth = special.chndtr(softness**-2, 2, (half / 5.0 / softness) ** 2)
    assert depth == pytest.approx(float(central_depth(1.0, softness)) / 2, abs=4e-5 / softness + 1e-5)
