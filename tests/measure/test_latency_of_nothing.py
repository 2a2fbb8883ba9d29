"""Films without a light or its picture, in which noise, drift or what moves must not pass for them."""

import numpy as np
import pytest

from inspect_app.errors import NothingToMeasure
from inspect_app.measure import measure
from inspect_app.numerics.changes.standing_out import standing_out
from tests.truth.films import write_film

ROWS, COLS = 96, 128
GIVEN = {"stimulus_roi": "16,24,21,16", "response_roi": "64,32,32,24"}


def noise_alone(rng, frames):
    return (rng.normal(90, 8, (ROWS, COLS)) for _ in range(frames))


def panned(rng, frames):
    """Pass by tiles of all shades, under noise."""
    tiles = rng.uniform(40, 110, (ROWS // 8, COLS // 4)).repeat(8, axis=0).repeat(8, axis=1)
    for frame in range(frames):
        yield tiles[:, frame : frame + COLS] + 4 * rng.standard_normal((ROWS, COLS))


def wandering(rng, frames):
    """Move a bright thing through the view."""
    y, x = np.mgrid[:ROWS, :COLS].astype(float)
    for frame in range(frames):
        spot = np.clip(6.5 - np.hypot(x - 20 - 0.4 * frame, y - 48), 0, 1)
        yield 40 + 60 * spot + 4 * rng.standard_normal(spot.shape)


@pytest.mark.parametrize("scene", [noise_alone, panned, wandering])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_film_without_a_light_has_no_latency(tmp_path, scene, seed):
    """Two of its many places that change would pass for light and picture."""
    path = write_film(tmp_path / "nothing.mp4", scene(np.random.default_rng(seed), 90), np.arange(90) / 60, quality=23)

    with pytest.raises(NothingToMeasure, match=r"stand out from all else|does not switch|changes as much elsewhere"):
        measure("latency", {"scene": [path]}, {})


def test_regions_lit_by_mains_that_the_film_cannot_follow_are_refused(tmp_path):
    """Light that waves 90 times a second goes up and down in every other of 59.9 frames a second."""
    rng, times = np.random.default_rng(3), np.arange(60) / 59.9
    frames = (90 * (1 + 0.2 * np.sin(2 * np.pi * 90 * t)) + rng.standard_normal((ROWS, COLS)) for t in times)
    path = write_film(tmp_path / "mains.mp4", frames, times)

    with pytest.raises(NothingToMeasure, match=r"switches every [12] samples|changes as much elsewhere"):
        measure("latency", {"scene": [path]}, GIVEN)


def test_regions_that_grow_brighter_all_the_time_have_no_moment(tmp_path):
    rng, times = np.random.default_rng(4), np.arange(90) / 60
    frames = (60 + 0.5 * number + rng.standard_normal((ROWS, COLS)) for number in range(90))
    path = write_film(tmp_path / "dawn.mp4", frames, times)

    with pytest.raises(NothingToMeasure, match="changes as much elsewhere"):
        measure("latency", {"scene": [path]}, GIVEN)


def test_a_step_of_one_code_in_regions_that_are_given_is_a_coder_s(tmp_path):
    times = np.arange(90) / 60
    frames = (np.full((ROWS, COLS), 90.0 + 1.2 * (number >= 40)) for number in range(90))
    path = write_film(tmp_path / "code.mp4", frames, times, quality=0)

    with pytest.raises(NothingToMeasure, match="no point swings by two codes"):
        measure("latency", {"scene": [path]}, GIVEN)


def test_what_happens_nowhere_else_stands_out_and_what_goes_on_does_not():
    rng = np.random.default_rng(5)
    step = 8.0 * (np.arange(80) >= 40) + rng.standard_normal(80)
    walk = np.cumsum(rng.standard_normal(400))

    assert standing_out(step, [40]) > 20
    assert standing_out(walk, [int(np.abs(np.diff(walk)).argmax())]) < 6
