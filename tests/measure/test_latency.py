"""The latency check against films and traces whose lag is exact by construction."""

import numpy as np
import pytest

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure
from tests.truth.films import exposed, flickering_film, half_s, latency_film, latency_frames, write_film


def latencies(measured):
    return {result.quantity_name: result.quantity for result in measured.results}


def trace_file(
    path,
    rng,
    *,
    lag_ms,
    kind="step",
    width_ms=0.0,
    step_ms=1.0,
    noise=0.01,
    events=(100.0,),
    gain=1.0,
    shutter=1.0,
    after_ms=300.0,
):
    """Write a log of a light and its picture, each row the mean over the share `shutter` of one interval."""
    times = np.arange(0, events[-1] + after_ms, step_ms)
    stimulus, response = np.zeros_like(times), np.zeros_like(times)
    for number, event in enumerate(events):
        sign = 1 if number % 2 == 0 else -1
        stimulus += sign * exposed("step", 0, event, times, shutter * step_ms)
        response += sign * exposed(kind, width_ms, event + lag_ms, times, shutter * step_ms)
    stimulus, response = (gain * values + noise * rng.standard_normal(len(times)) for values in (stimulus, response))
    rows = "\n".join(f"{t:.3f},{s:.5f},{r:.5f}" for t, s, r in zip(times, stimulus, response, strict=True))
    path.write_text(f"time_ms,stimulus,response\n{rows}\n")
    return path


@pytest.mark.parametrize(
    ("kind", "width_ms", "half_ms"), [("step", 0, 0), ("decay", 3.0, 3 * np.log(2)), ("ramp", 6.0, 3.0)]
)
def test_a_trace_gives_the_lag_of_onset_and_of_half_the_swing(tmp_path, kind, width_ms, half_ms):
    """Closed form: a decay of time constant τ has gone half of the way after τ ln 2, a ramp after half its length."""
    path = trace_file(tmp_path / "t.csv", np.random.default_rng(1), lag_ms=42.4, kind=kind, width_ms=width_ms)

    found = latencies(measure("latency", {"scene": [path]}, {}))

    assert found["latency_first_change"].value == pytest.approx(42.4, abs=0.3)
    assert found["latency_half"].value == pytest.approx(42.4 + half_ms, abs=0.1)
    assert found["latency_frames"].value == pytest.approx(found["latency_first_change"].value, rel=1e-6)


def test_a_film_gives_the_lag_within_a_fraction_of_a_frame(tmp_path):
    """Truth by construction: 37.3 ms in a film of 240 frames a second, one frame is 4.17 ms."""
    path = latency_film(tmp_path / "f.mp4", np.random.default_rng(2), lag_s=0.0373)

    found = latencies(measure("latency", {"scene": [path]}, {}))

    for name in ("latency_first_change", "latency_half"):
        assert found[name].value == pytest.approx(37.3, abs=1.25)  # 0.3 frames
        assert abs(found[name].value - 37.3) <= 2 * found[name].standard_uncertainty


def test_a_slow_motion_film_is_put_right_by_its_frame_rate(tmp_path):
    """Truth by construction: shot at 480, plays at 30; without the rate the lag would read 16 times as long."""
    path = latency_film(tmp_path / "s.mp4", np.random.default_rng(3), fps=480, played_at_fps=30, lag_s=0.031)

    found = latencies(measure("latency", {"scene": [path]}, {"frame_rate": "480"}))

    assert found["latency_half"].value == pytest.approx(31.0, abs=0.5)


def test_a_film_without_its_rate_that_plays_slowly_carries_a_warning(tmp_path):
    path = latency_film(tmp_path / "s.mp4", np.random.default_rng(3), fps=480, played_at_fps=30, lag_s=0.031)

    measured = measure("latency", {"scene": [path]}, {})

    assert any("--frame-rate" in warning for warning in measured.warnings)


def test_given_regions_read_the_same_as_found_ones(tmp_path):
    """Two ways through one film: the LED at the left, the screen at the right."""
    path = latency_film(tmp_path / "r.mp4", np.random.default_rng(4), lag_s=0.045, kind="decay", width_s=0.006)
    found = latencies(measure("latency", {"scene": [path]}, {}))["latency_half"]

    given = latencies(
        measure("latency", {"scene": [path]}, {"stimulus_roi": "24,40,17,17", "response_roi": "80,24,56,48"})
    )["latency_half"]

    assert given.value == pytest.approx(found.value, abs=0.4)


