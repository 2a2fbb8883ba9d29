"""Chains of steps along profiles, and what is no chain."""

import numpy as np
import pytest
from scipy import ndimage, special

from inspect_app.numerics.step_chain import Chain, find_chain, refined_chain
from inspect_app.numerics.wedge_place import place_wedge


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


@pytest.mark.parametrize(("seed", "gap_level"), [(15, 0.02), (20, 0.02), (12, 0.035)])
def test_steps_darker_than_the_gaps_between_them_are_not_taken_twice(seed: int, gap_level: float) -> None:
    """Truth by construction: 18 steps of half a stop, 32 px wide, among uneven gaps that are brighter than eight."""
    rng = np.random.default_rng(seed)
    gaps = rng.integers(0, 14, 18)
    starts = 40 + np.cumsum(32 + gaps) - 32 - gaps
    profile = np.full(int(starts[-1]) + 72, gap_level)
    for start, level in zip(starts, 1.4 * 2.0 ** (-0.5 * np.arange(18)), strict=True):
        profile[start : start + 32] = min(level, 0.97)
    noise = np.full(len(profile), 0.001)
    profile = ndimage.gaussian_filter1d(profile, 2) + noise * rng.standard_normal(len(noise))

    first = find_chain(profile, noise, steps=18, stops_per_step=0.5)
    found = None if first is None else refined_chain(profile, noise, first, steps=18, stops_per_step=0.5)

    assert found is not None
    assert found.centres_px[2:9] == pytest.approx(starts[2:9] + 15.5, abs=9)


@pytest.mark.parametrize("seed", [4, 5, 7])
def test_a_single_edge_is_no_wedge(seed: int) -> None:
    """Truth by construction: two levels, of which the chain found at first loses every step when it is refined."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:70, :50]
    slope = np.tan(np.deg2rad(rng.uniform(2, 10)))
    edge = 0.3 + 0.25 * special.erf((x - 25 - (y - 35) * slope) / rng.uniform(0.7, 2))

    assert place_wedge(edge + 0.02 * rng.standard_normal(edge.shape), steps=12, stops_per_step=1.0) is None
