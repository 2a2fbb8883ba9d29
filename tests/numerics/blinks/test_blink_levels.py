"""Lamps whose brightness drifts while they blink, against algebra."""

import numpy as np
import pytest

from inspect_app.numerics.blinks.blink_clock import blink_clock, is_sure
from inspect_app.numerics.blinks.blink_levels import shares_of_swing

FRAMES = np.arange(300.0)


def blinking(frames, period, opening=0.8):
    """Share of the open time in which a lamp is lit that is on for the first half of each period, in frames."""

    def lit_until(t):
        turns = np.floor(t / period)
        return turns * period / 2 + np.minimum(t - turns * period, period / 2)

    return (lit_until(frames + opening) - lit_until(frames)) / opening


@pytest.mark.parametrize(
    "drifted",
    [
        lambda light: light * np.linspace(1.0, 0.6, len(light)),
        lambda light: light * (1 + 0.15 * np.sin(np.arange(len(light)) / 20)),
        lambda light: light + 0.3 * np.sin(np.arange(len(light)) / 25),
    ],
    ids=["fades", "waves", "daylight"],
)
def test_shares_of_a_lamp_that_drifts_are_those_of_one_that_does_not(drifted):
    steady, noise = blinking(FRAMES, 8.3), 0.003 * np.random.default_rng(2).standard_normal(300)

    found = shares_of_swing(drifted(0.05 + 0.95 * steady) + noise)

    assert np.sqrt(np.mean((found - steady)[8:-8] ** 2)) < 0.02


@pytest.mark.parametrize("period", [2.97, 4.02, 8.3])
def test_a_steady_lamp_keeps_its_two_levels_however_its_switches_fall_on_frames(period):
    light = 20 + 180 * blinking(FRAMES, period, 1.0) + 0.5 * np.random.default_rng(3).standard_normal(300)

    low, high = np.quantile(light, [0.02, 0.98])

    assert shares_of_swing(light) == pytest.approx(np.clip((light - low) / (high - low), -0.2, 1.2))


def test_frames_missing_under_a_lamp_that_fades_are_counted():
    """Twelve blinks a hundred frames at 40 % less light in the end; frames 71 and 190 are not there."""
    frames = np.delete(FRAMES, [71, 190])
    light = blinking(frames, 8.37) * np.linspace(1.0, 0.6, 298)
    light += 0.004 * np.random.default_rng(4).standard_normal(298)

    clock = blink_clock(light, np.zeros(297, dtype=np.int64), 1 / 8.3)

    assert clock.missing.sum() == 2
    assert is_sure(clock)
    assert clock.frames_per_blink == pytest.approx(8.37, rel=1e-4)