def test_a_screen_that_is_renewed_line_by_line_first_changes_with_its_first_line(tmp_path):
    """Truth by construction: lines follow one another over 3 frames; half of the screen is lit after 1.5 frames."""
    path = latency_film(tmp_path / "l.mp4", np.random.default_rng(5), lag_s=0.045, kind="scan", width_s=0.0125)

    found = latencies(measure("latency", {"scene": [path]}, {}))

    assert found["latency_first_change"].value == pytest.approx(45.0, abs=0.8)
    assert found["latency_half"].value == pytest.approx(45.0 + 6.25, abs=0.4)


def test_stamps_in_whole_milliseconds_do_not_shift_an_even_film(tmp_path):
    """Truth by construction: a container that rounds 1/240 s to 4 or 5 ms, an eighth of a frame."""
    path = latency_film(tmp_path / "m.mkv", np.random.default_rng(6), light_s=0.1516, lag_s=0.0373)

    found = latencies(measure("latency", {"scene": [path]}, {}))["latency_half"]

    assert found.value == pytest.approx(37.3, abs=0.2)


def test_whole_milliseconds_near_the_interval_are_not_taken_for_missing_frames(tmp_path):
    """Truth by construction: at 960 frames a second stamps go on by 1 ms, and now and then by 2; no frame is gone."""
    path = latency_film(tmp_path / "m.mkv", np.random.default_rng(6), fps=960, light_s=0.0379, lag_s=0.0123)

    measured = measure("latency", {"scene": [path]}, {})

    assert latencies(measured)["latency_half"].value == pytest.approx(12.3, abs=0.1)
    assert not measured.warnings


def test_a_small_lamp_beside_a_large_screen_is_found(tmp_path):
    """Truth by construction: the lamp covers 0.04 % of the picture."""
    path = latency_film(tmp_path / "big.mp4", np.random.default_rng(7), lag_s=0.05, rows=360, cols=640, frames=70)

    found = latencies(measure("latency", {"scene": [path]}, {}))["latency_half"]

    assert found.value == pytest.approx(50.0, abs=0.8)


def test_a_film_whose_picture_moves_carries_a_warning_of_motion_and_a_still_one_none(tmp_path):
    """Truth by construction: the camera shakes by 0.8 pixels from frame to frame, or stands."""
    still, shaken = (
        measure(
            "latency",
            {"scene": [latency_film(tmp_path / f"{shake_px}.mp4", np.random.default_rng(12), shake_px=shake_px)]},
            {},
        )
        for shake_px in (0.0, 0.8)
    )

    assert any(warning.startswith("motion") for warning in shaken.warnings)
    assert not still.warnings


@pytest.mark.parametrize("seed", [0, 2])
def test_a_frame_that_noise_hides_in_a_trembling_film_makes_no_picture_of_borders(tmp_path, seed):
    """A frame that is not recognised is no new scene: all borders would switch with it, tens of frames too late."""
    looks = {"noise": 5.5, "shake_px": 1.7, "levels": (40.0, 140.0)}
    path = latency_film(tmp_path / "t.mp4", np.random.default_rng(seed), light_s=0.12, lag_s=0.05, frames=90, **looks)

    found = latencies(measure("latency", {"scene": [path]}, {}))["latency_first_change"]

    assert abs(found.value - 50.0) <= 2 * found.standard_uncertainty < 2.0


def test_a_film_held_by_hand_gives_the_lag_all_the_same(tmp_path):
    """Truth by construction; sway of 1.5 pixels (rms) moves borders by more than noise, and no faster than a switch."""
    path = latency_film(tmp_path / "h.mp4", np.random.default_rng(31), lag_s=0.0373, sway_px=1.5)

    measured = measure("latency", {"scene": [path]}, {})

    first = latencies(measured)["latency_first_change"]
    assert first.value == pytest.approx(37.3, abs=1.25)  # 0.3 frames
    assert abs(first.value - 37.3) <= 2 * first.standard_uncertainty
    assert any("motion" in warning for warning in measured.warnings)


