"""Strip and steps of drawn wedges against where they were drawn."""

import math

import numpy as np
import pytest

from inspect_app.numerics.strip import find_steps, find_strip, step_masks, strip_of_region
from tests.truth.sensor import Sensor
from tests.truth.wedges import Wedge

SENSOR = Sensor(20_000, 4, 14, pedestal_dn=100)


def picture(wedge: Wedge) -> np.ndarray:
    return np.mean([still.exposure for still in wedge.stills()], axis=0)


@pytest.mark.parametrize("tilt_deg", [-4.0, 0.0, 2.5])
def test_the_tilt_of_a_strip_is_found(tilt_deg: float) -> None:
    """Truth by construction."""
    strip = find_strip(picture(Wedge(SENSOR, tilt_deg=tilt_deg)))

    assert strip is not None
    assert math.degrees(strip.angle) % 180 == pytest.approx(tilt_deg % 180, abs=0.4)
    assert strip.half_height_px == pytest.approx(30, abs=2)


@pytest.mark.parametrize("gap_px", [(0, 0), (6, 6), (2, 20)])
@pytest.mark.parametrize("is_reversed", [False, True])
def test_every_step_lies_where_it_was_drawn(gap_px: tuple[int, int], is_reversed: bool) -> None:  # noqa: FBT001  a case
    """Truth by construction: the drawn starts, from the same seed; a core of 60 % leaves 7 pixels to either side."""
    wedge = Wedge(SENSOR, gap_px=gap_px, is_reversed=is_reversed, seed=5, steps=14)
    image = picture(wedge)
    gaps = np.random.default_rng(5).integers(gap_px[0], gap_px[1] + 1, wedge.steps)
    width = wedge.step_px[0]
    starts = np.concatenate([[0], np.cumsum(width + gaps)[:-1]])
    length = wedge.steps * width + gaps.sum()
    size = image.shape[1]
    drawn_x = (size - 1) / 2 - length / 2 + starts + (width - 1) / 2
    if is_reversed:
        drawn_x = size - 1 - drawn_x

    strip = find_strip(image)
    assert strip is not None
    steps = find_steps(image, strip, steps=wedge.steps, stops_per_step=1.0)

    found_x = [strip.x + step.centre_px * math.cos(strip.angle) for step in steps]
    assert found_x == pytest.approx(drawn_x, abs=6.5)


def test_the_cores_of_steps_hold_one_level_each() -> None:
    """Truth by construction: each unclipped step is half as bright as the one before."""
    image = picture(Wedge(SENSOR, over_full_well=0.9, steps=8))
    strip = find_strip(image)
    assert strip is not None
    steps = find_steps(image, strip, steps=8, stops_per_step=1.0)
    black = 100 * 4 / 65535

    levels = [image.ravel()[mask].mean() - black for mask in step_masks(strip, steps, image.shape)]

    assert np.diff(np.log2(levels)) == pytest.approx(np.full(7, -1.0), abs=0.02)


def test_an_even_picture_has_no_strip() -> None:
    assert find_strip(np.full((200, 300), 0.3)) is None


def test_a_region_is_a_strip_along_its_longer_side() -> None:
    assert strip_of_region((10, 20, 300, 40)).angle == 0
    assert strip_of_region((10, 20, 40, 300)).angle == pytest.approx(math.pi / 2)
