"""Marks placed as a lens draws them, on charts of known places (tests/truth/grids.py)."""

import math

import numpy as np
import numpy.typing as npt
import pytest

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.grid_fit import solved
from inspect_app.numerics.grids.grid_points import find_grid
from inspect_app.numerics.grids.lattice import Lattice
from inspect_app.numerics.grids.mark_registration import DrawnMarks, reach_of, registered_as_drawn
from tests.truth.grids import Grid

Array = npt.NDArray[np.float64]


def a_chart(kind: str) -> Grid:
    return Grid(kind=kind, rows=360, cols=480, spacing_px=44, mark_px=11, k1=-0.09, k2=0.02, phase=(0.2, 0.3))


def lit_unevenly(picture: Array) -> Array:
    rows, cols = picture.shape
    return picture * (1 - 0.4 * np.hypot(*np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]) ** 2 / 2)


def drawn(light: Array) -> tuple[Lattice, DrawnMarks]:
    view = ChartView(light=light)
    lattice = find_grid(view)
    assert lattice is not None
    rows, cols = light.shape
    half = math.hypot(rows, cols) / 2
    index = lattice.index.astype(float)
    seen = (lattice.points - np.array([cols - 1, rows - 1]) / 2) / half
    fit = solved(seen, index, terms=2, keystone_scatter=0.0)
    return lattice, registered_as_drawn(view, lattice.points, index, fit, reach_of(lattice.mark_px))


def worst_off(points: Array, grid: Grid) -> float:
    return float(np.max([np.min(np.hypot(*(grid.places() - point).T)) for point in points]))


@pytest.mark.parametrize("kind", ["dots", "crosses"])
def test_marks_that_the_lens_drew_are_told_and_placed(kind: str) -> None:
    """Truth: the nodes of the chart through the lens; the share is 1, for the picture was drawn backwards."""
    grid = a_chart(kind)

    plain, marks = drawn(lit_unevenly(grid.ideal()))

    assert marks.share == pytest.approx(1.0, abs=0.03)
    assert worst_off(marks.points, grid) < 0.01
    assert worst_off(plain.points, grid) > 2 * worst_off(marks.points, grid)


def test_marks_that_are_round_wherever_they_lie_are_told_and_placed() -> None:
    """Truth: the nodes of the chart; the share is 0, for nothing but its place was given to a dot."""
    grid = a_chart("round")

    _, marks = drawn(lit_unevenly(grid.ideal()))

    assert marks.share == pytest.approx(0.0, abs=0.03)
    assert worst_off(marks.points, grid) < 0.01


def test_noise_that_hides_the_shapes_leaves_the_share_in_doubt() -> None:
    """Property: with a hundredth of the distortion, under noise, its uncertainty is that of not having looked."""
    grid = Grid(kind="dots", rows=360, cols=480, spacing_px=44, mark_px=5, k1=-0.0008)
    noise = np.random.default_rng(3).normal(0, 0.08, (360, 480))

    _, marks = drawn(0.5 + 0.4 * grid.ideal() + noise)

    assert 0.3 < marks.share_u <= 0.5
    assert np.max(marks.share_u * np.abs(marks.by_share_px)) < 0.002
