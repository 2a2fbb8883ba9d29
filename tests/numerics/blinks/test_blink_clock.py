"""A blinking light as a clock, against traces whose frames per blink are exact by construction."""

import tracemalloc

import numpy as np
import pytest

from inspect_app.numerics.blinks.blink_clock import blink_clock, is_sure
from inspect_app.numerics.blinks.blink_hidden import may_hide_frames
from inspect_app.numerics.blinks.blink_period import period_of
from inspect_app.numerics.blinks.blink_wave import GapPath, Wave


def lit_shares(numbers: np.ndarray, *, period: float, rise: float, lit: float, opening: float) -> np.ndarray:
    """Return how much of each frame's open time the light is lit, in closed form; all times in frames."""

    def lit_until(moment: np.ndarray) -> np.ndarray:
        turns = np.floor((moment - rise) / period)
        return turns * lit + np.minimum(moment - rise - turns * period, lit)

    return (lit_until(numbers + opening) - lit_until(numbers)) / opening


def test_switches_that_all_fall_while_the_shutter_is_shut_bound_the_period_only():
    """Algebra: shutter open for 0.3 of a frame, switches at 0.65 of one: the period may be 0.35 / 20 off.

    A rectangle between bounds has a standard deviation of its width / √12; the bounds lie within 0.7 frames in all.
    """
    numbers = np.arange(200.0)
    shares = lit_shares(numbers, period=10.0, rise=3.65, lit=5.0, opening=0.3)

    found = period_of(numbers, shares, np.zeros(0), period=10.0, rise=3.5, fall=8.5, noise=0.01)

    assert abs(found.frames - 10.0) <= 2 * found.frames_sd
    assert 0.1 / 20 / 12**0.5 < found.frames_sd < 1.4 / 20 / 12**0.5


@pytest.mark.parametrize("opening", [0.3, 0.5, 1.0])
def test_more_noise_never_shrinks_the_doubt_of_the_period(opening):
    """Property: the same light with ever more of the same noise."""
    numbers = np.delete(np.arange(300.0), [90, 201])
    noise = np.random.default_rng(3).standard_normal(len(numbers))
    light = 50 + 150 * lit_shares(numbers, period=12.37, rise=2.2, lit=5.1, opening=opening)

    clocks = [blink_clock(light + sd * noise, np.zeros(len(light) - 1, dtype=np.int64)) for sd in (0.5, 2.0, 6.0)]

    doubts = [clock.frames_per_blink_sd for clock in clocks]
    assert doubts == sorted(doubts)
    assert all(clock.missing.sum() == 2 for clock in clocks)


def test_a_frame_lost_in_the_dark_of_a_half_open_shutter_is_counted_by_the_files_own_clock():
    """Truth by construction: 15.01 frames a blink, the 82nd of 247 is gone, the file's stamps are even."""
    numbers = np.delete(np.arange(247.0), 81)
    light = 200 * lit_shares(numbers, period=15.01, rise=4.3, lit=7.9, opening=0.5)
    light += 0.8 * np.random.default_rng(4).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / 15.01)

    assert clock.missing.sum() == 1
    assert clock.frames_per_blink == pytest.approx(15.01, abs=2 * clock.frames_per_blink_sd)


@pytest.mark.parametrize(("period", "lit"), [(14.99045, 4.96), (25.0253, 8.67)])
def test_where_blinks_take_whole_frames_the_shutter_trades_places_with_the_period(period, lit):
    """Algebra: the share of a partly lit frame goes on by (period - whole frames) / opening, and by nothing else.

    An opening from nothing to 0.85 of a frame makes of the same shares periods that are 0.018 apart.
    """
    numbers = np.arange(300.0)
    light = 100 * lit_shares(numbers, period=period, rise=6.52, lit=lit, opening=0.5)
    light += 0.8 * np.random.default_rng(6).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / period)

    assert clock.frames_per_blink == pytest.approx(period, abs=2 * clock.frames_per_blink_sd)
    assert 0.001 < clock.frames_per_blink_sd < 0.02


