"""The noise check against stacks of known noise."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure.noise import NoiseOptions, noise
from inspect_app.model import Measured
from tests.truth.sensor import still_of


def frames_of(
    seed: int, *, count=4, shape=(120, 160), mean=0.3, temporal=0.01, pattern=0.005, flicker=0.0, gradient=0.0
):
    """Stills of an even scene with known temporal noise and fixed pattern, both as a share of full scale."""
    rng = np.random.default_rng(seed)
    rows, cols = shape
    slope = 1 + gradient * (np.linspace(-1, 1, cols)[None, :] + 0.5 * np.linspace(-1, 1, rows)[:, None])
    scene = mean * slope + rng.normal(0, pattern, shape)
    return tuple(
        still_of(scene * (1 + flicker * (-1) ** k) + rng.normal(0, temporal, shape), name=f"{k}.tif")
        for k in range(count)
    )


def value_of(measured: Measured, name: str) -> float:
    return next(r.quantity.value for r in measured.results if r.quantity_name == name)


def test_an_even_scene_gives_mean_over_noise() -> None:
    """Truth from algebra: 0.3 / 0.01, 0.3 / sqrt(0.01² + 0.005²), 0.005 / 0.3."""
    measured = noise(frames_of(1), NoiseOptions())

    assert value_of(measured, "snr") == pytest.approx(30.0, abs=0.3)
    assert value_of(measured, "snr_total") == pytest.approx(0.3 / math.hypot(0.01, 0.005), abs=0.3)
    assert value_of(measured, "fixed_pattern") == pytest.approx(100 * 0.005 / 0.3, abs=0.04)


@pytest.mark.parametrize(("grain_px", "shift_px"), [(0.0, 1), (2.0, 9)])
def test_frames_of_a_pattern_that_moves_are_refused(grain_px: float, shift_px: int) -> None:
    """Truth by construction: what looks like noise is a texture in three places."""
    rng = np.random.default_rng(6)
    texture = 0.4 + ndimage.gaussian_filter(rng.normal(0, 0.02, (120, 200)), grain_px)
    places = [slice(shift_px * k, shift_px * k + 160) for k in range(3)]
    frames = tuple(still_of(texture[:, place] + rng.normal(0, 0.001, (120, 160))) for place in places)

    with pytest.raises(NothingToMeasure, match="changes its place"):
        noise(frames, NoiseOptions())


def test_frames_of_an_edge_that_moves_are_refused() -> None:
    """Truth by construction: the mean of the frames is a ramp, which passes for light."""
    rng = np.random.default_rng(7)
    x = np.arange(160)
    frames = tuple(
        still_of(np.where(x < 50 + 16 * k, 0.25, 0.7) + rng.normal(0, 0.01, (120, 160)), name=f"{k}.tif")
        for k in range(4)
    )

    with pytest.raises(NothingToMeasure, match="change"):
        noise(frames, NoiseOptions())


def test_noise_in_coarse_grains_is_no_pattern_that_moves() -> None:
    """Truth by construction: grains as of a scintillating screen, which are new in every frame."""
    rng = np.random.default_rng(8)
    frames = tuple(
        still_of(0.4 + ndimage.gaussian_filter(rng.normal(0, 0.1, (120, 160)), 2), name=f"{k}.tif") for k in range(3)
    )

    measured = noise(frames, NoiseOptions())

    assert any("shared" in warning for warning in measured.warnings)


def test_flicker_and_gradient_of_the_light_are_not_noise() -> None:
    """Truth from algebra, as without flicker and gradient."""
    measured = noise(frames_of(2, flicker=0.03, gradient=0.1), NoiseOptions())

    assert value_of(measured, "snr") == pytest.approx(30.0, abs=0.4)
    assert value_of(measured, "fixed_pattern") == pytest.approx(100 * 0.005 / 0.3, abs=0.05)
    assert any("flickers" in warning for warning in measured.warnings)


@pytest.mark.parametrize("along", ["rows", "columns"])
def test_light_that_ripples_while_the_shutter_rolls_is_not_noise_and_is_told(along: str) -> None:
    """Truth from algebra: the ratios of the scene under steady light; a ripple of 2 % would take a tenth of `snr`."""
    rng = np.random.default_rng(5)
    waves = [0.3 * 0.02 * np.sin(2 * np.pi * (np.arange(120) / 45 + rng.random())) for _ in range(6)]
    pattern = rng.normal(0, 0.005, (120, 160))
    lights = [0.3 + pattern + wave[:, None] + rng.normal(0, 0.01, (120, 160)) for wave in waves]
    measured = noise(tuple(still_of(light if along == "rows" else light.T) for light in lights), NoiseOptions())

    assert value_of(measured, "snr") == pytest.approx(30.0, abs=0.3)
    assert value_of(measured, "snr_total") == pytest.approx(0.3 / math.hypot(0.01, 0.005), abs=0.3)
    assert "The light ripples by 1.4% (rms) as the shutter rolls, 45 lines to a period" in " ".join(measured.warnings)


def test_noise_that_whole_rows_share_is_noise_and_no_ripple() -> None:
    """Truth from algebra: 0.3 / sqrt(0.01² + 0.005²)."""
    rng = np.random.default_rng(8)
    lights = [0.3 + rng.normal(0, 0.005, (240, 1)) + rng.normal(0, 0.01, (240, 160)) for _ in range(6)]
    measured = noise(tuple(still_of(light) for light in lights), NoiseOptions())

    assert value_of(measured, "snr") == pytest.approx(0.3 / math.hypot(0.01, 0.005), abs=0.5)
    assert "ripples" not in " ".join(measured.warnings)


def test_no_fixed_pattern_is_told_as_close_to_zero_with_an_interval_that_holds_zero() -> None:
    """Truth: the scene has none."""
    measured = noise(frames_of(3, pattern=0.0), NoiseOptions())

    found = next(r.quantity for r in measured.results if r.quantity_name == "fixed_pattern")
    assert found.value <= 2 * found.standard_uncertainty


@settings(max_examples=15, deadline=None)
@given(gain=st.floats(0.2, 3.0), turned=st.sampled_from((False, True)), around=st.integers(0, 20))
def test_gain_turning_and_what_lies_around_do_not_move_the_ratios(gain, turned, around) -> None:
    """Property: ratios are dimensionless, know no direction, and nothing of what lies beside the region."""
    stills = frames_of(4, shape=(40, 60), mean=0.2)
    padded = [np.pad(s.exposure, around, constant_values=0.05) for s in stills]
    changed = tuple(still_of((e.T if turned else e) * gain, name=s.name) for e, s in zip(padded, stills, strict=True))
    region = (around, around, *((40, 60) if turned else (60, 40)))

    before, after = noise(stills, NoiseOptions()), noise(changed, NoiseOptions(roi=region))

    for name in ("snr", "snr_total", "fixed_pattern"):
        assert value_of(after, name) == pytest.approx(value_of(before, name), rel=1e-3)


def test_the_uncertainty_holds_the_truth_about_95_times_in_100() -> None:
    """200 seeded stacks, of the pattern that is drawn first: 95 % of 200 is 190; binomial 99.9 % bounds 179 and 199."""
    held = {"snr": 0, "snr_total": 0, "fixed_pattern": 0}
    for seed in range(200):
        pattern = float(np.random.default_rng(seed).normal(0, 0.005, (40, 50)).std())
        truth = {"snr": 30.0, "snr_total": 0.3 / math.hypot(0.01, pattern), "fixed_pattern": 100 * pattern / 0.3}
        for result in noise(frames_of(seed, count=3, shape=(40, 50)), NoiseOptions()).results:
            error = abs(result.quantity.value - truth[result.quantity_name])
            held[result.quantity_name] += error <= 2 * result.quantity.standard_uncertainty

    assert all(179 <= count <= 199 for count in held.values()), held


@pytest.mark.parametrize("count", [2, 5])
def test_frames_without_a_pattern_tell_of_the_total_as_so_many_times_the_pixels(count: int) -> None:
    """Truth from algebra: n frames of M pixels of white noise give a standard deviation to 1 / sqrt(2 n M)."""
    total = noise(frames_of(11, count=count, pattern=0.0), NoiseOptions()).results[1].quantity

    assert total.standard_uncertainty / total.value == pytest.approx(1 / math.sqrt(2 * count * 120 * 160), rel=0.05)


@pytest.mark.parametrize("count", [2, 4])
def test_the_ratio_in_the_mean_light_of_the_frames_is_held_though_the_light_flickers(count: int) -> None:
    """Shot noise alone, 1000 electrons, so a ratio of sqrt(1000); 95 % of 100 is 95, binomial 99.9 % bounds 87, 100."""
    held = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        flicker = 0.15 * rng.normal(size=count)
        light = 1000 * (1 + flicker - flicker.mean())
        frames = tuple(still_of(rng.poisson(e, (60, 80)) / 4000, name=f"{k}.tif") for k, e in enumerate(light))
        found = noise(frames, NoiseOptions()).results[0].quantity
        held += abs(found.value - math.sqrt(1000)) <= 2 * found.standard_uncertainty

    assert 87 <= held <= 100


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 1000), quiet=st.floats(0.002, 0.01), louder=st.floats(1.1, 5.0), count=st.integers(2, 6))
def test_more_noise_never_shrinks_an_uncertainty(seed: int, quiet: float, louder: float, count: int) -> None:
    """Property: of the pattern that drowns in it, in per cent; of the ratios, in per cent of themselves."""
    before = noise(frames_of(seed, count=count, shape=(40, 50), temporal=quiet), NoiseOptions()).results
    after = noise(frames_of(seed, count=count, shape=(40, 50), temporal=quiet * louder), NoiseOptions()).results

    for quiet_one, loud_one in zip(before, after, strict=True):
        doubts = [one.quantity.standard_uncertainty for one in (quiet_one, loud_one)]
        if quiet_one.quantity_name != "fixed_pattern":
            doubts = [u / one.quantity.value for u, one in zip(doubts, (quiet_one, loud_one), strict=True)]
        assert doubts[1] > 0.99 * doubts[0]


def test_noise_shared_by_neighbours_widens_the_uncertainty_and_is_told() -> None:
    """Box-filtered noise has about 9 pixels to an independent value."""
    rng = np.random.default_rng(6)
    stills = tuple(
        still_of(0.3 + ndimage.uniform_filter(rng.normal(0, 0.03, (100, 100)), 3), name=f"{k}.tif") for k in range(3)
    )

    measured = noise(stills, NoiseOptions())

    snr = measured.results[0].quantity
    assert snr.standard_uncertainty / snr.value > 2 / math.sqrt(2 * 2 * 100 * 100)
    assert any("neighbouring" in warning for warning in measured.warnings)


def spoilt(still: Still, how: str, *, repeats: Still) -> Still:
    """Return a frame that does not belong to its stack."""
    exposure = {
        "repeated": repeats.exposure,
        "saturated": np.ones_like(still.exposure),
        "capped": 0.02 * still.exposure,
    }[how]
    return still_of(exposure, name="odd.tif")


@pytest.mark.parametrize(
    ("how", "told"),
    [("repeated", "same pixels as 0.tif"), ("saturated", "at 100%"), ("capped", "0.02 times the usual")],
)
def test_a_frame_that_does_not_belong_to_the_stack_is_left_out_and_told(how: str, told: str) -> None:
    """Truth by construction: the same stack without the frame."""
    stack = frames_of(12, count=5)

    measured = noise((*stack[:2], spoilt(stack[2], how, repeats=stack[0]), *stack[2:]), NoiseOptions())

    assert measured.results == noise(stack, NoiseOptions()).results
    assert [warning for warning in measured.warnings if told in warning and warning.startswith("odd.tif")]


def test_a_bright_patch_in_one_frame_is_told_and_the_uncertainty_allows_for_it() -> None:
    """Truth from algebra: 0.3 / 0.01; the patch doubles the variance."""
    stack = frames_of(13, count=6)
    patched = stack[0].exposure + 0.1 * np.pad(np.ones((24, 24)), ((40, 56), (60, 76)))

    measured = noise((still_of(patched, name="patched.tif"), *stack[1:]), NoiseOptions())

    snr = measured.results[0].quantity
    assert abs(snr.value - 30) < 2 * snr.standard_uncertainty
    assert any("patched.tif most" in warning for warning in measured.warnings)


def test_frames_of_one_noise_are_not_said_to_differ() -> None:
    """Truth by construction, under flicker of a fifth and noise of photons, which makes brighter frames noisier."""
    rng = np.random.default_rng(14)
    for _ in range(30):
        gains = 1 + rng.uniform(-0.2, 0.2, 5)
        stack = [still_of(0.3 * gain + 0.02 * math.sqrt(gain) * rng.normal(size=(60, 80))) for gain in gains]

        assert not any("differ" in warning for warning in noise(tuple(stack), NoiseOptions()).warnings)


def test_one_frame_alone_is_refused() -> None:
    with pytest.raises(UnusableInput, match="two frames or more"):
        noise(frames_of(1)[:1], NoiseOptions())


@pytest.mark.parametrize("factor", [1.0, 1 + 1e-15, 256 * 255 / 65535])
def test_equal_frames_hold_nothing_to_measure(factor: float) -> None:
    """The same picture twice, or once in colour, whose weights add up to 1 but for rounding, or shifted to 16 bits."""
    still = frames_of(1)[0]
    with pytest.raises(NothingToMeasure, match="equal"):
        noise((still, replace(still, exposure=factor * still.exposure)), NoiseOptions())


def test_a_saturated_scene_holds_nothing_to_measure() -> None:
    with pytest.raises(NothingToMeasure, match="saturated"):
        noise(frames_of(1, mean=1.2), NoiseOptions())


def test_a_black_scene_holds_nothing_to_measure() -> None:
    black = tuple(still_of(np.zeros((50, 50)), name=f"{k}.tif") for k in range(2))
    with pytest.raises(NothingToMeasure, match="black"):
        noise(black, NoiseOptions())


def test_a_scene_clipped_at_black_holds_nothing_to_measure() -> None:
    """Half of the noise lies below the lowest code; a table that takes the black level out keeps it all."""
    cut = frames_of(3, mean=0.0, temporal=0.01, pattern=0.0)
    with pytest.raises(NothingToMeasure, match=r"(4|5)\d% of the region is black"):
        noise(cut, NoiseOptions())

    frames = frames_of(3, mean=0.3, temporal=0.01, pattern=0.0)
    whole = tuple(replace(one, exposure=one.exposure - 0.295) for one in frames)
    assert value_of(noise(whole, NoiseOptions()), "snr") == pytest.approx(0.5, rel=0.05)


def test_noise_of_a_tenth_of_a_code_is_hidden_by_rounding() -> None:
    frames = frames_of(4, mean=100.2 / 255, temporal=0.1 / 255, pattern=0.0)
    rounded = tuple(still_of(np.round(one.exposure * 255) / 255, name=one.name) for one in frames)
    with pytest.raises(NothingToMeasure, match="rounding to codes hides their noise"):
        noise(rounded, NoiseOptions())


@pytest.mark.parametrize(("noise_codes", "told"), [(0.8, True), (1.7, True), (2.5, False), (8.0, False)])
def test_what_rounding_adds_to_the_noise_is_told_where_it_counts(noise_codes, told) -> None:
    """Truth from algebra: rounding adds 1/12 of a code squared to the variance; more bits move nothing beyond it."""
    fine = frames_of(4, mean=0.4, temporal=noise_codes / 255, pattern=0.0)
    coarse = tuple(still_of(np.round(one.exposure * 255) / 255, name=one.name) for one in fine)

    before, after = noise(fine, NoiseOptions()), noise(coarse, NoiseOptions())

    assert any("Rounding makes" in warning for warning in after.warnings) == told
    assert not any("Rounding makes" in warning for warning in before.warnings)
    expected = value_of(before, "snr") / math.sqrt(1 + 1 / (12 * noise_codes**2))
    assert abs(value_of(after, "snr") - expected) <= after.results[0].quantity.standard_uncertainty


def test_a_lamp_that_goes_out_between_frames_is_told() -> None:
    with pytest.raises(NothingToMeasure, match="times the light of the dimmest"):
        noise(frames_of(5, count=2, flicker=0.8), NoiseOptions())


def stepped(height: float) -> tuple[Still, ...]:
    """Frames of a scene that is darker by a share of full scale on its right."""
    frames = frames_of(6, gradient=0.2)
    return tuple(still_of(one.exposure - height * (np.arange(160) > 70), name=one.name) for one in frames)


def test_an_edge_in_the_region_is_no_even_scene_and_a_faint_one_is_told() -> None:
    with pytest.raises(NothingToMeasure, match="parts of the region differ by"):
        noise(stepped(0.15), NoiseOptions())

    assert any("Parts of the region differ by" in warning for warning in noise(stepped(0.05), NoiseOptions()).warnings)


def test_columns_that_differ_are_a_pattern_and_no_uneven_scene() -> None:
    offsets = np.random.default_rng(6).normal(0, 0.015, 160)
    frames = tuple(still_of(one.exposure + offsets, name=one.name) for one in frames_of(6, gradient=0.2))

    measured = noise(frames, NoiseOptions())

    assert value_of(measured, "fixed_pattern") == pytest.approx(100 * math.hypot(0.015, 0.005) / 0.3, rel=0.2)
    assert measured.warnings == ()


def dots(height: float) -> tuple[Still, ...]:
    """Frames of a chart of dots 5 px wide, 12 px apart, darker than their ground by a share of full scale."""
    y, x = np.mgrid[:120, :160]
    chart = height * ((y % 12 < 5) & (x % 12 < 5))
    return tuple(still_of(one.exposure - chart, name=one.name) for one in frames_of(6))


def test_a_chart_of_dots_is_no_even_scene() -> None:
    with pytest.raises(NothingToMeasure, match="details differ by"):
        noise(dots(0.15), NoiseOptions())


@pytest.mark.parametrize("grain_px", [0.0, 1.0, 2.0])
def test_fibres_and_single_pixels_that_differ_are_a_pattern_and_no_content(grain_px: float) -> None:
    """A texture of 4 % of the light, of single pixels or up to 5 px wide, with noise shared by neighbours: all kept."""
    rng = np.random.default_rng(8)
    texture, *noises = ndimage.gaussian_filter(rng.normal(0, 1, (4, 120, 160)), (0, grain_px, grain_px))
    frames = tuple(
        still_of(0.3 + 0.012 * texture / texture.std() + 0.03 * each / each.std(), name=f"{number}.tif")
        for number, each in enumerate(noises)
    )

    measured = noise(frames, NoiseOptions())

    assert value_of(measured, "snr") == pytest.approx(10.0, rel=0.1)


def test_frames_of_different_size_are_refused() -> None:
    with pytest.raises(UnusableInput, match="differs"):
        noise((frames_of(1)[0], frames_of(1, shape=(100, 100))[0]), NoiseOptions())


def test_a_region_outside_of_the_picture_is_refused() -> None:
    with pytest.raises(UnusableInput, match="beyond the picture"):
        noise(frames_of(1), NoiseOptions(roi=(100, 100, 100, 100)))


def test_readings_give_their_mean_with_the_spread_of_the_mean() -> None:
    """GUM 4.2.3: mean 20, s = 1, s / sqrt(3) with two degrees of freedom."""
    measured = noise((), NoiseOptions(snr_reading=(19.0, 20.0, 21.0)))

    found = measured.results[0].quantity
    assert found.value == pytest.approx(20.0)
    assert found.standard_uncertainty == pytest.approx(1 / math.sqrt(3))
    assert found.degrees_of_freedom == pytest.approx(2)


def test_one_reading_without_its_uncertainty_is_refused() -> None:
    with pytest.raises(UnusableInput, match="one reading alone"):
        noise((), NoiseOptions(snr_reading=(20.0,)))
