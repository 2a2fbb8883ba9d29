"""Numbering of grids and fitting of radial distortion against points made by algebra."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.numerics.grids.chart_view import ChartView
from inspect_app.numerics.grids.lattice import index_lattice
from inspect_app.numerics.grids.radial_distortion import fit_radial_distortion


def points_of(k1: float, turn_deg: float, spacing_px: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Return distorted points of a 13 x 9 grid about (240, 180), and their numbers."""
    i, j = (value.ravel() for value in np.meshgrid(np.arange(-6, 7), np.arange(-4, 5)))
    angle = math.radians(turn_deg)
    x = spacing_px * (i * math.cos(angle) - j * math.sin(angle))
    y = spacing_px * (i * math.sin(angle) + j * math.cos(angle))
    stretch = 1 + k1 * (x**2 + y**2) / 300**2
    return np.column_stack([240 + x * stretch, 180 + y * stretch]), np.column_stack([i, j])


@given(k1=st.floats(-0.15, 0.15), turn_deg=st.floats(-40, 40), seed=st.integers(0, 2**31))
@settings(max_examples=25, deadline=None)
def test_every_point_of_a_bent_and_turned_grid_gets_its_number(k1: float, turn_deg: float, seed: int) -> None:
    """Property: neighbours in number are neighbours in the chart, whatever the order of the points."""
    points, numbers = points_of(k1, turn_deg)
    order = np.random.default_rng(seed).permutation(len(points))

    lattice = index_lattice(points[order], (240.0, 180.0))

    assert lattice is not None
    assert len(lattice.points) == len(points)
    place = {tuple(np.round(point, 6)): number for point, number in zip(points, numbers, strict=True)}
    true = np.array([place[tuple(np.round(point, 6))] for point in lattice.points])
    assert np.array_equal(lattice.index, true)


def test_strays_and_gaps_do_not_break_the_numbering() -> None:
    """Truth: by construction, ten points missing and ten strays."""
    points, _ = points_of(-0.08, 3.0)
    random = np.random.default_rng(3)
    kept = np.delete(points, random.choice(np.arange(20, 100), 10, replace=False), axis=0)
    strays = random.uniform((60, 60), (420, 300), (10, 2))

    lattice = index_lattice(np.vstack([kept, strays]), (240.0, 180.0))

    assert lattice is not None
    assert len(lattice.points) >= len(kept) - 3


def test_fewer_than_nine_points_are_no_grid() -> None:
    """Truth: by definition."""
    assert index_lattice(np.random.default_rng(1).uniform(0, 100, (8, 2)), (50.0, 50.0)) is None


@pytest.mark.parametrize("k1", [-0.1, 0.0, 0.06])
def test_exact_points_give_the_exact_distortion(k1: float) -> None:
    """Truth: algebra; k1 of r / 300 px, so (r / half diagonal)^2 times k1 (half diagonal / 300)^2."""
    points, _ = points_of(k1, 2.0)
    lattice = index_lattice(points, (240.0, 180.0))
    assert lattice is not None

    fit = fit_radial_distortion(lattice, ChartView(light=np.ones((361, 481))))[0]

    half = math.hypot(361, 481) / 2
    assert 100 * fit.share(np.array([0.8]))[0] == pytest.approx(100 * k1 * (0.8 * half / 300) ** 2, abs=0.005)
    assert fit.residual_px < 0.01