def test_few_switches_of_a_slow_light_count_missing_frames_and_tell_the_rate():
    """Truth by construction: 5.6 blinks of 50.02 frames, three frames gone, shutter open for 0.9 of a frame.

    An opening from a quarter of a frame on makes of the same shares periods that are 0.017 apart.
    """
    numbers = np.delete(np.arange(282.0), [50, 126, 200])
    light = 46 * lit_shares(numbers, period=50.02, rise=37.5, lit=15.0, opening=0.9)
    light += 0.5 * np.random.default_rng(7).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / 50.02)

    assert clock.missing.sum() == 3
    assert clock.frames_per_blink == pytest.approx(50.02, abs=2 * clock.frames_per_blink_sd)
    assert clock.frames_per_blink_sd < 0.02


def test_frames_that_a_shut_shutter_hides_leave_the_count_unsure():
    """Truth by construction: 24.988 frames a blink, no switch while the shutter is open, four of 407 frames are gone.

    Two of them missing and a blink that is 0.6 % shorter fit every frame as well.
    """
    numbers = np.delete(np.arange(407.0), [100, 263, 325, 351])
    light = 200 * lit_shares(numbers, period=24.988, rise=3.62, lit=8.0, opening=0.5)
    light += 0.5 * np.random.default_rng(5).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / 24.988)

    assert clock.missing.sum() == 4 or not is_sure(clock)
    assert abs(clock.frames_per_blink - 24.988) <= 2 * clock.frames_per_blink_sd


@pytest.mark.parametrize(("period", "rise"), [(3.5153, 1.9), (3.55, 2.2)])
def test_lost_frames_of_a_fast_light_and_a_brief_shutter_are_counted_one_by_one(period, rise):
    """Truth by construction: 3.5 frames a blink, four of 441 gone, shutter open for 0.11 of a frame."""
    numbers = np.delete(np.arange(441.0), [164, 248, 273, 356])
    light = 150 * lit_shares(numbers, period=period, rise=rise, lit=0.514 * period, opening=0.114)
    light += 0.7 * np.random.default_rng(8).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 0.463)

    assert clock.missing.sum() == 4
    assert clock.frames_per_blink == pytest.approx(period, abs=2 * clock.frames_per_blink_sd)


def test_more_frames_lost_at_once_than_a_blink_takes_are_counted():
    """Truth by construction: 4.7078 frames a blink, five of 156 gone in a row, shutter open for 0.43 of a frame."""
    numbers = np.delete(np.arange(156.0), np.arange(80, 85))
    light = 150 * lit_shares(numbers, period=4.7078, rise=1.3, lit=1.125, opening=0.43)
    light += 0.7 * np.random.default_rng(9).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 0.21)

    assert clock.missing.sum() == 5
    assert clock.frames_per_blink == pytest.approx(4.7078, abs=2 * clock.frames_per_blink_sd)


@pytest.mark.parametrize("seed", [1, 3])
def test_a_level_that_a_coder_leaves_a_little_low_after_each_switch_is_not_a_partly_lit_frame(seed):
    """Truth by construction: 30.03 frames a blink; five to ten frames after each rise are up to 12 % too dark.

    Every switch falls while the shutter is shut, so the period may be off by 0.67 frames over 13 blinks.
    """
    rng = np.random.default_rng(seed)
    numbers = np.delete(np.arange(401.0), [167, 168, 169])
    light = lit_shares(numbers, period=30.03, rise=0.4 + 5 * seed, lit=18.02, opening=0.33)
    for first in np.flatnonzero(np.diff((light > 0.5).astype(int)) == 1) + 1:
        light[first : first + int(rng.integers(5, 11))] *= rng.uniform(0.88, 0.93)
    light += 0.003 * rng.standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / 30)

    assert clock.frames_per_blink == pytest.approx(30.03, abs=2 * clock.frames_per_blink_sd)
    assert clock.frames_per_blink_sd < 0.67 / 13


