"""The bench simulator: the same seed gives the same bytes, and every capture measures back to its truth."""

import hashlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_fleet.simulator import (
    CHECKS_AT_THE_BENCH,
    Battery,
    Blur,
    DeviceTruth,
    FieldOfView,
    Kind,
    Mode,
    Sensor,
    Spot,
    TubeData,
    perform,
)
from demo_fleet.simulator.discharge import runtime_min
from demo_fleet.simulator.optics import edge_frequency_cy_px, outermost_dot_distortion_percent
from inspect_app.capture import read
from inspect_app.measure import CHECKS, measure

BLURS = (
    Blur(illuminance_lx=1, sigma_x_px=0.8, sigma_y_px=0.9),
    Blur(illuminance_lx=0.005, sigma_x_px=1.3, sigma_y_px=1.6),
)
READINGS = (
    (1, "horizontal", 1.0),
    (1, "vertical", 1.0),
    (0.005, "horizontal", 0.6),
    (0.005, "vertical", 0.6),
)
DIGITAL = DeviceTruth(
    seed=21,
    kind=Kind.DIGITAL,
    pixel_angle_mrad=0.5,
    blurs=BLURS,
    reading_cy_mrad=READINGS,
    sensor=Sensor(hot_pixels=7, dead_pixels=3),
    view=FieldOfView(diameter_mm=6.0, spots=(Spot(x_mm=0.7, y_mm=-0.4, diameter_mm=0.09, contrast=0.4),)),
    modes=(
        Mode(name="live view", latency_ms=38.0, readout_ms=12.5),
        Mode(name="recording", latency_ms=71.0, readout_ms=16.2, frame_rate_hz=30.0, frames_dropped=2),
    ),
    bad_items=("strap",),
    doubtful_items=("seal",),
)
TUBE = DeviceTruth(
    seed=22,
    kind=Kind.INTENSIFIER,
    pixel_angle_mrad=0.5,
    blurs=BLURS,
    reading_cy_mrad=READINGS,
    view=FieldOfView(
        fibre=0.02,
        spots=(
            Spot(x_mm=1.0, y_mm=0.5, diameter_mm=0.2, contrast=0.4),
            Spot(x_mm=-5.0, y_mm=2.5, diameter_mm=0.12, contrast=0.6),
            Spot(x_mm=3.0, y_mm=-6.5, diameter_mm=0.26, contrast=0.3, polarity="bright"),
        ),
    ),
    tube=TubeData(gain_cd_m2_lx=16000, ebi_ulx=0.2, snr=26, halo_mm=0.8, resolution_lp_mm=64),
)
CONDITIONS = {
    "bar-target": {"illuminance_lx": 1, "axis": "vertical"},
    "frame-rate": {"mode": "recording"},
    "latency": {"mode": "live view"},
    "noise": {"illuminance_lx": 0.005},
    "readout": {"mode": "recording"},
    "slanted-edge": {"illuminance_lx": 0.005, "axis": "horizontal"},
}
ITEMS = ("housing", "strap", "seal")


def measured(truth, check, folder, **condition):
    """Perform a check and measure what came of it, with the options that the check knows."""
    performed = perform(truth, check, condition or CONDITIONS.get(check, {}), folder, items=ITEMS)
    options = {name: value for name, value in performed.options.items() if name in CHECKS[check].options.model_fields}
    if check == "bar-target":
        options["axis"] = condition["axis"]
    return measure(check, performed.files, options)


def quantities(found, **condition):
    """Return the quantities whose condition contains the one that is asked for."""
    return {
        result.quantity_name: result.quantity
        for result in found.results
        if all(result.condition.get(name) == value for name, value in condition.items())
    }


def holds(quantity, truth, *, deviations=3.0):
    """Say whether the truth lies within so many standard uncertainties of a quantity."""
    return abs(quantity.value - truth) <= deviations * quantity.standard_uncertainty


def digests(truth, check, folder):
    performed = perform(truth, check, CONDITIONS.get(check, {}), folder, items=ITEMS)
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for paths in performed.files.values() for path in paths
    }


def truth_for(check, seed=21):
    plain = TUBE if check == "tube-data" else DIGITAL
    return DeviceTruth(**{name: getattr(plain, name) for name in DeviceTruth.__slots__} | {"seed": seed})


