"""Crossings of lines, against drawings whose crossings are known by construction."""

import numpy as np
import pytest
from scipy import ndimage

from inspect_app.numerics.grids.line_crossings import line_crossings


def drawn(turn_deg: float, spacing_px: float = 34.0, across: int = 4, down: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Return lines of 4 px that end on the chart's rim, turned about the middle, and where they cross."""
    turn, size = np.radians(turn_deg), (400, 400)
    fine = np.arange(4 * size[0]) / 4 - 0.375
    x, y = np.meshgrid(fine - 199.3, fine - 200.2)
    i = (x * np.cos(turn) + y * np.sin(turn)) / spacing_px
    j = (y * np.cos(turn) - x * np.sin(turn)) / spacing_px
    off_line = spacing_px * np.minimum(np.abs(i - np.round(i)), np.abs(j - np.round(j)))
    off_chart = spacing_px * np.maximum(np.abs(i) - across, np.abs(j) - down)
    covered = np.clip((2 - np.maximum(off_line, off_chart)) * 4 + 0.5, 0, 1)
    seen = covered.reshape(size[0], 4, size[1], 4).mean(axis=(1, 3))
    a, b = np.meshgrid(np.arange(-across, across + 1), np.arange(-down, down + 1))
    points = np.stack([a * np.cos(turn) - b * np.sin(turn), a * np.sin(turn) + b * np.cos(turn)], axis=-1)
    return ndimage.gaussian_filter(seen, 1.4), spacing_px * points.reshape(-1, 2) + [199.3, 200.2]


@pytest.mark.parametrize("turn_deg", [0.7, 12.0, 38.0])
def test_crossings_are_found_to_the_rim_of_a_chart_however_it_is_turned(turn_deg: float) -> None:
    """Truth: by construction; on the rim lines end on others, and in its corners each has one arm."""
    picture, crossings = drawn(turn_deg)

    grid = line_crossings(picture, (199.5, 199.5), 1.0)

    assert grid is not None
    away = np.hypot(*np.moveaxis(grid.points[:, None] - crossings[None], -1, 0))
    assert len(grid.points) == len(crossings)
    assert sorted(away.argmin(axis=1)) == list(range(len(crossings)))
    assert away.min(axis=1).max() < 0.1


def test_crossings_are_found_where_the_border_cuts_their_meshes() -> None:
    """Truth: by construction; the picture ends 12 px beyond the outermost crossings, 34 px apart."""
    picture, crossings = drawn(0.0, across=6, down=6)
    cut = picture[85:315, 85:315]

    grid = line_crossings(cut, (114.5, 114.5), 1.0)

    inside = np.all((crossings > 85 + 8) & (crossings < 315 - 9), axis=1)
    assert grid is not None
    assert len(grid.points) == np.count_nonzero(inside)


def test_noise_has_no_crossings() -> None:
    noise = np.random.default_rng(1).normal(0, 1, (300, 300))

    assert line_crossings(ndimage.gaussian_filter(noise, 1.0), (149.5, 149.5), 1.0) is None