@pytest.mark.parametrize("rise", [3.45, 3.6])
def test_a_lamp_that_settles_is_not_read_as_switches_where_the_shutter_is_shut_at_all_of_them(rise):
    """Truth by construction: 27.019 frames a blink, a twentieth of each frame is light of the one before.

    Every switch falls where the shutter is shut, half of a frame: over nine blinks the period is only bound.
    """
    light = 0.9 * lit_shares(np.arange(259.0), period=27.019, rise=rise, lit=13.0, opening=0.5)
    light[1:] += light[:-1] / 18
    light += 0.004 * np.random.default_rng(7).standard_normal(259)

    clock = blink_clock(light, np.zeros(258, dtype=np.int64), 1 / 27)

    assert clock.frames_per_blink == pytest.approx(27.019, abs=2 * clock.frames_per_blink_sd)
    assert clock.frames_per_blink_sd < 0.5 / 9


def test_a_light_filmed_at_uneven_times_is_read_over_those_times():
    """Truth by construction: intervals of 0.8 to 1.25 of a frame add up to 3 frames; 12.37 mean frames a blink."""
    rng = np.random.default_rng(5)
    places = np.concatenate([[0.0], np.cumsum(rng.uniform(0.8, 1.25, 259))])
    places *= 259 / places[-1]
    light = 50 + 150 * lit_shares(places, period=12.37, rise=2.2, lit=5.1, opening=0.6) + rng.standard_normal(260)

    clock = blink_clock(light, np.zeros(259, dtype=np.int64), 1.01 / 12.37, away=places - np.arange(260))

    assert clock.missing.sum() == 0
    assert clock.frames_per_blink == pytest.approx(12.37, abs=min(0.003, 3 * clock.frames_per_blink_sd))


def test_frames_that_are_partly_lit_now_and_then_leave_no_room_for_hidden_ones():
    """Truth by construction: half-open shutter, 12.37 frames a blink, none missing, the file's clock 1 % off.

    At the file's rate three frames would have to be missing, each somewhere between two frames that are partly lit.
    """
    light = 50 + 150 * lit_shares(np.arange(300.0), period=12.37, rise=2.2, lit=5.1, opening=0.5)
    light += np.random.default_rng(3).standard_normal(300)

    clock = blink_clock(light, np.zeros(299, dtype=np.int64), 1.01 / 12.37)

    assert is_sure(clock)
    assert clock.frames_per_blink == pytest.approx(12.37, abs=3 * clock.frames_per_blink_sd)
    assert clock.frames_per_blink_sd < 0.002


@pytest.mark.parametrize(
    ("period", "lit", "opening", "by_file"),
    [(5.023, 2.4, 0.62, 5.0406), (6.638, 3.1, 0.33, 6.6134), (11.984, 5.0, 0.5, 11.9553)],
    ids=["faster than the file", "slower", "slower, near whole frames"],
)
def test_a_rate_off_the_files_hides_no_frames_where_switches_go_on_through_all_parts_of_frames(
    period, lit, opening, by_file
):
    """Truth by construction: none of 300 frames missing, the file's clock 0.24 to 0.35 % off.

    Hidden ones would need switches that keep to one place within a frame, or frames too many.
    """
    light = 50 + 150 * lit_shares(np.arange(300.0), period=period, rise=2.2, lit=lit, opening=opening)
    light += np.random.default_rng(6).standard_normal(300)

    clock = blink_clock(light, np.zeros(299, dtype=np.int64), 1 / by_file)

    assert is_sure(clock)
    assert clock.missing.sum() == 0
    assert clock.frames_per_blink == pytest.approx(period, abs=3 * clock.frames_per_blink_sd)
    assert clock.frames_per_blink_sd < 0.0005 * period


def test_a_long_film_is_asked_for_hidden_frames_in_bounded_memory():
    """Truth by construction: 5.023 frames a blink for 40 000 frames, none missing, the file's clock 0.35 % off."""
    frames, period, opening = 40_000, 5.023, 0.62
    share = lit_shares(np.arange(float(frames)), period=period, rise=2.2, lit=2.4, opening=opening)
    wave = Wave(rate=1 / period, phase=(opening / 2 - 3.4) / period, width=2.4 / period, ramp=opening / period)

    tracemalloc.start()
    is_hiding = may_hide_frames(share, wave, GapPath(np.zeros(frames, dtype=np.int64), 0.0), 1 / 5.0406, 0.005)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert not is_hiding
    assert peak < 30e6


def test_a_light_that_switches_once_is_no_clock():
    """Nothing there: one step; many rates fit it when enough frames are missing."""
    light = (np.arange(240) > 117) + 0.01 * np.random.default_rng(31).standard_normal(240)

    assert blink_clock(light, np.zeros(239, dtype=np.int64), 2 / 30) is None


