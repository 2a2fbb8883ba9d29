"""For how long a shutter may have stood open, against arithmetic."""

import numpy as np
import pytest

from inspect_app.numerics.changes.shutters import FILMED, LOGGED, SHARES, shutters

UNEVEN = np.array([0.0, 1.0, 2.2, 3.0, 5.2, 6.2])
"""Two intervals of 1, one each of 1.2 and 0.8, and one of 2.2 in which a frame is missing."""


@pytest.mark.parametrize("usual", [FILMED, LOGGED])
def test_every_shutter_is_some_share_of_one(usual):
    assert len(usual) == len(SHARES)
    assert sum(usual) == pytest.approx(1)


def test_a_shutter_may_stand_open_until_the_next_frame_or_where_a_missing_one_would_have_been():
    seen = shutters(UNEVEN, 1.0)

    assert seen.open_times[-1] == pytest.approx([1.0, 1.2, 0.8, 1.1, 1.0, 1.0])
    assert seen.prior.sum() == pytest.approx(1)
    assert seen.prior[-1] == pytest.approx((FILMED[0] + FILMED[1]) / 2)


def test_a_shutter_of_a_fixed_time_is_open_no_longer_than_the_shortest_interval():
    assert shutters(UNEVEN, 1.0).open_times[:-1].max() < 0.9


def test_even_frames_leave_only_shares_of_their_interval():
    seen = shutters(np.arange(50.0), 1.0)

    assert seen.open_times[:, 3] == pytest.approx(SHARES)
    assert np.array_equal(seen.prior, FILMED)


def test_a_shutter_that_is_told_is_the_only_one():
    seen = shutters(UNEVEN, 1.0, told=0.9)

    assert seen.open_times[0] == pytest.approx([0.9, 0.9, 0.8, 0.9, 0.9, 0.9])
    assert (seen.prior, seen.doubt) == (1, 0)
