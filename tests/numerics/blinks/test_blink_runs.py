"""Whether a light blinks evenly at all, by how long its runs are."""

import numpy as np
import pytest

from inspect_app.numerics.blinks.blink_clock import blink_clock
from inspect_app.numerics.blinks.blink_runs import is_unsteady


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("chance", [0.04, 0.15])
def test_runs_of_a_light_that_switches_at_random_are_told_from_frames_that_are_missing(chance, seed):
    """Truth by construction: before each of 1000 frames it switches by chance, so runs are as long as it falls."""
    rng = np.random.default_rng([int(100 * chance), seed])
    share = (np.cumsum(rng.random(1000) < chance) % 2) + 0.05 * rng.standard_normal(1000)
    shown = np.zeros(999, dtype=np.int64)

    assert is_unsteady(share, shown)
    assert blink_clock(share, shown, 2 / 30) is None


@pytest.mark.parametrize("period", [6.3, 9.1, 24.7, 61.0])
@pytest.mark.parametrize("missing", [0.0, 0.1, 0.3])
def test_runs_of_an_even_blink_that_lacks_up_to_a_third_of_its_frames_are_told_from_random_ones(period, missing):
    """Truth by construction: each frame is missing by chance; a 0.3 of the period is lit, the shutter open for half."""
    rng = np.random.default_rng([int(10 * period), int(10 * missing)])
    numbers = np.flatnonzero(rng.random(1500) >= missing)
    within = (numbers[:, None] + np.arange(20) / 40) / period % 1
    share = (within < 0.3).mean(axis=1) + 0.1 * rng.standard_normal(len(numbers))

    assert not is_unsteady(share, np.zeros(len(numbers) - 1, dtype=np.int64))


def test_a_run_that_the_file_says_lacks_frames_counts_as_whole():
    """Truth by construction: of four in five runs of 40 frames only the first six are in the film, and it says so."""
    kept = np.concatenate([np.arange(40 * run, 40 * run + (6 if run % 5 else 40)) for run in range(60)])
    share = (kept // 40 % 2 == 0).astype(np.float64)

    assert is_unsteady(share, np.zeros(len(kept) - 1, dtype=np.int64))
    assert not is_unsteady(share, np.diff(kept) - 1)