def test_frames_missing_where_the_light_keeps_a_level_are_counted_wherever_they_are_missing():
    """Truth by construction: 120 frames a blink, three gone in the bright, three in the dark, one beside a switch."""
    numbers = np.delete(np.arange(500.0), [70, 71, 101, 190, 260, 342])
    light = lit_shares(numbers, period=120.3, rise=60.2, lit=60.0, opening=0.9)
    light += 0.01 * np.random.default_rng(6).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1 / 120.3)

    assert clock.missing.sum() == 6
    assert clock.frames_per_blink == pytest.approx(120.3, abs=2 * clock.frames_per_blink_sd)


def test_many_frames_lost_in_few_blinks_of_a_brief_shutter_leave_the_count_unsure():
    """Truth by construction: nine of 110 frames gone, five blinks, hardly a frame partly lit: fewer gaps fit too."""
    rng = np.random.default_rng(17)
    period = rng.uniform(14, 30)
    numbers = np.delete(np.arange(110.0), np.sort(rng.choice(np.arange(5, 105), 9, replace=False)))
    light = lit_shares(numbers, period=period, rise=rng.uniform(3, 9), lit=0.4 * period, opening=0.1)
    light += 0.01 * rng.standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1.002 / period)

    assert clock.missing.sum() == 9 or not is_sure(clock)
    assert abs(clock.frames_per_blink - period) <= 2 * clock.frames_per_blink_sd


def test_a_film_that_lost_every_twelfth_frame_is_counted_where_a_rate_a_little_off_fits_most_switches():
    """64 of 760 frames of a light that takes 37.6 frames are lost, and the file's clock is 0.2 % off."""
    rng = np.random.default_rng(4)
    period, frames = 37.6, 760
    numbers = np.delete(np.arange(float(frames)), np.sort(rng.choice(np.arange(5, frames - 5), 64, replace=False)))
    light = lit_shares(numbers, period=period, rise=7.3, lit=18.0, opening=0.7)
    light += 0.01 * rng.standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 1.002 / period)

    assert clock is not None
    assert clock.missing.sum() == 64
    assert abs(clock.frames_per_blink - period) <= 2 * clock.frames_per_blink_sd < 0.01 * period


def test_a_shutter_that_never_opens_at_a_switch_bounds_the_rate_however_short_the_flash():
    """Algebra: open for 0.13 of a frame, 5.0006 frames a blink, lit for 1.5: switches drift by 0.05 frames in all.

    None is seen partly lit; each kind may drift by 0.87 frames over 88 blinks, and the rate is known no better.
    """
    light = 60 + 120 * lit_shares(np.arange(444.0), period=5.0006, rise=3.75, lit=1.5, opening=0.13)
    light += 0.3 * np.random.default_rng(5).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 0.2)

    assert abs(clock.frames_per_blink - 5.0006) <= 2 * clock.frames_per_blink_sd
    assert 0.1 / 88 / 12**0.5 < clock.frames_per_blink_sd < 1.74 / 88 / 12**0.5


def test_a_frame_missing_in_every_bright_run_of_few_leaves_the_count_unsure():
    """Algebra: a bright run of 69 frames, none of them missing, shows the same as one of 70 of which one is missing.

    Five of 380 frames are gone, one or two of each bright run and one of a dark one; the file plays in slow motion.
    """
    numbers = np.delete(np.arange(380.0), [79, 156, 213, 271, 308])
    light = lit_shares(numbers, period=108.98, rise=51.8, lit=69.85, opening=1.0)
    light += 0.01 * np.random.default_rng(11).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 5 / 108.98)

    assert clock.missing.sum() == 5 or not is_sure(clock)
    assert abs(clock.frames_per_blink - 108.98) <= 2 * clock.frames_per_blink_sd