def test_regions_given_in_a_film_held_by_hand_stay_on_what_they_were_drawn_around(tmp_path):
    """Truth by construction; a sway of 2 pixels (rms) moves the light half out of its region, which is no switch."""
    path = latency_film(tmp_path / "h.mp4", np.random.default_rng(35), lag_s=0.0373, sway_px=2.0)

    measured = measure("latency", {"scene": [path]}, {"stimulus_roi": "26,42,12,12", "response_roi": "74,21,68,54"})

    half = latencies(measured)["latency_half"]
    assert half.value == pytest.approx(37.3, abs=0.8)
    assert abs(half.value - 37.3) <= 2 * half.standard_uncertainty
    assert not any("not followed" in warning for warning in measured.warnings)


def test_a_border_that_switches_with_its_screen_every_other_time_is_not_taken_for_the_light(tmp_path):
    """Truth by construction: 8.4 frames; a bright strip below the screen comes with it and goes half-way between."""
    rng, shot = np.random.default_rng(33), np.arange(170.0)
    turns = (20.3, 60.6, 100.1, 140.7)
    light = sum((-1) ** k * exposed("step", 0, turn, shot, 1) for k, turn in enumerate(turns))
    picture = sum((-1) ** k * exposed("step", 0, turn + 8.4, shot, 1) for k, turn in enumerate(turns))
    strip = sum((-1) ** k * exposed("step", 0, turn, shot, 1) for k, turn in enumerate((69.0, 88.2, 149.1, 160.4)))
    frames = list(latency_frames(rng, shot / 240, light, picture[:, None]))
    for frame, lit in zip(frames, strip, strict=True):
        frame[77:84, 72:144] += 150 * lit
    path = write_film(tmp_path / "b.mp4", frames, shot / 240)

    first = latencies(measure("latency", {"scene": [path]}, {}))["latency_frames"]

    assert first.value == pytest.approx(8.4, abs=0.3)


@pytest.mark.parametrize("seed", range(4))
def test_a_screen_that_ripples_is_timed_as_finely_as_one_that_does_not(tmp_path, seed):
    """Truth by construction: a tenth of ripple at 2.2 to 5 frames a period; a step is known within a frame."""
    rng, shot = np.random.default_rng(seed), np.arange(110) / 240
    onset, period, phase = 45 + rng.random(), rng.uniform(2.2, 5), rng.uniform(0, 2 * np.pi)
    inner = np.arange(110)[:, None] + (np.arange(200) + 0.5) / 200
    lit = np.where(inner >= onset, 1 + 0.1 * np.sin(2 * np.pi * inner / period + phase), 0.0).mean(axis=1)
    light = np.where(inner >= 35.3, 1.0, 0.0).mean(axis=1)
    path = write_film(tmp_path / "r.mp4", latency_frames(rng, shot, light, lit[:, None]), shot)

    found = latencies(measure("latency", {"scene": [path]}, {}))

    for quantity in (found["latency_first_change"], found["latency_half"]):
        assert quantity.value * 0.24 == pytest.approx(onset - 35.3, abs=2 * quantity.standard_uncertainty * 0.24)
        assert quantity.standard_uncertainty * 0.24 < 0.2


