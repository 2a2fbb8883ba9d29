"""Ellipses of the area of a circle, against geometry."""

import math

import numpy as np
import pytest

from inspect_app.numerics.spots.spot_oval import MOST_STRETCHED, ROUND, Oval, away_of


@pytest.mark.parametrize(("stretch", "turned"), [(0.0, 0.0), (0.1, 0.3), (0.4, 2.0)])
def test_the_ends_of_both_axes_lie_on_the_circle(stretch: float, turned: float) -> None:
    """Geometry: the longer axis is e^stretch, the other e^-stretch, and the area is that of the circle."""
    oval = Oval(stretch * math.cos(2 * turned), stretch * math.sin(2 * turned))
    along, across = math.exp(stretch), math.exp(-stretch)
    x = np.array([along * math.cos(turned), -across * math.sin(turned)])
    y = np.array([along * math.sin(turned), across * math.cos(turned)])

    assert away_of(oval, x, y) == pytest.approx([1.0, 1.0])
    a, b, c = oval.metric()
    assert a * c - b * b == pytest.approx(1.0)


def test_a_circle_is_no_ellipse() -> None:
    assert away_of(ROUND, np.array([3.0]), np.array([4.0])) == pytest.approx([5.0])


def test_no_spot_is_stretched_without_end() -> None:
    assert ROUND.changed(3.0, -4.0) == pytest.approx((0.6 * MOST_STRETCHED, -0.8 * MOST_STRETCHED))
    assert ROUND.changed(0.1, 0.0).changed(0.0, 0.1) == pytest.approx((0.1, 0.1))
