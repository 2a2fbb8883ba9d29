"""Strips and their steps against where they were drawn."""

import math

import numpy as np
import pytest

from inspect_app.numerics.wedges.strip import CORE, strip_of_region
from inspect_app.numerics.wedges.strip_search import candidate_strips
from inspect_app.numerics.wedges.wedge_place import WedgePlace, place_wedge, step_masks
from tests.truth.sensor import Sensor
from tests.truth.wedges import Wedge

SENSOR = Sensor(20_000, 4, 14, pedestal_dn=100)
WELL_SEEN = 10  # of 14 steps of one stop: darker ones noise hides, and they stand at the mean pitch


def picture(wedge: Wedge) -> np.ndarray:
    return np.mean([still.exposure for still in wedge.stills()], axis=0)


def place_of(wedge: Wedge) -> WedgePlace:
    place = place_wedge(picture(wedge), steps=wedge.steps, stops_per_step=wedge.stops_per_step)
    assert place is not None
    return place


def drawn_centres_px(wedge: Wedge) -> np.ndarray:
    """Return where the steps of a level wedge were drawn along its axis, from the same seed."""
    gaps = np.random.default_rng(wedge.seed).integers(wedge.gap_px[0], wedge.gap_px[1] + 1, wedge.steps)
    width = wedge.step_px[0]
    starts = np.concatenate([[0], np.cumsum(width + gaps)[:-1]])
    return wedge.room_px[0] + starts + (width - 1) / 2


@pytest.mark.parametrize(("tilt_deg", "over_full_well"), [(0.0, 1.5), (-5.0, 1.5), (2.5, 20.0)])
def test_the_tilt_and_height_of_a_strip_are_found(tilt_deg: float, over_full_well: float) -> None:
    """Truth by construction; 20 times over the full well saturates five steps."""
    strip = place_of(Wedge(SENSOR, tilt_deg=tilt_deg, over_full_well=over_full_well)).strip

    assert (math.degrees(strip.angle) - tilt_deg + 90) % 180 - 90 == pytest.approx(0.0, abs=0.2)
    assert strip.half_height_px == pytest.approx(30, abs=1.5)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("like_step", [5, 6])
def test_a_small_strip_with_a_step_as_bright_as_its_surround_is_laid_straight(like_step: int, seed: int) -> None:
    """Truth by construction; that step has no border, and the axis was laid askew by up to 1.6 degrees through it."""
    surround = 1.5 * 2.0**-like_step
    wedge = Wedge(SENSOR, steps=15, step_px=(11, 15), gap_px=(0, 0), over_full_well=1.5, surround=surround, seed=seed)

    angle = place_of(wedge).strip.angle

    assert (math.degrees(angle) + 90) % 180 - 90 == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("tilt_deg", [-1.9, -1.0])
@pytest.mark.parametrize("step_px", [(22, 55), (40, 40)])
def test_a_tilted_strip_in_a_lit_surround_is_not_taken_for_the_whole_picture(
    tilt_deg: float, step_px: tuple[int, int]
) -> None:
    """Truth by construction; along the middle of the picture steps and surround together chained well enough."""
    wedge = Wedge(
        Sensor(6800, 7, 14, pedestal_dn=150),
        steps=900 // step_px[0],
        stops_per_step=1 / 3,
        step_px=step_px,
        gap_px=(1, 1),
        over_full_well=1.2,
        surround=0.18,
        tilt_deg=tilt_deg,
        is_reversed=True,
        room_px=(50, 65),
        seed=1,
    )

    strip = place_of(wedge).strip

    assert abs((math.degrees(strip.angle) + 90) % 180 - 90) == pytest.approx(-tilt_deg, abs=0.1)
    assert 2 * strip.half_height_px == pytest.approx(step_px[1], rel=0.1)


