"""Readings that no signal explains, in traces written by hand."""

import numpy as np

from inspect_app.numerics.changes.strays import strays

STEP = np.repeat([0.0, 1.0], 40) + 0.01 * np.random.default_rng(1).standard_normal(80)


def test_two_slips_are_found_and_nothing_else():
    values = STEP.copy()
    values[[7, 61]] = 1e9, -30.0

    assert strays(values).nonzero()[0].tolist() == [7, 61]


def test_ringing_after_a_step_is_no_slip():
    values = STEP.copy()
    values[40:44] = 1.6, 0.8, 1.2, 0.95

    assert not strays(values).any()


def test_a_flash_of_two_samples_is_the_signal_itself():
    values = np.zeros(200)
    values[[90, 91]] = 1.0

    assert not strays(values).any()
