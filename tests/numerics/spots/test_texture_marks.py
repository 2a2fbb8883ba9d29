"""How much more of a spot a spot has to be in a field whose texture draws marks like spots."""

import math

import numpy as np
import pytest

from inspect_app.numerics.spots.spot_map import FlatField, flatten, map_spots
from inspect_app.numerics.spots.texture_marks import BY_CHANCE, CLEAR_OF_ALL, LEAST_MARK, evidence_beyond

TILE, TILES = (100, 90), (3, 4)
FAINT = (0.042, 0.043, 0.043, 0.044, 0.044, 0.044, 0.045, 0.045, 0.046)
NOISE = 0.0115


def field_of(depths: tuple[float, ...]) -> FlatField:
    """Draw dark soft points, one to a tile, in noise that is the same in each: what differs is their depth alone."""
    image = 1 + NOISE * np.tile(np.random.default_rng(11).standard_normal(TILE), TILES)
    rows, cols = np.indices(image.shape)
    for k, depth in enumerate(depths):
        y, x = 50.0 + TILE[0] * (k // TILES[1]), 45.0 + TILE[1] * (k % TILES[1])
        image -= depth * np.exp(-((rows - y) ** 2 + (cols - x) ** 2) / (2 * 1.1**2))
    flat = flatten(image, np.ones(image.shape, dtype=bool))
    assert flat is not None
    return flat


def depths_in(depths: tuple[float, ...]) -> list[float]:
    found = map_spots(field_of(depths), smallest_px=1.0, largest_px=60.0, faintest=0.05)
    return sorted(abs(spot.depth) for spot in found.spots)


def test_a_field_without_marks_asks_nothing_of_a_spot() -> None:
    assert evidence_beyond([]) == 0.0
    assert evidence_beyond([LEAST_MARK - 1]) == 0.0


def test_marks_ask_for_the_logarithm_of_their_number_times_their_mean_excess() -> None:
    """Truth by algebra: n exp(-(e - threshold) / mean) is a tenth there."""
    least = evidence_beyond([LEAST_MARK + 5, LEAST_MARK + 15, LEAST_MARK + 10])

    assert 3 * math.exp(-(least - LEAST_MARK) / 10) == pytest.approx(BY_CHANCE)


def test_no_field_asks_for_more_than_twelve_standard_uncertainties() -> None:
    """Nor does one spot that is faint and clear stand for a texture."""
    assert evidence_beyond([95.0] * 50) == CLEAR_OF_ALL
    assert evidence_beyond([4000.0]) == 0.0


def test_a_texture_passes_its_own_marks_about_once_in_ten_fields() -> None:
    """Truth by drawing: twelve marks of an exponential tail tell how far twelve others reach."""
    draw = np.random.default_rng(3)
    beyond = [
        np.count_nonzero(
            LEAST_MARK + draw.exponential(8.0, 12) > evidence_beyond(LEAST_MARK + draw.exponential(8.0, 12))
        )
        for _ in range(2000)
    ]

    assert 0.05 < float(np.mean(beyond)) < 0.3


def test_a_speck_as_strong_as_the_marks_of_a_grain_is_one_of_them() -> None:
    """Truth by construction: nine points just below 5 % of the light, and a tenth just above."""
    assert depths_in((0.058,)) == [pytest.approx(0.058, rel=0.25)]
    assert depths_in((*FAINT, 0.058)) == []


def test_a_spot_deeper_than_the_marks_of_a_grain_is_found_among_them() -> None:
    """Truth by construction: a tenth point of 14 %."""
    assert depths_in((*FAINT, 0.14)) == [pytest.approx(0.14, rel=0.2)]
