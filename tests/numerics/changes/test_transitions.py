"""Where a change lies whose shape is none of those that are fitted, against algebra."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import softmax

from inspect_app.numerics.changes.change_shapes import PICTURE_KINDS
from inspect_app.numerics.changes.transitions import locate
from tests.truth.films import exposed, lit

ONSET = 40.3
CODING = 0.02  # samples: about what the check adds for coding and rounding


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


def test_a_decay_of_second_order_is_half_done_where_it_is():
    """Time constants of 2 and 1.4 samples, so shares of 2 / 0.6 and -1.4 / 0.6."""
    parts = [(2 / 0.6, "decay", 2.0), (-1.4 / 0.6, "decay", 1.4)]
    truth, half, doubt = half_of(parts)

    assert half == pytest.approx(truth, abs=0.03)
    assert doubt < 0.1


def test_a_change_that_fits_no_shape_is_doubted_by_as_much_as_it_lies_off():
    """A quick ramp and a slow one: 0.32 samples off with the doubt of noise alone; soft stairs come near it."""
    truth, half, doubt = half_of([(0.7, "ramp", 2.0), (0.3, "ramp", 16.0)])

    assert abs(half - truth) <= 2 * doubt
    assert doubt <= 0.3


def joined(found):
    """Return onset and half over all kinds of picture, each with its standard deviation."""
    weights = softmax(found.log_evidence[0])
    told = {}
    for name in ("onset", "half"):
        each, sd = getattr(found, name)[0], getattr(found, f"{name}_sd")[0]
        mean = weights @ each
        told[name] = mean, np.sqrt(weights @ (sd**2 + (each - mean) ** 2))
    return told


def waves(seed, alike):
    """Return 100 samples of noise whose neighbours are alike by so much, with a standard deviation of 1."""
    noise = np.convolve(np.random.default_rng(seed).standard_normal(160), alike ** np.arange(60), "same")[30:130]
    return noise / noise.std()


@pytest.mark.parametrize("alike", [0.0, 0.9], ids=["noise", "drift"])
@pytest.mark.parametrize(("height", "half"), [(0.25, ONSET + 4.5), (0.75, ONSET)])
def test_a_display_that_shows_a_change_in_part_for_one_refresh_begins_where_it_does(height, half, alike):
    """Two steps 4.5 samples apart, the first a quarter or three quarters high: half is where 0.5 is passed."""
    times = np.arange(100.0)
    first, second = (exposed("step", 0.0, onset, times, 1.0) for onset in (ONSET, ONSET + 4.5))
    values = height * first + (1 - height) * second + 0.003 * waves(1, alike)

    told = joined(locate(times, values, round(half) + 1, 1.0, np.ones((1, 100)), kinds=PICTURE_KINDS))

    for name, truth in (("onset", ONSET), ("half", half)):
        assert told[name][0] == pytest.approx(truth, abs=2 * np.hypot(told[name][1], CODING))
        assert told[name][1] <= 0.15


@pytest.mark.parametrize("alike", [0.0, 0.9], ids=["noise", "drift"])
@pytest.mark.parametrize("heights", [(0.7, 0.25, 0.05), (0.3, 0.55, 0.15), (0.25, 0.2, 0.55)])
def test_a_display_that_takes_a_third_step_begins_where_it_does(heights, alike):
    """Steps 2 to 5 samples apart at any place within a sample: half is where they add up to 0.5."""
    times, held = np.arange(100.0), 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        onset, apart = 40 + rng.random(), rng.uniform(2, 5)
        half = onset + apart * int(np.argmax(np.cumsum(heights) >= 0.5))
        steps = (height * exposed("step", 0.0, onset + k * apart, times, 1.0) for k, height in enumerate(heights))
        values = sum(steps) + 0.004 * waves(seed, alike)

        told = joined(locate(times, values, round(half) + 1, 1.0, np.ones((1, 100)), refresh=(1.0, 10.0)))

        for name, truth in (("onset", onset), ("half", half)):
            assert told[name][0] == pytest.approx(truth, abs=0.25)
            held += abs(told[name][0] - truth) <= 2 * np.hypot(told[name][1], CODING)
    assert held >= 17  # of 20: at 95.45 of 100 there are fewer once in 85 draws


@pytest.mark.parametrize(("kind", "width"), [("ramp", 4.2), ("ramp", 5.6), ("decay", 1.0)])
@pytest.mark.parametrize("height", [0.3, 0.7])
def test_a_display_whose_steps_take_their_time_begins_where_it_does(kind, width, height):
    """Two steps 6 samples apart, scanned in 0.7 or 0.93 of that time, or settling: late if taken as at once."""
    times, held = np.arange(100.0), 0
    gone = 0.5 / height if height > 0.5 else (0.5 - height) / (1 - height)
    later = width * (-np.log(1 - gone) if kind == "decay" else gone)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        onset = 40 + rng.random()
        half = onset + later + (0.0 if height > 0.5 else 6.0)
        steps = [exposed(kind, width, at, times, 1.0) for at in (onset, onset + 6)]
        values = height * steps[0] + (1 - height) * steps[1] + 0.004 * rng.standard_normal(100)

        told = joined(locate(times, values, round(half), 1.0, np.ones((1, 100)), refresh=(1.0, 10.0)))

        for name, truth in (("onset", onset), ("half", half)):
            assert told[name][0] == pytest.approx(truth, abs=0.8)
            held += abs(told[name][0] - truth) <= 2 * np.hypot(told[name][1], CODING)
    assert held >= 13  # of 16: at 95.45 of 100 there are fewer once in 190 draws


def test_a_step_among_slow_waves_does_not_begin_before_it_does():
    """Waves of 2 % (rms) of the step, neighbours alike by 0.9: a low stair among them would begin samples earlier."""
    times, apart = np.arange(100.0), []
    for seed in range(12):
        values = exposed("step", 0.0, ONSET, times, 1.0) + 0.02 * waves(seed, 0.9)
        apart.append(joined(locate(times, values, 41, 1.0, np.ones((1, 100))))["onset"][0] - ONSET)

    assert np.abs(apart).max() <= 0.5


def test_more_noise_widens_the_doubt_of_an_onset():
    """12 steps, decays and ramps, the same noise at 1.5, 2 and 4 times its size.

    Which shapes noise leaves open is told by noise too, so a single doubt may shrink a little; their mean may not.
    """
    times, doubts = np.arange(100.0), []
    for seed in range(12):
        noise = 0.01 * np.random.default_rng(seed).standard_normal(100)
        shape = exposed(("step", "decay", "ramp")[seed % 3], 2.5, ONSET + seed / 12, times, 1.0)
        found = [joined(locate(times, shape + k * noise, 42, 1.0, np.ones((1, 100)))) for k in (1, 1.5, 2, 4)]
        doubts.append([each["onset"][1] for each in found])
    logs = np.log(doubts)

    assert (np.diff(logs.mean(axis=0)) > 0).all()
    assert (logs[:, 1:] - logs[:, :1]).min() > np.log(0.8)


@pytest.mark.parametrize("lit_share", [0.06, 0.5, 0.94])
def test_a_step_that_a_short_shutter_lights_in_part_lies_in_that_frame(lit_share):
    """Algebra: of a shutter open for a quarter of the frame so much is left when the light comes on.

    As near to it are the moments at which it is closed: there a frame is wholly lit or not at all, off by 0.06.
    """
    times, rng, opened = np.arange(100.0), np.random.default_rng(5), 0.25
    values = np.where(times > 40, 1.0, np.where(times == 40, lit_share, 0.0)) + 0.003 * rng.standard_normal(100)

    found = locate(times, values, 41, 1.0, np.full((1, 100), opened), kinds=("step",))

    assert found.half[0, 0] == pytest.approx(40 + opened * (1 - lit_share), abs=0.01)
    assert found.half_sd[0, 0] < 0.01


def held_still(light, step):
    """Return what a coder shows that leaves out changes below a step, and rounds larger ones to whole steps."""
    shown = [light[0]]
    for value in light[1:]:
        steps = (value - shown[-1]) / step
        shown.append(shown[-1] + step * np.round(steps) * (abs(steps) > 1))
    return np.array(shown)


@pytest.mark.parametrize(("coded", "least", "most"), [(0.05, 0.9, 1.0), (0.0, 0.0, 0.9)])
def test_a_decay_that_a_coder_holds_still_is_doubted_by_what_the_coder_leaves_out(coded, least, most):
    """Coverage: 60 decays between levels without noise, samples off by up to 0.05 of the swing; 0.9 is 54 of 60."""
    rng, times, held = np.random.default_rng(1), np.arange(60.0), []
    for _ in range(60):
        onset, width = 20 + rng.uniform(), rng.uniform(0.3, 2.5)
        light = exposed("decay", width, onset, times, 1.0) + 0.005 * rng.standard_normal(60)
        shown = held_still(light, 0.05)
        near = int(np.flatnonzero(shown > 0.5)[0])

        found = locate(times, shown, near, 1.0, np.ones((1, 60)), coded=coded)

        begins, doubt = joined(found)["onset"]
        held.append(abs(begins - onset) <= 2 * doubt)
    assert least <= np.mean(held) <= most
