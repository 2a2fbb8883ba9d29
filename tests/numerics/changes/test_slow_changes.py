"""Samples of a slow change are gathered, those of a quick one stay as they are."""

import numpy as np

from inspect_app.numerics.changes.slow_changes import Around, gathered


def around(values):
    count = len(values)
    return Around(np.arange(float(count)), values, count // 2, 1.0, np.full((1, count), 0.5))


def test_a_long_ramp_is_gathered_until_its_middle_takes_twelve_samples():
    """80 samples from level to level, 40 of them in the middle half: groups of four, open from first to last."""
    found = gathered(around(np.clip((np.arange(200.0) - 60) / 80, 0, 1)))

    assert found.interval == 4.0
    assert found.times[:3].tolist() == [0.0, 4.0, 8.0]
    assert found.values[found.near] == 0.5 + 1.5 / 80
    assert (found.opened == 3.5).all()


def test_samples_of_a_quick_change_stay_as_they_are_though_its_level_flickers():
    values = np.repeat([0.0, 1.0], 50)
    values[52::3] = 0.4
    quick = around(values)

    assert gathered(quick) is quick


def test_a_change_in_the_last_of_an_odd_number_of_samples_stays_inside_its_means():
    """The last sample is in no mean: the change is near the last one of these."""
    late = Around(np.arange(41.0), (np.arange(41) == 40) * 1.0, 40, 1.0, np.ones((1, 41)))

    found = gathered(late, least_interval=2.0)

    assert len(found.values) == 20
    assert found.near == 19
