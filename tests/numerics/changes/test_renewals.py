"""When the first renewal of a flickering screen came, against light that is integrated in closed form."""

import numpy as np
import pytest

from inspect_app.numerics.changes.flicker import flickers
from inspect_app.numerics.changes.renewals import locate_renewal


def glow_of(onset: float, *, period: float, depth: float, decay: float, samples: int = 110) -> np.ndarray:
    """Return the mean over each sample of 1 - depth + depth exp(-t / decay), t the time since the last renewal."""
    since = np.arange(samples + 1) - onset

    def until(time: np.ndarray) -> np.ndarray:
        lit = np.maximum(time, 0)
        turns = np.floor(lit / period)
        decayed = decay * (turns * (1 - np.exp(-period / decay)) + 1 - np.exp(-(lit - turns * period) / decay))
        return (1 - depth) * lit + depth * decayed

    return np.diff(until(since))


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(("period", "doubt"), [(2.0, 0.3), (2.4, 0.1), (4.0, 0.1), (8.3, 0.1)])
def test_the_first_renewal_is_located_within_the_sample(period, doubt, backwards):
    """Truth by construction: at 40.37 of 110 samples, half of the light decays with a quarter of the period.

    Backwards, the light goes out at 110 - 40.37, and so do all samples.
    """
    values = 20 + 100 * glow_of(40.37, period=period, depth=0.5, decay=period / 4)
    values += 0.3 * np.random.default_rng(1).standard_normal(110)
    near, truth = (69, 110 - 40.37) if backwards else (40, 40.37)
    if backwards:
        values = values[::-1]

    found = locate_renewal(np.arange(110.0), values, near, 1.0, np.ones((1, 110)))

    assert flickers(values, near)
    assert found.onset[0, 0] == pytest.approx(truth, abs=2 * found.onset_sd[0, 0])
    assert found.onset_sd[0, 0] < doubt


def test_a_steady_screen_does_not_flicker_and_one_that_brightens_slowly_has_no_renewals():
    """Nothing there: noise of half a level in a hundred; and a change that takes 15 samples to settle."""
    noise = 0.5 * np.random.default_rng(2).standard_normal(110)
    since = np.maximum(np.arange(110) - 40.4, 0)

    steady, slow = 100 * (since > 0) + noise, 100 * (1 - np.exp(-since / 5)) + noise

    assert not flickers(steady, 41)
    assert locate_renewal(np.arange(110.0), slow, 44, 1.0, np.ones((1, 110))) is None


def test_a_faint_ripple_on_a_screen_that_lights_up_slowly_is_no_flicker():
    """A ripple of 5 % of the light: taken for renewals, it made a step of what takes two samples to come."""
    places = np.arange(110)
    values = (1 - np.exp(-np.maximum(places - 40.4, 0))) * (1 + 0.05 * np.sin(2.2 * places))

    assert not flickers(values, 41)


def test_a_screen_that_stands_quite_still_has_no_renewals():
    """Nothing there: a step without any noise."""
    values = np.repeat([0.0, 1.0], 55)

    assert locate_renewal(np.arange(110.0), values, 55, 1.0, np.ones((1, 110))) is None
