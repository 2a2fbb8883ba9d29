"""How many terms of distortion the points of a grid support."""

import numpy as np

from inspect_app.numerics.grids.grid_fit import PLACING, powers_of, solved

HALF_PX = 650.0


def test_marks_that_lie_off_do_not_hide_a_second_term() -> None:
    """Truth by construction: k1 and k2 with 0.02 px of noise, one mark in twelve off by 0.11 px.

    Two terms leave these out and one does not, for it explains none of the others as well.
    """
    rng = np.random.default_rng(3)
    index = np.stack(np.meshgrid(np.arange(-7, 8), np.arange(-5, 6)), axis=-1).reshape(-1, 2).astype(np.float64)
    flat = index * 68 / HALF_PX
    terms = np.array([-0.061, 0.0025])
    seen = flat * (1 + powers_of(np.hypot(*flat.T), 2) @ terms)[:, None]
    seen += rng.normal(0, 0.02, seen.shape) / HALF_PX
    seen[::12] += rng.choice([-0.11, 0.11], seen[::12].shape) / HALF_PX

    one, two = (solved(seen, index, terms=count, keystone_scatter=0.0) for count in (1, 2))

    assert one.kept.sum() > two.kept.sum()
    assert two.log_evidence > one.log_evidence + 10
    assert np.allclose(two.parameters[PLACING:], terms, atol=4 * np.sqrt(np.diag(two.covariance)[PLACING:]))