@pytest.mark.parametrize("check", sorted(CHECKS_AT_THE_BENCH - {"bar-target", "look", "tube-data"}))
def test_the_same_seed_gives_the_same_bytes_and_another_seed_gives_others(check, tmp_path):
    first = digests(truth_for(check), check, tmp_path / "first")
    again = digests(truth_for(check), check, tmp_path / "again")
    other = digests(truth_for(check, seed=99), check, tmp_path / "other")

    assert first
    assert again == first
    assert not set(other.values()) & set(first.values())


@pytest.mark.parametrize("check", sorted(CHECKS_AT_THE_BENCH - {"bar-target", "look", "tube-data"}))
def test_captures_are_small(check, tmp_path):
    performed = perform(truth_for(check), check, CONDITIONS.get(check, {}), tmp_path)

    sizes_bytes = [path.stat().st_size for paths in performed.files.values() for path in paths]

    assert max(sizes_bytes) < 1_500_000


def test_the_bench_knows_every_check():
    assert set(CHECKS) == CHECKS_AT_THE_BENCH


@pytest.mark.parametrize("axis", ["horizontal", "vertical"])
@pytest.mark.parametrize("illuminance_lx", [1, 0.005])
def test_edges_measure_back_to_their_blur(axis, illuminance_lx, tmp_path):
    """Truth: the product of a Gaussian's transform and that of the square pixel."""
    found = measured(DIGITAL, "slanted-edge", tmp_path, illuminance_lx=illuminance_lx, axis=axis)

    seen = quantities(found, axis=axis)
    for level, name in ((0.5, "mtf50"), (0.1, "mtf10")):
        truth = edge_frequency_cy_px(DIGITAL.blur(illuminance_lx), axis, level)
        assert holds(seen[name], truth)
        assert seen[name].value == pytest.approx(truth, rel=0.05)
        assert holds(seen[f"{name}_cy_mrad"], truth / DIGITAL.pixel_angle_mrad)


def test_a_sensor_shows_its_dust_and_its_odd_pixels(tmp_path):
    """Truth: one spot of 90 µm and 40 %, 7 hot and 3 dead pixels."""
    found = measured(DIGITAL, "blemish", tmp_path)

    counts = {result.quantity_name: result.quantity.value for result in found.results if "zone" not in result.condition}
    (spot,) = [feature for feature in found.features if feature.kind == "spot"]
    assert counts["dark_spots"] == 1
    assert counts["dead_pixels"] == 3
    assert max(r.quantity.value for r in found.results if r.quantity_name == "hot_pixels") == 7
    assert spot.diameter_mm == pytest.approx(0.09, abs=0.006)
    assert spot.contrast == pytest.approx(0.4, abs=0.06)


def test_a_tube_shows_its_spots_and_its_shading(tmp_path):
    """Truth: three spots; the light falls with the square of the radius by 15 % to the border (algebra within 90 %)."""
    found = measured(TUBE, "blemish", tmp_path)

    spots = sorted((f.polarity, f.diameter_mm) for f in found.features if f.kind == "spot")
    shading = quantities(found)["shading"]
    assert [polarity for polarity, _ in spots] == ["bright", "dark", "dark"]
    assert [diameter for _, diameter in spots] == pytest.approx([0.26, 0.12, 0.2], abs=0.012)
    assert shading.value == pytest.approx(100 * 0.15 * 0.81 / (1 - 0.15 * 0.81 / 2), abs=1)


def test_the_wedge_measures_back_to_the_sensor(tmp_path):
    """Truth: closed form of full well, read noise and rounding."""
    found = measured(DIGITAL, "step-wedge", tmp_path)

    for criterion in (1, 2, 10):
        seen = quantities(found, snr_criterion=criterion)["dynamic_range"]
        assert seen.value == pytest.approx(DIGITAL.sensor.dynamic_range_stop(criterion), abs=0.15)


def test_the_film_measures_back_to_the_latency(tmp_path):
    """Truth: the mean latency of the flashes; a quarter of the camera's interval of 4.17 ms is allowed."""
    seen = quantities(measured(DIGITAL, "latency", tmp_path, mode="live view"))

    assert seen["latency_first_change"].value == pytest.approx(38.0, abs=1.05)


@pytest.mark.parametrize(("mode", "readout_ms"), [("live view", 12.5), ("recording", 16.2)])
def test_the_bands_measure_back_to_the_readout(mode, readout_ms, tmp_path):
    seen = quantities(measured(DIGITAL, "readout", tmp_path, mode=mode))["readout_time"]

    assert holds(seen, readout_ms)
    assert seen.value == pytest.approx(readout_ms, rel=0.02)