@pytest.mark.parametrize("goes_out", [False, True])
def test_a_screen_that_flickers_once_it_is_lit_does_not_hide_when_it_changed(tmp_path, goes_out):
    """Truth by construction: lit at 141.3 ms, renewed every 16 ms and a third darker at the end; rows of 1 ms.

    Where it goes out, the same is told backwards: the light at 300 ms, its picture 41.3 ms later.
    """
    rng, fine = np.random.default_rng(14), np.arange(0, 400, 0.02)
    event_ms = 300.0 if goes_out else 100.0
    since = (event_ms + 41.3 - fine) if goes_out else (fine - event_ms - 41.3)
    crests = np.where(since >= 0, 1 - np.mod(since, 16) / 48, 0.0).reshape(-1, 50).mean(axis=1)
    lights = np.clip(np.arange(400) - event_ms + 1, 0, 1)
    rows = zip(
        np.arange(400), 1 - lights if goes_out else lights, crests + 0.004 * rng.standard_normal(400), strict=True
    )
    path = tmp_path / "t.csv"
    path.write_text("time_ms,stimulus,response\n" + "\n".join("{:d},{:.4f},{:.4f}".format(*row) for row in rows))

    found = latencies(measure("latency", {"scene": [path]}, {}))["latency_first_change"]

    assert found.value == pytest.approx(41.3, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 1.0


@pytest.mark.parametrize(("share", "half_ms"), [(0.3, 14.4), (0.7, 6.07)])
def test_a_display_that_shows_each_of_many_switches_in_two_refreshes_is_fitted_as_such(tmp_path, share, half_ms):
    """Truth by construction: steps 8.33 ms, four frames, apart; the first of the next switch is no drift of a level."""
    rng, times, open_s = np.random.default_rng(29), np.arange(192) / 480, 1 / 480
    stimulus, response = np.zeros(len(times)), np.zeros(len(times))
    for number in range(6):
        sign, light_s = 1 - 2 * (number % 2), 0.047 + 0.0647 * number
        stimulus += sign * exposed("step", 0.0, light_s, times, open_s)
        response += sign * share * exposed("step", 0.0, light_s + 0.00607, times, open_s)
        response += sign * (1 - share) * exposed("step", 0.0, light_s + 0.00607 + 1 / 120, times, open_s)
    path = write_film(tmp_path / "b.mp4", latency_frames(rng, times, stimulus, response), times)

    found = latencies(measure("latency", {"scene": [path]}, {}))

    for name, truth_ms in (("latency_first_change", 6.07), ("latency_half", half_ms)):
        assert found[name].value == pytest.approx(truth_ms, abs=2 * found[name].standard_uncertainty)
        assert found[name].standard_uncertainty < 0.4


def test_a_screen_that_is_dark_between_renewals_has_one_change_for_each_of_the_light(tmp_path):
    """Truth by construction: renewed at 60 Hz, lit for a fifth of the time between; 37.3 ms, a frame is 4.17 ms."""
    path = flickering_film(
        tmp_path / "d.mp4", np.random.default_rng(15), fps=240, lag_s=0.0373, depth=1.0, decay_s=0.002
    )

    first = latencies(measure("latency", {"scene": [path]}, {}))["latency_first_change"]

    assert first.value == pytest.approx(37.3, abs=2.1)
    assert abs(first.value - 37.3) <= 2 * first.standard_uncertainty


@pytest.mark.parametrize(("reading", "column"), [(-50.0, 1), (1e9, 2)])
def test_a_reading_far_off_all_others_is_left_out_with_a_warning(tmp_path, reading, column):
    """Row 61 is one slip of the logger; the lag is 42.4 ms by construction."""
    path = trace_file(tmp_path / "t.csv", np.random.default_rng(1), lag_ms=42.4)
    lines = path.read_text().splitlines()
    cells = lines[61].split(",")
    cells[column] = str(reading)
    path.write_text("\n".join([*lines[:61], ",".join(cells), *lines[62:]]))

    measured = measure("latency", {"scene": [path]}, {})

    assert latencies(measured)["latency_half"].value == pytest.approx(42.4, abs=0.1)
    assert any("row 61" in warning for warning in measured.warnings)


def test_a_short_trace_whose_rows_are_mostly_slips_is_refused(tmp_path):
    """Ten rows, of which four are far off: too few are left to tell anything."""
    stimulus = [-50, 1e9, 5e8, 0, 0, 1, 1, 1, 1, 1]
    response = [0, 0, 0, 0, 0, 8e8, 0, 1, 1, 1]
    rows = [f"{time},{light},{seen}" for time, (light, seen) in enumerate(zip(stimulus, response, strict=True))]
    path = tmp_path / "slips.csv"
    path.write_text("\n".join(["time_ms,stimulus,response", *rows]))

    with pytest.raises(NothingToMeasure, match=r"slips\.csv: readings far off all others stand in 4 of its rows"):
        measure("latency", {"scene": [path]}, {})


def test_events_that_repeat_are_averaged(tmp_path):
    """Truth by construction: four switches, on and off, each 42.4 ms late."""
    path = trace_file(tmp_path / "e.csv", np.random.default_rng(5), lag_ms=42.4, events=(100.0, 300.3, 500.6, 700.8))

    measured = measure("latency", {"scene": [path]}, {})

    assert measured.results[0].condition["events"] == 4
    assert latencies(measured)["latency_half"].value == pytest.approx(42.4, abs=0.1)


def test_gain_does_not_move_the_result(tmp_path):
    """Invariance: the same trace in other units."""
    one = trace_file(tmp_path / "a.csv", np.random.default_rng(6), lag_ms=20.25)
    other = trace_file(tmp_path / "b.csv", np.random.default_rng(6), lag_ms=20.25, gain=200.0, noise=2.0)

    found = [latencies(measure("latency", {"scene": [path]}, {}))["latency_half"].value for path in (one, other)]

    assert found[0] == pytest.approx(found[1], abs=0.02)


@pytest.mark.parametrize(
    "change",
    [
        lambda codes: 0.7 * codes,
        lambda codes: codes + 12,
        lambda codes: codes[::-1],
        lambda codes: codes[:, ::-1],
        lambda codes: codes[10:-10, 10:-6],
        lambda codes: np.pad(codes, ((16, 16), (24, 8)), constant_values=20.0),
        lambda codes: 4 * np.round(codes / 4),
    ],
    ids=["gain", "offset", "upside down", "mirrored", "cropped", "padded", "six bits"],
)
def test_what_changes_no_moment_does_not_move_the_lag_of_a_film(tmp_path, change):
    """Property: gain, offset, flip, crop, padding and bit depth leave both latencies within their uncertainty."""
    shot, open_s = np.arange(110) / 240, 1 / 240
    light, picture = exposed("step", 0.0, 0.1507, shot, open_s), exposed("decay", 0.006, 0.2031, shot, open_s)
    frames = list(latency_frames(np.random.default_rng(12), shot, light, picture, noise=3.0, levels=(25.0, 180.0)))
    films = (write_film(tmp_path / "a.mp4", frames, shot), write_film(tmp_path / "b.mp4", map(change, frames), shot))

    plain, changed = (latencies(measure("latency", {"scene": [film]}, {})) for film in films)

    for name in ("latency_first_change", "latency_half"):
        assert abs(changed[name].value - plain[name].value) <= plain[name].standard_uncertainty


def test_more_noise_never_shrinks_the_uncertainty(tmp_path):
    """Property: the same event with ten times the noise."""
    quiet = trace_file(tmp_path / "a.csv", np.random.default_rng(7), lag_ms=20.25, noise=0.01)
    noisy = trace_file(tmp_path / "b.csv", np.random.default_rng(7), lag_ms=20.25, noise=0.1)

    found = [latencies(measure("latency", {"scene": [p]}, {}))["latency_half"] for p in (quiet, noisy)]

    assert found[1].standard_uncertainty > found[0].standard_uncertainty


@pytest.mark.parametrize("tau_ms", [12.0, 100.0], ids=["settles", "rises to the end"])
def test_a_log_of_a_slow_rise_tells_when_it_began_and_when_it_was_half_way(tmp_path, tau_ms):
    """120 and 1000 readings to a time constant; of 100 readings about its half, onsets came up to 61 too late."""
    path = trace_file(
        tmp_path / "t.csv", np.random.default_rng(6), lag_ms=24.8, kind="decay", width_ms=tau_ms, step_ms=0.1
    )

    found = latencies(measure("latency", {"scene": [path]}, {}))

    for name, truth in (("latency_first_change", 24.8), ("latency_half", 24.8 + tau_ms * np.log(2))):
        assert abs(found[name].value - truth) <= 2 * found[name].standard_uncertainty
        assert found[name].standard_uncertainty <= 0.02 * tau_ms


@pytest.mark.parametrize(("width_ms", "told"), [(5.0, False), (100.0, False), (800.0, True)])
def test_a_picture_that_still_changes_where_the_capture_ends_is_told(tmp_path, width_ms, told):
    """A ramp that ends long before the log does, one that just does, and one that is cut."""
    path = trace_file(tmp_path / "t.csv", np.random.default_rng(6), lag_ms=24.8, kind="ramp", width_ms=width_ms)

    warnings = measure("latency", {"scene": [path]}, {}).warnings

    assert any("still changes where the capture ends" in warning for warning in warnings) == told


def test_the_uncertainty_covers_the_truth_as_often_as_it_claims(tmp_path):
    """Coverage at k = 2 over 24 seeded traces: at least 20 hold the truth (binomial, p 0.95, chance below 0.01)."""
    rng = np.random.default_rng(8)
    held = np.zeros(2)
    for number in range(24):
        kind, width = [("step", 0.0), ("decay", rng.uniform(1, 5)), ("ramp", rng.uniform(1, 5))][number % 3]
        lag = rng.uniform(5, 60)
        half = lag + (width * np.log(2) if kind == "decay" else width / 2)
        event = rng.uniform(100, 101)
        path = trace_file(
            tmp_path / f"{number}.csv", rng, lag_ms=lag, kind=kind, width_ms=width, noise=0.03, events=(event,)
        )
        found = latencies(measure("latency", {"scene": [path]}, {}))
        for which, (name, truth) in enumerate((("latency_first_change", lag), ("latency_half", half))):
            held[which] += abs(found[name].value - truth) <= 2 * found[name].standard_uncertainty

    assert (held >= 20).all()


def test_a_shutter_that_nobody_told_is_doubted_as_often_as_claimed(tmp_path):
    """Coverage at k = 2 over 40 seeded traces, open for half of each row: at least 34 (binomial, chance below 0.02)."""
    rng = np.random.default_rng(15)
    held = np.zeros(2)
    for number in range(40):
        kind, width = [("step", 0.0), ("decay", rng.uniform(0.4, 4)), ("ramp", rng.uniform(0.4, 4))][number % 3]
        lag, event = rng.uniform(5, 60), rng.uniform(100, 101)
        path = tmp_path / f"{number}.csv"
        trace_file(path, rng, lag_ms=lag, kind=kind, width_ms=width, noise=0.004, events=(event,), shutter=0.5)
        found = latencies(measure("latency", {"scene": [path]}, {}))
        for which, (name, truth) in enumerate(
            (("latency_first_change", lag), ("latency_half", lag + half_s(kind, width)))
        ):
            held[which] += abs(found[name].value - truth) <= 2 * found[name].standard_uncertainty

    assert (held >= 34).all()


def test_a_log_of_instants_doubts_a_step_by_where_it_fell_between_two_rows(tmp_path):
    """Algebra: two steps, each anywhere within a row, differ by a triangular error: u = 1 / sqrt(6) rows.

    Coverage at k = 2 over 36 seeded logs: at least 32 hold the truth (binomial, p 0.96, chance below 0.02).
    """
    rng = np.random.default_rng(23)
    held, doubts = 0, []
    for number in range(36):
        lag, event = rng.uniform(5, 60), rng.uniform(100, 101)
        path = trace_file(
            tmp_path / f"{number}.csv", rng, lag_ms=lag, noise=0.01, events=(event,), shutter=1e-6, after_ms=120
        )
        half = latencies(measure("latency", {"scene": [path]}, {}))["latency_half"]
        held += abs(half.value - lag) <= 2 * half.standard_uncertainty
        doubts.append(half.standard_uncertainty)

    assert held >= 32
    assert np.median(doubts) == pytest.approx(1 / 6**0.5, abs=0.04)


def proves_two_refreshes(tmp_path, seed, steps, half_ms, *, noise, most_ms):
    """Log a light at 101.03 ms and a display that shows it 42.4 ms later; `steps` gives it over the time since then."""
    rng, times = np.random.default_rng(seed), np.arange(0, 400, 0.2)
    stimulus = (times > 101.03) + 0.02 * rng.standard_normal(len(times))
    response = steps(times - 143.43) + noise * rng.standard_normal(len(times))
    path = tmp_path / "t.csv"
    rows = (f"{time:.1f},{light:.4f},{shown:.4f}" for time, light, shown in zip(times, stimulus, response, strict=True))
    path.write_text("time_ms,stimulus,response\n" + "\n".join(rows))

    found = latencies(measure("latency", {"scene": [path]}, {}))

    for name, truth_ms in (("latency_first_change", 42.4), ("latency_half", half_ms)):
        assert found[name].value == pytest.approx(truth_ms, abs=2 * found[name].standard_uncertainty)
        assert found[name].standard_uncertainty < most_ms


@pytest.mark.parametrize(("share", "half_ms"), [(0.3, 42.4 + 50 / 3), (0.7, 42.4)])
def test_a_log_of_a_display_that_shows_a_switch_in_two_refreshes_tells_each_step(tmp_path, share, half_ms):
    """Truth by construction: steps 83 rows of 0.2 ms apart; the first was passed over where it was the lower one."""

    def steps(since):
        return share * (since > 0) + (1 - share) * (since > 50 / 3)

    proves_two_refreshes(tmp_path, 24, steps, half_ms, noise=0.03, most_ms=0.1)


@pytest.mark.parametrize(("share", "half_ms"), [(0.3, 42.4 + 50 / 3 + 12 * 2 / 7), (0.7, 42.4 + 12 * 5 / 7)])
def test_a_log_of_a_display_that_scans_each_of_two_refreshes_tells_when_it_began(tmp_path, share, half_ms):
    """Truth by construction: scans of 12 ms in two refreshes of 16.7 ms; as steps at once off by more than 2 u."""

    def steps(since):
        return share * np.clip(since / 12, 0, 1) + (1 - share) * np.clip((since - 50 / 3) / 12, 0, 1)

    proves_two_refreshes(tmp_path, 26, steps, half_ms, noise=0.02, most_ms=2.0)


def test_a_shutter_that_is_told_takes_its_doubt_away(tmp_path):
    """Algebra: open for half of each row of 1 ms, of which 0.9 and 0.2 is lit: the steps lie 0.35 ms apart in it.

    Were it open throughout, they would lie 0.7 ms apart: untold, the lag may be off by as much as 0.35 ms.
    """
    path = tmp_path / "t.csv"
    trace_file(path, np.random.default_rng(16), lag_ms=42.35, noise=0.002, events=(100.05,), shutter=0.5)

    measured = [measure("latency", {"scene": [path]}, options) for options in ({}, {"shutter_ms": 0.5})]

    untold, told = (latencies(each)["latency_half"] for each in measured)
    sources = [[one.source for one in each.results[1].budget] for each in measured]
    assert told.value == pytest.approx(42.35, abs=2 * told.standard_uncertainty)
    assert told.standard_uncertainty < 0.6 * untold.standard_uncertainty
    assert untold.value == pytest.approx(42.35, abs=2 * untold.standard_uncertainty)
    assert 0.35 / 12**0.5 < untold.standard_uncertainty < 0.35
    assert [sum("shutter" in source for source in each) for each in sources] == [1, 0]


@pytest.mark.parametrize(("frame", "latest_ms"), [(14, 70.0), (2, 10.0)])
def test_a_counted_frame_times_the_interval_is_the_lag(frame, latest_ms):
    """Common practice, no source: 5 ms between frames, changed in frame 14 is 70 ms, by frame 2 at most 10 ms."""
    found = latencies(measure("latency", {}, {"frames_counted": [str(frame)], "frame_interval_ms": "5"}))

    assert found["latency_first_change"].value == pytest.approx(latest_ms)
    assert found["latency_first_change"].standard_uncertainty == pytest.approx(5 / 6**0.5)


def test_counts_that_agree_do_not_give_zero_uncertainty():
    """Repeats locked in phase share one place within the frame (JCGM 100:2008, F.2.2.1, from memory)."""
    found = latencies(measure("latency", {}, {"frames_counted": [14, 14, 14, 14], "frame_interval_ms": 5}))

    assert found["latency_first_change"].standard_uncertainty == pytest.approx(5 / 6**0.5)


def test_a_light_that_never_switches_is_told(tmp_path):
    path = tmp_path / "still.csv"
    rng = np.random.default_rng(9)
    rows = "\n".join(f"{t},{rng.normal():.4f},{rng.normal():.4f}" for t in range(200))
    path.write_text(f"time_ms,stimulus,response\n{rows}\n")

    with pytest.raises(NothingToMeasure, match="does not switch"):
        measure("latency", {"scene": [path]}, {})


def test_a_film_in_which_only_the_light_switches_is_told(tmp_path):
    path = latency_film(tmp_path / "alone.mp4", np.random.default_rng(10), levels=(80.0, 80.0), frames=60)

    with pytest.raises(NothingToMeasure, match="response-roi"):
        measure("latency", {"scene": [path]}, {})


def test_two_lights_that_switch_together_are_only_measured_where_a_person_points_at_them(tmp_path):
    """A reflection of the light would pass for a picture without any lag; a tube's picture truly has next to none."""
    path = latency_film(tmp_path / "twins.mp4", np.random.default_rng(12), lag_s=0.0, frames=60)

    with pytest.raises(NothingToMeasure, match=r"at the same moment.*give --stimulus-roi"):
        measure("latency", {"scene": [path]}, {})
    half = latencies(
        measure("latency", {"scene": [path]}, {"stimulus_roi": "24,40,17,17", "response_roi": "80,24,56,48"})
    )["latency_half"]

    assert half.value == pytest.approx(0.0, abs=2 * half.standard_uncertainty)


@pytest.mark.parametrize("seed", [2, 13, 16])
def test_a_lamp_alone_in_a_film_that_sways_has_no_picture(tmp_path, seed):
    """Edges that sway about it, faint and twice by chance, passed for its picture 22, 222 or 564 ms away."""
    rng, shot_s = np.random.default_rng(seed), np.arange(160) / 160
    light = exposed("step", 0.0, 0.4, shot_s, 1 / 160)
    looks = {"rows": 120, "cols": 220, "noise": 6.0, "sway_px": 1.5, "shake_px": 0.3 * (seed % 2)}
    frames = latency_frames(rng, shot_s, light, np.full(160, 0.3), **looks)
    path = write_film(tmp_path / "alone.mp4", frames, shot_s)

    with pytest.raises(NothingToMeasure, match="no two regions"):
        measure("latency", {"scene": [path]}, {})


@pytest.mark.parametrize("seed", [25, 26])
def test_a_film_in_which_only_the_picture_switches_is_told(tmp_path, seed):
    """Neither a piece of the picture is its light, nor what a coder leaves of it at its border."""
    rng, times = np.random.default_rng(seed), np.arange(60) / 120
    shown = exposed("decay", 0.01, 0.26, times, 1 / 120)
    frames = latency_frames(rng, times, np.zeros(60), shown, noise=11.0, levels=(30.0, 68.0))
    path = write_film(tmp_path / "alone.mp4", frames, times, quality=18)

    with pytest.raises(NothingToMeasure, match="stimulus-roi"):
        measure("latency", {"scene": [path]}, {})


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("time_ms,stimulus\n0,1\n", "response"),
        ("time_ms,stimulus,response\n" + "\n".join(f"{t},0,0" for t in (0, 1, 2, 1, 4, 5, 6, 7, 8)), "runs back"),
        ("time_ms,stimulus,response\n0,1,2\n1,,2\n", "empty cell"),
    ],
)
def test_a_trace_that_cannot_be_used_is_told_with_the_reason(tmp_path, text, problem):
    path = tmp_path / "bad.csv"
    path.write_text(text)

    with pytest.raises(UnusableInput, match=problem):
        measure("latency", {"scene": [path]}, {})


