"""Arcs of a round field's border: circles, levels and what lies beyond are made to order."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy import special

from inspect_app.numerics.edges.field_arc import is_field_border

Array = npt.NDArray[np.float64]
ROWS, COLS = 300, 400  # half of the diagonal: 250 px


def disc(radius_px: float, beyond: float, centre_x: float = 200.0) -> Array:
    """Return a picture of a disc of level 0.6 before a ground."""
    y, x = np.mgrid[:ROWS, :COLS]
    share = special.ndtr((radius_px - np.hypot(x - centre_x, y - 150.0)) / 2)
    noise = np.random.default_rng(1).normal(0, 0.03, share.shape)
    return np.asarray(beyond + (0.6 - beyond) * share + noise)


def corner(radius_px: float, centre_x: float = 200.0) -> tuple[Array, Array]:
    """Return rows and columns of places along the circle in the picture's lower right corner, to 0.2 px."""
    angle = np.linspace(0, np.pi / 2, 400)
    row = 150.0 + radius_px * np.sin(angle)
    col = centre_x + radius_px * np.cos(angle) + np.random.default_rng(2).normal(0, 0.2, angle.size)
    seen = (row < ROWS - 1) & (col < COLS - 1)
    return row[seen], col[seen]


def test_an_arc_with_darkness_beyond_it_is_a_fields_border() -> None:
    assert is_field_border(disc(220, beyond=0.01), *corner(220))


def test_an_arc_before_a_lit_ground_is_an_edge() -> None:
    """Bright beyond, as is the ground of a chart whose dark square is bent by distortion."""
    assert not is_field_border(disc(220, beyond=0.9), *corner(220))


def test_an_arc_with_another_lit_thing_beyond_it_is_an_edge() -> None:
    picture = disc(220, beyond=0.01)
    picture[-40:, -40:] = 0.6

    assert not is_field_border(picture, *corner(220))


@pytest.mark.parametrize("radius_px", [400.0, 1000.0], ids=["bent", "hardly bent"])
def test_an_arc_as_wide_as_distortion_bends_an_edge_is_an_edge(radius_px: float) -> None:
    """A radius of 1.6 and of 4 times half the diagonal, as of barrel distortion by 31 and by 12 % at the corner."""
    centre_x = 300.0 - radius_px

    assert not is_field_border(disc(radius_px, 0.01, centre_x), *corner(radius_px, centre_x))


def test_a_straight_ridge_is_an_edge() -> None:
    y, x = np.mgrid[:ROWS, :COLS]
    row = np.arange(240.0, 299.0)

    assert not is_field_border(0.6 * special.ndtr((560.0 - x - y) / 2), row, 560.0 - row)
