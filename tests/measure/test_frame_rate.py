"""The frame rate check against films of a light that blinks at a known rate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure
from inspect_app.measure._films.film_times import own_rate
from tests.truth.films import blink_film, exposed, latency_frames, write_film


def quantities(measured):
    return {result.quantity_name: result.quantity for result in measured.results}


def test_the_rate_is_that_of_the_light_and_not_of_the_file(tmp_path):
    """Truth by construction: 59.94 frames a second against a light of 3.7 Hz, in a file that claims 50."""
    rng = np.random.default_rng(1)
    path = blink_film(tmp_path / "blink.mp4", rng, fps=59.94, frames=400)

    found = quantities(measure("frame-rate", {"scene": [path]}, {"blink_hz": "3.7"}))

    assert found["frame_rate"].value == pytest.approx(59.94, abs=0.03)
    assert abs(found["frame_rate"].value - 59.94) <= 3 * found["frame_rate"].standard_uncertainty
    assert found["frames_dropped"].value == 0


@pytest.mark.parametrize("blink_hz", [7.0, 11.3])
def test_a_lamp_of_few_frames_a_blink_is_read_with_its_missing_frames(tmp_path, blink_hz):
    """Truth by construction: 3.6 and 2.2 frames a blink, both below Nyquist; 3 of 220 frames are left out."""
    rng = np.random.default_rng(7)
    path = blink_film(tmp_path / "fast.mp4", rng, fps=25.0, blink_hz=blink_hz, frames=220, dropped=(40, 41, 150))

    found = quantities(measure("frame-rate", {"scene": [path]}, {"blink_hz": blink_hz}))

    assert found["frame_rate"].value == pytest.approx(25, abs=0.005)
    assert found["frames_dropped"].value == 3


def test_a_lamp_faster_than_half_of_the_frame_rate_is_refused(tmp_path):
    """38 Hz at 60 frames a second looks like 22 Hz: the rate would read 104 a second."""
    path = blink_film(tmp_path / "alias.mp4", np.random.default_rng(8), fps=60.0, blink_hz=38.0, frames=150)

    with pytest.raises(NothingToMeasure, match="faster than half"):
        measure("frame-rate", {"scene": [path]}, {"blink_hz": 38.0})


@pytest.mark.parametrize("blink_hz", [1e-6, 1e-9])
def test_a_light_that_cannot_be_the_one_seen_is_refused_at_once(tmp_path, blink_hz):
    """A slip of the decimal point: by the film's clock such a light blinks once in a fortnight."""
    path = blink_film(tmp_path / "slow.mp4", np.random.default_rng(8), fps=60.0, blink_hz=3.7, frames=150)

    with pytest.raises(NothingToMeasure, match="Give the frequency of the light"):
        measure("frame-rate", {"scene": [path]}, {"blink_hz": blink_hz})


@pytest.mark.parametrize("keep_gaps", [False, True])
def test_dropped_frames_are_counted_whether_the_file_shows_them_or_not(tmp_path, keep_gaps):
    """Truth by construction: 7 of 300 frames are left out, two of them side by side."""
    rng = np.random.default_rng(2)
    dropped = (31, 80, 81, 150, 199, 230, 255)
    path = blink_film(tmp_path / "drops.mp4", rng, fps=60, frames=300, dropped=dropped, keep_gaps=keep_gaps)

    found = quantities(measure("frame-rate", {"scene": [path]}, {"blink_hz": 3.7}))

    assert found["frames_dropped"].value == len(dropped)
    assert found["frame_rate"].value == pytest.approx(60, abs=0.05)


def test_without_a_known_light_the_films_own_clock_is_believed_with_a_warning(tmp_path):
    """Truth by construction of the time stamps: 60 a second, two gaps of one frame."""
    rng = np.random.default_rng(3)
    path = blink_film(tmp_path / "own.mp4", rng, frames=120, dropped=(40, 90), keep_gaps=True)

    measured = measure("frame-rate", {"scene": [path]}, {})

    found = quantities(measured)
    assert found["frame_rate"].value == pytest.approx(60, abs=0.01)
    assert found["frames_dropped"].value == 2
    assert any("own clock" in warning for warning in measured.warnings)


def test_counted_frames_over_a_clock_give_their_quotient():
    """Algebra: 1798 frames in 30 s are 59.933 a second; one frame at the ends is 0.0136 a second."""
    found = quantities(measure("frame-rate", {}, {"frames_counted": ["1798"], "duration_s": "30"}))["frame_rate"]

    assert found.value == pytest.approx(1798 / 30)
    assert found.standard_uncertainty == pytest.approx(1 / 6**0.5 / 30, rel=0.2)


@given(frames=st.integers(10, 100_000), duration_s=st.floats(1, 1000), times=st.integers(2, 50))
def test_counting_for_longer_at_the_same_rate_never_adds_doubt(frames, duration_s, times):
    """Property: frames and duration grow together, so the rate stays and its uncertainty shrinks."""
    short = quantities(measure("frame-rate", {}, {"frames_counted": [frames], "duration_s": duration_s}))
    long = quantities(measure("frame-rate", {}, {"frames_counted": [frames * times], "duration_s": duration_s * times}))

    assert long["frame_rate"].value == pytest.approx(short["frame_rate"].value, rel=1e-9)
    assert long["frame_rate"].standard_uncertainty < short["frame_rate"].standard_uncertainty