def test_a_region_beyond_the_frame_is_told(tmp_path):
    path = latency_film(tmp_path / "f.mp4", np.random.default_rng(11), frames=20)

    with pytest.raises(UnusableInput, match="reaches beyond"):
        measure("latency", {"scene": [path]}, {"stimulus_roi": "0,0,9,9", "response_roi": "100,50,200,200"})


def test_neither_capture_nor_counts_is_told():
    with pytest.raises(UnusableInput, match="--frames-counted"):
        measure("latency", {}, {})


@pytest.mark.parametrize("options", [{}, {"stimulus_roi": "30,46,5,5", "response_roi": "80,30,50,40"}])
def test_a_lamp_that_is_clipped_makes_no_lag_longer_than_is_doubted(tmp_path, options):
    """Three times too bright: the frame that is lit for 0.4 of its time looks lit throughout, its rim does not.

    A region that is given may lie inside the rim.
    """
    times_s, rng = np.arange(90) / 240, np.random.default_rng(3)
    lamp, screen = (exposed("step", 0.0, at_s, times_s, 1 / 240) for at_s in (30.6 / 240, 40.6 / 240))
    path = write_film(tmp_path / "c.mp4", latency_frames(rng, times_s, 3 * lamp, screen), times_s)

    measured = measure("latency", {"scene": [path]}, options)

    lag = latencies(measured)["latency_half"]
    assert any("light is clipped" in warning for warning in measured.warnings)
    assert abs(lag.value - 10_000 / 240) <= 2 * lag.standard_uncertainty
    assert 2 * lag.standard_uncertainty < 0.3 * 1000 / 240
