"""What several events say together, against algebra."""

import numpy as np
import pytest

from inspect_app.numerics.changes.lags import Instants, agreement, lag


def seen_at(places, lags, sd):
    """Events whose light switches at `places`, lags of shape (events, hypotheses), told to within `sd` each."""
    before = np.zeros((len(places), 1, lags.shape[1])) + np.asarray(places)[:, None, None]
    doubt = np.broadcast_to(np.asarray(sd)[..., None, None], before.shape)
    return Instants(before=before, before_sd=0 * doubt, after=before + lags[:, None, :], after_sd=doubt)


def test_a_hypothesis_under_which_all_events_lag_alike_is_the_likelier():
    lags = np.array([[5.0, 4.8], [5.0, 5.2], [5.01, 5.1], [4.99, 4.9]])

    agreed, scattered = agreement(seen_at(range(4), lags, [0.02] * 4), 1.0).log_evidence[0]

    assert agreed > scattered + 3


def test_events_that_are_told_well_count_most_where_all_lag_alike():
    """Algebra: weights of 1 / 0.02² and 1 / 0.3² put the mean 0.001 off the well told lag, equal ones 0.15."""
    found = seen_at(range(2), np.array([[5.0], [5.3]]), [0.02, 0.3])

    assert agreement(found, 1.0).means[0, 0] == pytest.approx(5.0, abs=0.03)


def test_events_count_alike_where_the_device_itself_wavers():
    """Algebra: lags from 2 to 8 intervals cannot be one lag; their mean is 5."""
    found = seen_at(range(4), np.array([[2.0], [4.0], [6.0], [8.0]]), [0.02, 0.3, 0.02, 0.3])

    assert agreement(found, 1.0).means[0, 0] == pytest.approx(5.0, abs=0.1)


@pytest.mark.parametrize(("places", "shrunk"), [((0.3, 40.3, 80.3, 120.3), 1.0), ((0.0, 40.25, 80.5, 120.75), 0.5)])
def test_flashes_in_step_with_the_film_share_one_doubt(places, shrunk):
    """Algebra: of four places within a frame the mean has half of one event's doubt, of one place all of it."""
    found = seen_at(places, np.full((4, 1), 5.0), [0.1] * 4)

    told = lag(found, 1.0, np.ones((1, 1)), np.full((1, 1), 1e-9), [True] * 4, 10.0)

    assert told.from_noise == pytest.approx(0.1 * shrunk)


def test_events_that_are_told_well_make_the_doubt_where_all_lag_alike():
    """Algebra: weights of 1 / 0.02² and three of 1 / 0.3² leave 0.0198; a plain mean would have 0.13."""
    found = seen_at((0.0, 40.25, 80.5, 120.75), np.full((4, 1), 5.0), [0.02, 0.3, 0.3, 0.3])

    told = lag(found, 1.0, np.ones((1, 1)), np.full((1, 1), 1e-9), [True] * 4, 0.1)

    assert 0.019 < told.from_noise < 0.03


def test_a_picture_that_comes_faster_than_it_goes_does_not_waver():
    """Algebra: lags of 5 and 7 intervals in turn, each give or take 0.02, differ by 1.1 in all and 0.02 by side."""
    late = np.array([[5.02], [7.0], [5.0], [6.98], [4.98], [7.02]])
    found = seen_at(np.arange(6) * 40.17, late, [0.01] * 6)

    told = lag(found, 1.0, np.ones((1, 1)), np.full((1, 1), 1e-9), [True, False] * 3, 0.1)

    assert told.from_spread < 0.03 / 6**0.5


def test_a_lag_is_the_median_and_its_doubt_holds_as_much_as_two_standard_uncertainties_claim():
    """Algebra: 98 of 100 lie about 5, within 0.1, and 2 far above it.

    Half of all lies below 0.0256 standard deviations above 5 (a share of 0.5 / 0.98 of the 98). Of them 0.9545 / 0.98
    must be held: 2.226 standard deviations to either side. The mean would be 5.16, the standard deviation of all 1.12.
    """
    found = seen_at([0.0], np.array([[5.0, 13.0]]), [0.1])

    told = lag(found, 1.0, np.array([[0.98, 0.02]]), np.full((1, 2), 1e-9), [True], 10.0)

    assert told.mean == pytest.approx(5.0026, abs=1e-4)
    assert np.hypot(told.from_shape, told.from_noise) == pytest.approx(2.226 * 0.1 / 2, abs=0.001)


@pytest.mark.parametrize("count", [2, 3, 5, 10])
def test_the_mean_of_a_display_that_is_renewed_is_held_by_few_events(count):
    """A lag spreads evenly over a refresh of 4 intervals; the display's own mean is 7 (JCGM 100:2008, 4.3.7)."""
    rng, held = np.random.default_rng(3), 0
    for _ in range(200):
        found = seen_at(np.arange(count) * 40.17, rng.uniform(5, 9, (count, 1)), [0.05] * count)
        told = lag(
            found, 1.0, np.ones((1, 1)), np.full((1, 1), 0.02), [number % 2 == 0 for number in range(count)], 10.0
        )
        held += abs(told.mean - 7) <= 2 * np.hypot(told.from_spread, told.from_noise)

    assert 0.9 <= held / 200 <= 0.99


def test_events_that_agree_tell_of_no_spread():
    """Algebra: four lags within 0.02 intervals, told within 0.02, leave no room for a refresh of 4."""
    found = seen_at(np.arange(4) * 40.17, np.array([[5.0], [5.02], [4.99], [5.01]]), [0.02] * 4)

    told = lag(found, 1.0, np.ones((1, 1)), np.full((1, 1), 1e-9), [True] * 4, 10.0)

    assert told.from_spread < 0.005