def test_the_log_measures_back_to_runtime_and_capacity(tmp_path):
    """Truth: the crossing of the noiseless curve; current times that time."""
    seen = quantities(measured(DIGITAL, "battery", tmp_path))

    runtime = runtime_min(DIGITAL.battery)
    assert seen["runtime"].value == pytest.approx(runtime, abs=0.5)
    assert seen["capacity"].value == pytest.approx(1000 * DIGITAL.battery.current_a * runtime / 60, rel=0.005)


def test_even_frames_measure_back_to_shot_and_read_noise(tmp_path):
    """Truth: 45 electrons a frame with 3 electrons of read noise, and a fixed pattern of 0.5 %."""
    seen = quantities(measured(DIGITAL, "noise", tmp_path, illuminance_lx=0.005))

    truth = 45 / math.sqrt(45 + 3**2 + (90 / 4095) ** 2 / 12)
    assert seen["snr"].value == pytest.approx(truth, rel=0.02)
    assert holds(seen["fixed_pattern"], 0.5)


def test_the_grid_measures_back_to_its_distortion(tmp_path):
    """Truth: the cubic law at the outermost whole dot."""
    seen = quantities(measured(DIGITAL, "distortion", tmp_path))["distortion_max"]

    assert seen.value == pytest.approx(outermost_dot_distortion_percent(480, 640, -1.0), abs=0.05)


def test_the_blinking_light_measures_back_to_rate_and_lost_frames(tmp_path):
    seen = quantities(measured(DIGITAL, "frame-rate", tmp_path, mode="recording"))

    assert seen["frame_rate"].value == pytest.approx(30.0, rel=0.005)
    assert seen["frames_dropped"].value == 2


@pytest.mark.parametrize("axis", ["horizontal", "vertical"])
def test_readers_name_the_last_element_below_the_resolution(axis, tmp_path):
    """Truth: of the elements a sixth root of two apart, the last one not finer than 0.6 cycles per milliradian."""
    seen = quantities(measured(DIGITAL, "bar-target", tmp_path, illuminance_lx=0.005, axis=axis), space="object")

    resolution = seen["angular_resolution"].value
    assert resolution <= 0.6 + 1e-9 < resolution * 2 ** (1 / 6) + 1e-9


def test_the_checklist_carries_what_is_wrong(tmp_path):
    seen = quantities(measured(DIGITAL, "look", tmp_path))

    assert seen["items_nonconforming"].value == 1
    assert seen["items_seen"].value == 2


def test_an_item_that_the_checklist_does_not_have_is_a_mistake(tmp_path):
    with pytest.raises(KeyError, match="strap"):
        perform(DIGITAL, "look", {}, tmp_path, items=("housing", "seal"))


def test_the_data_sheet_is_typed_as_it_stands(tmp_path):
    seen = quantities(measured(TUBE, "tube-data", tmp_path))

    assert seen["gain"].value == 16000
    assert seen["figure_of_merit"].value == 26 * 64


@settings(max_examples=30, deadline=None)
@given(sigma=st.floats(0.4, 3.0), wider=st.floats(1.05, 2.0))
def test_a_wider_blur_never_resolves_more(sigma, wider):
    """Property: both levels fall as the blur grows."""
    narrow = Blur(illuminance_lx=1, sigma_x_px=sigma, sigma_y_px=sigma)
    wide = Blur(illuminance_lx=1, sigma_x_px=sigma * wider, sigma_y_px=sigma)

    for level in (0.5, 0.1):
        assert edge_frequency_cy_px(wide, "horizontal", level) < edge_frequency_cy_px(narrow, "horizontal", level)


@settings(max_examples=30, deadline=None)
@given(capacity=st.floats(500, 5000), current=st.floats(0.2, 2.0))
def test_half_the_capacity_lasts_half_as_long(capacity, current):
    """Property: at one current the runtime is proportional to the capacity."""
    whole = Battery(capacity_mah=capacity, current_a=current)
    half = Battery(capacity_mah=capacity / 2, current_a=current)

    assert runtime_min(half) == pytest.approx(runtime_min(whole) / 2, rel=1e-9)


def test_a_film_of_the_device_has_no_more_frames_than_it_kept(tmp_path):
    """Truth: 5 seconds at 30 frames a second, less two."""
    performed = perform(DIGITAL, "frame-rate", {"mode": "recording"}, tmp_path)

    (film,) = read(performed.files["scene"][0], kinds=("film",))
    times_s = np.array([time_s for time_s, _ in film.open_frames()])
    assert times_s.size == 148
    assert np.all(np.diff(times_s) > 0)