@pytest.mark.parametrize("gap_px", [(0, 0), (6, 6), (2, 20)])
@pytest.mark.parametrize("is_reversed", [False, True])
def test_every_step_lies_where_it_was_drawn(gap_px: tuple[int, int], is_reversed: bool) -> None:  # noqa: FBT001  a case
    """Truth by construction: the core that is measured lies within the step."""
    wedge = Wedge(SENSOR, gap_px=gap_px, is_reversed=is_reversed, seed=5, steps=14)
    drawn = drawn_centres_px(wedge)
    if is_reversed:
        drawn = picture(wedge).shape[1] - 1 - drawn

    place = place_of(wedge)

    found = [place.strip.x + centre * math.cos(place.strip.angle) for centre in place.centres_px]
    room_px = (wedge.step_px[0] - CORE * place.width_px) / 2
    assert found[:WELL_SEEN] == pytest.approx(drawn[:WELL_SEEN], abs=room_px)


@pytest.mark.parametrize(
    "surround",
    [
        {"labels": True},
        {"frame_px": 6},
        {"labels": True, "frame_px": 6, "tilt_deg": 2.0, "gap_px": (3, 3)},
        {"room_px": (5, 5)},
        {"room_px": (250, 300), "step_px": (18, 24)},
        {"step_px": (14, 120), "gap_px": (2, 2)},
    ],
    ids=str,
)
def test_a_strip_is_found_among_labels_frames_and_in_any_room(surround: dict[str, object]) -> None:
    """Truth by construction, to a fifth of a step; labels and frame are as bright as the brightest steps."""
    wedge = Wedge(SENSOR, steps=14, seed=5, **surround)  # type: ignore[arg-type]  # each case names fields of Wedge

    place = place_of(wedge)

    pitch = wedge.step_px[0] + wedge.gap_px[0]
    assert np.abs(np.diff(place.centres_px))[:WELL_SEEN] == pytest.approx(pitch, abs=0.06 * pitch)
    assert 2 * place.strip.half_height_px == pytest.approx(wedge.step_px[1], rel=0.1)


def test_the_cores_of_steps_hold_one_level_each() -> None:
    """Truth by construction: each unclipped step is half as bright as the one before."""
    wedge = Wedge(SENSOR, over_full_well=0.9, steps=8)
    image = picture(wedge)
    black = 100 * 4 / 65535

    levels = [image.ravel()[mask].mean() - black for mask in step_masks(place_of(wedge), image.shape)]

    assert np.diff(np.log2(levels)) == pytest.approx(np.full(7, -1.0), abs=0.02)


def _ramp(cols: int) -> np.ndarray:
    return np.broadcast_to(np.where(np.arange(cols) > 40, 1.5 * 2.0 ** (-(np.arange(cols) - 40) / 30), 0.0), (60, cols))


def _strip_in_the_dark(strip: np.ndarray) -> np.ndarray:
    image = np.zeros((200, strip.shape[1]))
    image[70:130] = strip
    return image + np.random.default_rng(1).normal(0.01, 0.001, image.shape)


NO_WEDGES = {
    "even": np.full((200, 300), 0.3),
    "black": np.zeros((200, 300)),
    "continuous wedge": _strip_in_the_dark(_ramp(480)),
    "even strip": _strip_in_the_dark(np.full((60, 480), 0.6)),
    "equal patches": _strip_in_the_dark(np.broadcast_to(0.6 * (np.arange(480) % 40 < 30), (60, 480))),
}


@pytest.mark.parametrize("name", NO_WEDGES)
def test_what_is_no_wedge_of_one_stop_a_step_has_no_place(name: str) -> None:
    assert place_wedge(np.clip(NO_WEDGES[name], 0, 1), steps=12, stops_per_step=1.0) is None


def test_an_even_picture_has_no_strips() -> None:
    assert list(candidate_strips(np.full((200, 300), 0.3))) == []


def test_a_region_is_a_strip_along_its_longer_side() -> None:
    assert strip_of_region((10, 20, 300, 40)).angle == 0
    assert strip_of_region((10, 20, 40, 300)).angle == pytest.approx(math.pi / 2)