@pytest.mark.parametrize(
    "change",
    [
        lambda codes: 0.7 * codes,
        lambda codes: codes + 10,
        lambda codes: codes[::-1, ::-1],
        lambda codes: codes[10:-10, 10:-6],
        lambda codes: np.pad(codes, 16, constant_values=20.0),
        lambda codes: 4 * np.round(codes / 4),
    ],
    ids=["gain", "offset", "turned by a half", "cropped", "padded", "six bits"],
)
def test_what_changes_no_moment_does_not_move_the_rate(tmp_path, change):
    """Property: gain, offset, flip, crop, padding and bit depth leave the rate within its uncertainty."""
    shot = np.arange(150) / 50
    light = exposed("step", 0.0, 0.0, shot % (1 / 3.7), 1 / 50) - exposed("step", 0.0, 0.135, shot % (1 / 3.7), 1 / 50)
    frames = list(latency_frames(np.random.default_rng(4), shot, light, np.zeros(150), levels=(25.0, 180.0)))
    films = (write_film(tmp_path / "a.mp4", frames, shot), write_film(tmp_path / "b.mp4", map(change, frames), shot))

    plain, changed = (quantities(measure("frame-rate", {"scene": [film]}, {"blink_hz": 3.7})) for film in films)

    assert plain["frame_rate"].value == pytest.approx(50, abs=0.1)
    assert abs(changed["frame_rate"].value - plain["frame_rate"].value) <= plain["frame_rate"].standard_uncertainty
    assert changed["frames_dropped"].value == plain["frames_dropped"].value == 0


def test_the_uncertainty_covers_the_truth_as_often_as_it_claims(tmp_path):
    """Coverage at k = 2 over 16 seeded films of 28 to 70 frames a second (binomial, chance below 0.01)."""
    rng = np.random.default_rng(6)
    held = 0
    for number in range(16):
        rate = rng.uniform(28, 70)
        path = blink_film(tmp_path / f"{number}.mp4", rng, fps=rate, frames=150, noise=rng.uniform(0.5, 6))

        found = quantities(measure("frame-rate", {"scene": [path]}, {"blink_hz": 3.7}))["frame_rate"]

        held += abs(found.value - rate) <= 2 * found.standard_uncertainty

    assert held >= 13


@pytest.mark.parametrize(("blink_hz", "told"), [(1.1, True), (12.0, False)])
def test_frames_that_no_switch_of_the_light_bounds_are_not_vouched_for(tmp_path, blink_hz, told):
    """Truth by construction: 3.7 blinks leave much of a film before the first switch and after the last, 40 little."""
    path = blink_film(tmp_path / "f.mp4", np.random.default_rng(12), fps=60.0, blink_hz=blink_hz, frames=200)

    warnings = measure("frame-rate", {"scene": [path]}, {"blink_hz": blink_hz}).warnings

    assert any("show nowhere" in warning for warning in warnings) == told


@pytest.mark.parametrize(("radius_px", "swing", "noise"), [(9.8, 8.0, 10.0), (3.5, 14.0, 12.0)])
def test_a_lamp_too_dim_for_single_frames_is_found_in_means_of_them(tmp_path, radius_px, swing, noise):
    """Truth by construction: a disc of 300 or 38 pixels swings by as much as the noise, 23 frames on and 23 off."""
    rng = np.random.default_rng(5)
    rows, cols = np.mgrid[0:96, 0:128]
    lamp = swing * (np.hypot(rows - 40, cols - 70) < radius_px)
    is_lit = np.arange(276) % 46 < 23
    codes = 60 + lamp * is_lit[:, None, None] + noise * rng.standard_normal((276, 96, 128))
    path = write_film(tmp_path / "dim.mp4", codes, np.arange(276) / 25)

    found = measure("frame-rate", {"scene": [path]}, {"blink_hz": 25 / 46})

    x, y = found.outlines[0].x + found.outlines[0].width_px / 2, found.outlines[0].y + found.outlines[0].height_px / 2
    assert abs(x - 70) < 4
    assert abs(y - 40) < 4
    rate = found.results[0].quantity
    assert abs(rate.value - 25) <= 2 * rate.standard_uncertainty < 0.5


def test_a_film_in_which_nothing_blinks_is_refused(tmp_path):
    """Nothing there: the light is off throughout."""
    rng = np.random.default_rng(4)
    path = blink_film(tmp_path / "dark.mp4", rng, duty=0.0, frames=60)

    with pytest.raises(NothingToMeasure, match="blink"):
        measure("frame-rate", {"scene": [path]}, {"blink_hz": 3.7})


@pytest.mark.parametrize("seed", [3, 9])
def test_a_light_that_switches_at_random_is_refused(tmp_path, seed):
    """Truth by construction: on and off last 0.1 to 1.2 s each, so no count of frames follows from a frequency."""
    rng = np.random.default_rng(seed)
    switches_s = np.cumsum(rng.uniform(0.1, 1.2, 40))
    shot_s = np.arange(240) / 30
    lit = (np.searchsorted(switches_s, shot_s) % 2).astype(float)
    path = write_film(tmp_path / "random.mp4", latency_frames(rng, shot_s, lit, np.zeros(240)), shot_s)

    with pytest.raises(NothingToMeasure, match="blink"):
        measure("frame-rate", {"scene": [path]}, {"blink_hz": 2.0})


def test_neither_film_nor_counts_is_told():
    with pytest.raises(UnusableInput, match="--frames-counted"):
        measure("frame-rate", {}, {})


@pytest.mark.parametrize("fps", [24, 121])
def test_stamps_in_whole_milliseconds_tell_the_rate_of_the_film_by_their_mean(fps):
    """Algebra: 24 frames a second are 41 or 42 ms apart, 42 most often, which alone would be 23.8 a second."""
    stamps_s = np.round(np.delete(np.arange(10 * fps), 100) / fps, 3)

    own = own_rate(stamps_s)

    assert 1 / own.interval_s == pytest.approx(fps, rel=2e-4)
    assert own.missing.sum() == 1
    assert not own.is_uneven
