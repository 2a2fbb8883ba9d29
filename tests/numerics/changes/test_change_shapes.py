"""Shapes of a change, as a shutter sees them."""

import numpy as np
import pytest

from inspect_app.numerics.changes.change_shapes import (
    PICTURE_KINDS,
    SOFT,
    STAIRS,
    ended_after,
    filmed,
    half_of,
    soft_half_of,
)

SMOOTH = [kind for kind in PICTURE_KINDS if kind not in STAIRS and kind != "step"]


@pytest.mark.parametrize("kind", SMOOTH)
@pytest.mark.parametrize("width", [0.1, 1.7, 24.0])
def test_a_change_begins_with_nothing_is_half_done_at_its_half_and_ends_with_all(kind, width):
    """Seen through a shutter that is open for a hundredth of the width, about the instant."""
    widths, opened = np.array([width]), np.array([width / 100])
    instants = np.array([-0.01 * width, float(half_of(kind, widths)[0]), width * ended_after(kind)])

    light = np.concatenate([filmed(kind, widths, at - opened / 2, opened) for at in instants])

    assert light == pytest.approx([0.0, 0.5, 1.0], abs=2e-3)


@pytest.mark.parametrize("kind", SMOOTH)
def test_light_through_an_open_shutter_is_the_mean_of_light_through_short_ones(kind):
    """Integrals add up: a shutter open for two intervals sees the mean of a thousand parts of it."""
    width, parts = np.array([1.3]), np.linspace(-0.4, 1.6, 1001)

    short = filmed(kind, width, parts[:-1], np.full(1000, 0.002))

    assert filmed(kind, width, np.array([-0.4]), np.array([2.0]))[0] == pytest.approx(short.mean(), abs=1e-6)


@pytest.mark.parametrize("kind", SOFT)
def test_soft_stairs_are_half_done_when_their_two_steps_add_up_to_a_half(kind):
    """The first step takes 0.7 or 0.3 of the light, the second comes 3 intervals later; seen for a moment."""
    first, width, opened = 0.7 if SOFT[kind] == "high stair" else 0.3, np.array([3.0]), np.array([0.002])

    at = np.array([soft_half_of(kind, 3.0, first)])
    light = first * filmed(kind, width, at - opened / 2, opened)
    light += (1 - first) * filmed(kind, width, at - 3.0 - opened / 2, opened)

    assert light == pytest.approx(0.5, abs=2e-3)
