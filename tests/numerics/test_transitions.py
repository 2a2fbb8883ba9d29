"""Where a change lies whose shape is none of those that are fitted, against algebra."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import softmax

from inspect_app.numerics.transitions import locate
from tests.truth.films import exposed, lit

ONSET = 40.3


def half_of(parts):
    """Return when a sum of responses (share, kind, width) has gone half of its way, and what is found of it."""
    times, rng = np.arange(100.0), np.random.default_rng(0)
    values = sum(share * exposed(kind, width, ONSET, times, 1.0) for share, kind, width in parts)
    found = locate(times, values + 0.003 * rng.standard_normal(100), 41, 1.0, np.ones((1, 100)))
    weights = softmax(found.log_evidence[0])
    half = weights @ found.half[0]
    doubt = np.sqrt(weights @ (found.half_sd[0] ** 2 + (found.half[0] - half) ** 2))

    def beyond(since, step=1e-4):
        grown = (lit(kind, width, since + step) - lit(kind, width, since) for _, kind, width in parts)
        return sum(share * part for (share, _, _), part in zip(parts, grown, strict=True)) / step - 0.5

    return ONSET + brentq(beyond, 0.0, 50.0), half, doubt


def test_a_phosphor_with_an_afterglow_of_another_strength_is_half_lit_where_it_is():
    """Two decays, 0.6 and 0.4 of the light, the second four times as slow; with single decays 0.23 samples off."""
    truth, half, _ = half_of([(0.6, "decay", 2.0), (0.4, "decay", 8.0)])

    assert half == pytest.approx(truth, abs=0.08)


def test_a_change_that_fits_no_shape_is_doubted_by_as_much_as_it_lies_off():
    """A quick ramp and a slow one: with the doubt of noise alone 0.32 samples off, told to within 0.085."""
    truth, half, doubt = half_of([(0.7, "ramp", 2.0), (0.3, "ramp", 16.0)])

    assert abs(half - truth) <= 2 * doubt
    assert doubt <= 0.15
