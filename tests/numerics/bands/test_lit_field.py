"""The rectangle that light reaches: within a tube's round border, within a dark frame, or all of a picture."""

import numpy as np
import pytest

from inspect_app.numerics.bands.lit_field import lit_field
from tests.truth.strobe import busy, in_round_field, strobe_picture


def light(seed, **options):
    """Return a picture of four bands, and the generator that made it."""
    rng = np.random.default_rng(seed)
    return strobe_picture(rng, readout_s=0.01, rows=480, cols=360, snr=20.0, **options), rng


@pytest.mark.parametrize(("radius_px", "row", "col"), [(170.0, 240.0, 180.0), (230.0, 230.0, 190.0), (120.0, 260, 150)])
def test_a_round_field_bounds_the_rectangle(radius_px, row, col):
    picture, rng = light(1, texture=0.1)
    found = lit_field(in_round_field(rng, picture, radius_px=radius_px, row=row, col=col))
    assert found.is_round
    corners = [(r, c) for r in (found.rows.start, found.rows.stop) for c in (found.cols.start, found.cols.stop)]
    farthest = max(np.hypot(r - row, c - col) for r, c in corners)
    assert 0.9 * radius_px < farthest < radius_px
    assert found.height > 1.6 * min(radius_px, 240)


@pytest.mark.parametrize("is_flipped", [False, True])
def test_the_arc_in_which_a_field_ends_at_one_side_bounds_the_rectangle(is_flipped):
    """Truth by construction: a disc that leaves two corners dark, and passes beyond the other two."""
    picture, rng = light(3, texture=0.1)
    arched = in_round_field(rng, picture, radius_px=280.0, row=190.0, col=180.0)
    found = lit_field(arched[::-1] if is_flipped else arched)
    assert found.is_round
    bottom = 480 - found.rows.start if is_flipped else found.rows.stop
    assert 0.9 * 280 < np.hypot(bottom - 190, max(180 - found.cols.start, found.cols.stop - 180)) < 280


def test_a_dark_frame_bounds_the_rectangle():
    picture, rng = light(2, texture=0.1)
    dark = np.ones_like(picture)
    dark[9:-12, 14:-10] = 0
    found = lit_field(np.where(dark > 0, 0.1 * picture + 0.01 * rng.standard_normal(picture.shape), picture))
    assert not found.is_round
    assert 9 <= found.rows.start <= 60  # a band's border so near the end may be taken for the frame's
    assert 12 <= 480 - found.rows.stop <= 60
    assert 14 <= found.cols.start <= 19
    assert 10 <= 360 - found.cols.stop <= 15


@pytest.mark.parametrize("seed", range(12))
def test_fall_off_texture_and_things_in_the_picture_leave_all_of_it(seed):
    picture, rng = light(seed, texture=0.15, fall_off=0.6)
    found = lit_field(busy(rng, picture))
    assert found.rows == slice(0, 480)
    assert found.cols == slice(0, 360)


@pytest.mark.parametrize("shape", [(64, 48), (10_000, 32), (32, 10_000)])
def test_a_field_without_light_is_taken_whole(shape):
    found = lit_field(np.zeros(shape))
    assert (found.rows, found.cols) == (slice(0, shape[0]), slice(0, shape[1]))


def test_a_band_that_fills_a_narrow_picture_is_no_round_field():
    """Seed 28: every row of the disc that fits best lies wholly within it or beyond it, and none tells of a border."""
    rng = np.random.default_rng(28)
    picture = 0.07 + 0.03 * rng.standard_normal((240, 24))
    picture[91:135] += 0.4
    assert lit_field(picture).height == 240
