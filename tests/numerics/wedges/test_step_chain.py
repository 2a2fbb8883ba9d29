"""Chains of steps along profiles, and what is no chain."""

import numpy as np
import pytest
from scipy import ndimage, special

from inspect_app.numerics.wedges.cheapest_chain import Chain
from inspect_app.numerics.wedges.step_chain import find_chain, refined_chain
from inspect_app.numerics.wedges.wedge_place import place_wedge


@pytest.mark.parametrize("pitch_px", [40, 420, 1400])
def test_steps_of_any_width_are_refined_alike(pitch_px: int) -> None:
    """Truth by construction: nine steps of one stop with gaps of a fifth between them, sought from centres beside."""
    gap = pitch_px // 10
    step = np.pad(np.ones(pitch_px - 2 * gap), gap)
    levels = np.concatenate([[0.0], 0.9 * 0.5 ** np.arange(9), [0.0]])
    profile = np.kron(levels, step)
    noise = np.full(len(profile), 1e-4)
    centres = (np.arange(1, 10) + 0.5) * pitch_px - 0.5
    rough = Chain(
        centres_px=tuple(centres + 0.1 * pitch_px), width_px=0.75 * pitch_px, gain=100.0, seen=tuple(range(9))
    )

    found = refined_chain(
        profile + noise * np.random.default_rng(4).standard_normal(len(noise)),
        noise,
        rough,
        steps=9,
        stops_per_step=1.0,
    )

    assert found is not None
    assert found.centres_px == pytest.approx(centres, abs=max(1.0, 0.05 * pitch_px))


@pytest.mark.parametrize(
    ("steps", "step_px", "stops", "seed", "gap_level"),
    [
        (18, 32, 0.5, 15, 0.02),
        (18, 32, 0.5, 12, 0.035),
        (20, 45, 0.5, 41, 0.02),
        (20, 45, 0.5, 43, 0.02),
        (19, 15, 0.75, 9, 0.02),
        (19, 15, 0.75, 20, 0.02),
        (19, 15, 0.75, 29, 0.035),
    ],
)
def test_steps_as_dark_as_the_gaps_between_them_are_not_taken_twice(
    steps: int, step_px: int, stops: float, seed: int, gap_level: float
) -> None:
    """Truth by construction: steps among uneven gaps that are as bright as one of them and brighter than six."""
    rng = np.random.default_rng(seed)
    gaps = rng.integers(0, 14, steps)
    starts = 40 + np.cumsum(step_px + gaps) - step_px - gaps
    profile = np.full(int(starts[-1]) + step_px + 40, gap_level)
    for start, level in zip(starts, 1.4 * 2.0 ** (-stops * np.arange(steps)), strict=True):
        profile[start : start + step_px] = min(level, 0.97)
    noise = np.full(len(profile), 0.001)
    profile = ndimage.gaussian_filter1d(profile, step_px / 20) + noise * rng.standard_normal(len(noise))

    first = find_chain(profile, noise, steps=steps, stops_per_step=stops)
    found = None if first is None else refined_chain(profile, noise, first, steps=steps, stops_per_step=stops)

    assert found is not None
    assert found.centres_px[2:] == pytest.approx(starts[2:] + (step_px - 1) / 2, abs=0.4 * step_px)


@pytest.mark.parametrize("seed", [5, 17])
def test_a_step_among_uneven_gaps_is_found_in_the_middle_of_its_flat_part(seed: int) -> None:
    """Truth by construction: ten steps of 22 pixels, of which those off by 3 would reach into their neighbours."""
    rng = np.random.default_rng(seed)
    starts = 40 + np.cumsum(22 + rng.choice([0, 3, 8, 12], 10))
    profile = np.zeros(int(starts[-1]) + 62)
    for start, level in zip(starts, 0.9 * 0.5 ** np.arange(10), strict=True):
        profile[start : start + 22] = level
    noise = np.full(len(profile), 1e-4)
    profile = ndimage.gaussian_filter1d(profile, 0.8) + noise * rng.standard_normal(len(noise))

    first = find_chain(profile, noise, steps=10, stops_per_step=1.0)
    found = None if first is None else refined_chain(profile, noise, first, steps=10, stops_per_step=1.0)

    assert found is not None
    assert found.centres_px == pytest.approx(starts + 10.5, abs=1.0)


@pytest.mark.parametrize("seed", [4, 5, 7])
def test_a_single_edge_is_no_wedge(seed: int) -> None:
    """Truth by construction: two levels, of which the chain found at first loses every step when it is refined."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:70, :50]
    slope = np.tan(np.deg2rad(rng.uniform(2, 10)))
    edge = 0.3 + 0.25 * special.erf((x - 25 - (y - 35) * slope) / rng.uniform(0.7, 2))

    assert place_wedge(edge + 0.02 * rng.standard_normal(edge.shape), steps=12, stops_per_step=1.0) is None