def test_of_many_runs_some_lack_no_frame_so_that_the_missing_ones_are_counted():
    """Truth by construction: six of 474 frames are gone in eight blinks of 58.63 frames, in noise of 5 % of the swing.

    Two more in every bright run, and blinks of two frames more, fit as well, and are ever so much rarer.
    """
    numbers = np.delete(np.arange(474.0), [40, 47, 105, 195, 420, 434])
    light = lit_shares(numbers, period=58.63, rise=54.3, lit=17.97, opening=1.0)
    light += 0.05 * np.random.default_rng(12).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 0.017)

    assert clock.missing.sum() == 6
    assert is_sure(clock)
    assert clock.frames_per_blink == pytest.approx(58.63, abs=2 * clock.frames_per_blink_sd)


def test_a_frame_missing_before_the_last_switch_is_counted_by_one_frame_that_is_a_little_lit():
    """Truth by construction: the last of 374 frames is lit for 0.3 of itself, and would be dark were 348 not gone."""
    numbers = np.delete(np.arange(373.0), [71, 165, 295, 348])
    light = lit_shares(numbers, period=53.14, rise=0.708, lit=24.64, opening=1.0)
    light += 0.015 * np.random.default_rng(13).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 0.0188)

    assert clock.missing.sum() == 4
    assert clock.frames_per_blink == pytest.approx(53.14, abs=2 * clock.frames_per_blink_sd)


def test_a_slow_light_in_a_film_that_plays_slowly_is_not_taken_for_a_fast_one_of_which_most_is_missing():
    """Truth by construction: 68.92 frames a blink, two of 687 gone; by the file's clock a blink takes 13.8 frames."""
    numbers = np.delete(np.arange(687.0), [120, 304])
    light = lit_shares(numbers, period=68.92, rise=20.3, lit=41.6, opening=1.0)
    light += 0.05 * np.random.default_rng(14).standard_normal(len(light))

    clock = blink_clock(light, np.zeros(len(light) - 1, dtype=np.int64), 5 / 68.92)

    assert clock.missing.sum() == 2
    assert clock.frames_per_blink == pytest.approx(68.92, abs=2 * clock.frames_per_blink_sd)


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_a_light_that_switches_at_random_is_no_clock_that_lacks_frames(seed):
    """Truth by construction: on and off last 0.2 to 1.2 s each, 40 times, filmed at 25 frames a second."""
    rng = np.random.default_rng(seed)
    switches = np.cumsum(rng.uniform(5, 30, 40))
    light = (np.searchsorted(switches, np.arange(300.0)) % 2).astype(np.float64)
    light += 0.02 * rng.standard_normal(len(light))

    clock = blink_clock(light, np.zeros(299, dtype=np.int64), 0.05)

    assert clock is None or (not is_sure(clock) and clock.missing.sum() > 90)


def test_a_light_thrown_anew_for_each_frame_is_no_clock_that_lacks_most_of_its_frames():
    """Truth by construction: as a coin falls, once a frame; runs so short that a fast blink with gaps nearly fits."""
    rng = np.random.default_rng(1)
    light = (rng.random(160) < 0.5) + 0.02 * rng.standard_normal(160)

    assert blink_clock(light, np.zeros(159, dtype=np.int64), 2 / 30) is None


@pytest.mark.parametrize("period", [2.4, 3.0, 6.02, 19.3])
def test_a_light_that_swells_and_fades_as_a_sine_is_no_clock(period):
    """Truth by construction: mains light as a camera sees it, whatever frequency it is said to have."""
    noise = 0.5 * np.random.default_rng(8).standard_normal(180)
    light = 90 + 20 * np.sin(2 * np.pi * np.arange(180) / period + 0.4) + noise

    assert blink_clock(light, np.zeros(179, dtype=np.int64), 1 / 13.7) is None


@pytest.mark.parametrize("period", [2.4, 3.3, 5.1])
def test_a_lamp_of_few_frames_a_blink_is_no_sine_though_it_is_noisy(period):
    """Algebra: an open shutter leaves a trapezoid, whose third harmonic is a fifteenth of the first."""
    numbers = np.arange(240.0)
    light = lit_shares(numbers, period=period, rise=1.3, lit=0.45 * period, opening=1.0)
    light += 0.06 * np.random.default_rng(9).standard_normal(240)

    clock = blink_clock(light, np.zeros(239, dtype=np.int64), 1 / period)

    assert abs(clock.frames_per_blink - period) < 2 * clock.frames_per_blink_sd
