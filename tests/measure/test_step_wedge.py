"""The step wedge against sensors with a closed-form dynamic range."""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure, read_options
from inspect_app.measure.step_wedge import StepWedgeOptions, step_wedge
from inspect_app.model import Measured, Result
from tests.truth.sensor import Sensor, still_of
from tests.truth.wedges import Wedge

GOOD = Sensor(10_000, 2, 12, pedestal_dn=100)
LOW_LIGHT = Sensor(30_000, 3, 14, pedestal_dn=500)
SMALL = Sensor(4_000, 5, 10, pedestal_dn=60)
BLACK_CLIPPED = Sensor(4_000, 5, 10)
PRINTED_RANGES = {  # the closed form worked out for full well, read noise, bits: SNR 1, 2 and 10
    (10_000, 2, 12): (11.866, 10.546, 6.583),
    (30_000, 3, 14): (13.030, 11.800, 8.110),
    (4_000, 5, 10): (9.467, 8.328, 5.040),
    (100_000, 10, 16): (13.214, 12.142, 9.271),
}


def measured_of(wedge: Wedge, **options: object) -> Measured:
    told = {"steps": wedge.steps, "stops_per_step": wedge.stops_per_step, **options}
    return step_wedge(wedge.stills(), read_options(StepWedgeOptions, told))


def ranges(measured: Measured) -> dict[object, Result]:
    return {r.condition["snr_criterion"]: r for r in measured.results if r.quantity_name == "dynamic_range"}


@pytest.mark.parametrize(("sensor", "printed"), PRINTED_RANGES.items())
def test_the_truth_of_these_tests_is_the_closed_form(
    sensor: tuple[float, float, int], printed: tuple[float, ...]
) -> None:
    """S = (k² + sqrt(k⁴ + 4 k² (R² + q²/12))) / 2 and log2(F / S), worked out by hand to three decimals."""
    found = [Sensor(*sensor).dynamic_range_stop(k) for k in (1, 2, 10)]

    assert found == pytest.approx(printed, abs=2e-3)


@pytest.mark.parametrize("sensor", [GOOD, LOW_LIGHT, SMALL])
def test_the_range_is_that_of_the_sensor_at_every_criterion(sensor: Sensor) -> None:
    """Truth: the closed form of the sensor."""
    wedge = Wedge(sensor, seed=1)

    found = ranges(measured_of(wedge))

    for criterion in (1, 2, 10):
        truth = wedge.dynamic_range_stop(criterion)
        assert found[criterion].quantity.value == pytest.approx(truth, abs=0.06), criterion


@pytest.mark.parametrize(
    "change",
    [
        {"is_upright": True},
        {"is_reversed": True},
        {"tilt_deg": 2.5},
        {"gap_px": (3, 14)},
        {"surround": 0.2, "tilt_deg": 2.5},
        {"frames": 1},
        {"flicker": 0.02},
        {"stops_per_step": 0.5, "steps": 30, "step_px": (24, 50)},
    ],
    ids=lambda change: next(iter(change)),
)
def test_direction_tilt_gaps_and_flicker_do_not_move_the_range(change: dict[str, object]) -> None:
    """Invariance: the closed form of the sensor holds whichever way the strip lies."""
    wedge = Wedge(SMALL, seed=2, **change)  # type: ignore[arg-type]  # each case names fields of Wedge

    found = ranges(measured_of(wedge))

    assert found[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.06)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_uneven_steps_in_a_bright_surround_are_told_from_its_gaps(seed: int) -> None:
    """Truth: the closed form; the brightest third of the steps outshines the surround, and no step is read twice."""
    sensor = Sensor(14_000, 5, 12, pedestal_dn=20)
    wedge = Wedge(
        sensor,
        steps=28,
        stops_per_step=0.5,
        step_px=(40, 50),
        gap_px=(2, 22),
        width_spread=0.2,
        surround=0.1,
        seed=seed,
    )

    found = ranges(measured_of(wedge))

    for criterion in (1, 2, 10):
        assert found[criterion].quantity.value == pytest.approx(wedge.dynamic_range_stop(criterion), abs=0.06)


@pytest.mark.parametrize("sensor", [GOOD, BLACK_CLIPPED])
def test_steps_end_at_their_own_surround_though_a_brighter_frame_is_around_all(sensor: Sensor) -> None:
    """Truth in closed form: with the surround taken for the steps the range came out by stops too small."""
    wedge = Wedge(sensor, steps=18, step_px=(37, 101), gap_px=(5, 5), surround=0.25, frame_px=6, frames=4)

    found = ranges(measured_of(wedge))

    for criterion in (1, 2, 10):
        truth = wedge.dynamic_range_stop(criterion)
        assert found[criterion].quantity.value == pytest.approx(truth, abs=0.05)


def test_eight_bit_linear_codes_give_the_range_that_they_hold() -> None:
    """Truth: the closed form with the rounding of 8-bit codes, whose noise is at least half a code."""
    wedge = Wedge(Sensor(3_000, 8, 14, pedestal_dn=120), seed=4, code_bits=8, steps=12)

    found = ranges(measured_of(wedge))

    assert found[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.1)


@pytest.mark.parametrize("veil", [0.001, 0.01, 0.03])
def test_flare_is_not_counted_as_signal(veil: float) -> None:
    """Truth: the closed form with the shot noise of a uniform veil, and less room below clipping."""
    wedge = Wedge(GOOD, seed=3, veil=veil)

    found = ranges(measured_of(wedge))

    assert found[1].quantity.value == pytest.approx(GOOD.dynamic_range_stop(1, veil * GOOD.full_well_e), abs=0.06)


def test_a_gamma_coded_picture_gives_the_range_after_its_transfer() -> None:
    """Truth: the closed form with the rounding of 8-bit codes under a power of 2.2."""
    wedge = Wedge(BLACK_CLIPPED, seed=4, transfer="power:2.2", code_bits=8)

    found = ranges(measured_of(wedge))

    assert found[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.1)


def test_a_clipped_black_does_not_shift_the_range() -> None:
    """Truth: the closed form; without a pedestal half of the noise of dark steps is cut off."""
    wedge = Wedge(BLACK_CLIPPED, seed=5)

    measured = measured_of(wedge)

    assert ranges(measured)[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.1)
    assert any("Black is clipped" in warning for warning in measured.warnings)


@pytest.mark.parametrize("share", [0.9, 0.98, 1.0, 1.02])
def test_a_full_well_below_white_clips_though_no_code_is_the_highest(share: float) -> None:
    """Truth: the closed form; the second step lies at a share of the full well that stands at 80 % of the codes."""
    sensor = Sensor(4_000, 5, 12, pedestal_dn=60, headroom=0.2)
    wedge = Wedge(sensor, seed=22, over_full_well=2 * share)

    found = ranges(measured_of(wedge))

    for criterion in (1, 10):
        assert found[criterion].quantity.value == pytest.approx(wedge.dynamic_range_stop(criterion), abs=0.06)


def test_codes_of_fewer_bits_clip_below_the_highest_of_the_file() -> None:
    """Truth: the closed form; 12-bit codes stand unshifted in a file of 16 bits."""
    wedge = Wedge(Sensor(8_000, 4, 12, pedestal_dn=60), seed=23, is_right_aligned=True)

    measured = measured_of(wedge)

    assert ranges(measured)[10].quantity.value == pytest.approx(wedge.dynamic_range_stop(10), abs=0.06)
    assert not any("No step is clipped" in warning for warning in measured.warnings)


@pytest.mark.parametrize("form", ["png", "tif"])
def test_a_wedge_through_files_gives_the_range_of_its_sensor(form: str, tmp_path: Path) -> None:
    """Truth: the closed form, with 8-bit sRGB codes for one of them, among labels within a bright frame."""
    coding = {"transfer": "srgb", "code_bits": 8} if form == "png" else {}
    sensor = Sensor(4_000, 8, 12, pedestal_dn=0 if form == "png" else 80)
    wedge = Wedge(sensor, seed=24, steps=15, labels=True, frame_px=5, tilt_deg=2, **coding)

    options = {"steps": wedge.steps, "stops_per_step": 1, "transfer": wedge.transfer}
    measured = measure("step-wedge", {"scene": wedge.write(tmp_path, form)}, options)

    assert ranges(measured)[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.08)


def test_a_compressed_wedge_is_doubted_and_told(tmp_path: Path) -> None:
    """Truth: the closed form with the rounding of 8-bit sRGB codes; JPEG of quality 92 after them."""
    wedge = Wedge(Sensor(2_000, 20, 12), seed=30, steps=11, transfer="srgb", code_bits=8)

    options = {"steps": 11, "stops_per_step": 1, "transfer": "srgb"}
    measured = measure("step-wedge", {"scene": wedge.write(tmp_path, "jpg")}, options)

    for criterion in (1, 10):
        quantity = ranges(measured)[criterion].quantity
        assert quantity.value == pytest.approx(
            wedge.dynamic_range_stop(criterion), abs=2 * quantity.standard_uncertainty
        )
    assert any("JPEG" in warning for warning in measured.warnings)


def flipped(still: Still) -> Still:
    return replace(still, exposure=still.exposure[:, ::-1], clipped=still.clipped[:, ::-1])


def cropped(still: Still) -> Still:
    return replace(still, exposure=still.exposure[21:-17, 9:-23], clipped=still.clipped[21:-17, 9:-23])


def padded(still: Still) -> Still:
    black = float(np.median(still.exposure[:20]))
    room = ((70, 40), (30, 90))
    return replace(
        still, exposure=np.pad(still.exposure, room, constant_values=black), clipped=np.pad(still.clipped, room)
    )


def coarser(still: Still) -> Still:
    return replace(still, exposure=np.round(still.exposure * 4095) / 4095)


def brighter_by_a_veil(still: Still) -> Still:
    return replace(still, exposure=still.exposure + 0.05)


@pytest.mark.parametrize("change", [flipped, cropped, padded, coarser, brighter_by_a_veil])
def test_flip_crop_padding_bits_and_offset_move_no_range_beyond_its_uncertainty(
    change: Callable[[Still], Still],
) -> None:
    """Invariance: the same frames, seen otherwise."""
    wedge = Wedge(SMALL, seed=25, steps=14, step_px=(30, 40))
    options = read_options(StepWedgeOptions, {"steps": 14, "stops_per_step": 1})
    stills = wedge.stills()

    before, after = step_wedge(stills, options), step_wedge(tuple(map(change, stills)), options)

    for one, other in zip(before.results[:3], after.results[:3], strict=True):
        assert other.quantity.value == pytest.approx(one.quantity.value, abs=one.quantity.standard_uncertainty)


@settings(max_examples=6, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(gain=st.floats(0.02, 50), offset=st.floats(-0.01, 0.3))
def test_gain_and_offset_move_no_range_beyond_its_uncertainty(gain: float, offset: float) -> None:
    """Property: ranges are ratios, and what is the same everywhere is no signal."""
    options = read_options(StepWedgeOptions, {"steps": 13, "stops_per_step": 1})
    stills = Wedge(SMALL, seed=26, steps=13, step_px=(24, 30)).stills()
    changed = tuple(replace(still, exposure=gain * (still.exposure + offset)) for still in stills)

    before, after = step_wedge(stills, options), step_wedge(changed, options)

    for one, other in zip(before.results[:3], after.results[:3], strict=True):
        assert other.quantity.value == pytest.approx(one.quantity.value, abs=one.quantity.standard_uncertainty)


def test_fewer_pixels_never_shrink_the_uncertainty() -> None:
    """Property: the noise of a step is known the worse the smaller it is."""
    doubts = [
        ranges(measured_of(Wedge(SMALL, seed=27, steps=14, step_px=(side, side))))[1].quantity.standard_uncertainty
        for side in (60, 30, 16)
    ]

    assert doubts == sorted(doubts)


def test_the_uncertainty_holds_the_truth_about_95_times_in_100() -> None:
    """20 wedges at an SNR of 1: 95 % of 20 is 19; the binomial 99.9 % bound below is 15."""
    held = 0
    for seed in range(20):
        exposure = 1.2 * 2 ** np.random.default_rng(seed).uniform(0, 1)
        wedge = Wedge(SMALL, seed=seed, over_full_well=exposure, steps=15, step_px=(20, 30), room_px=(20, 20))
        quantity = ranges(measured_of(wedge, criterion=1))[1].quantity
        held += abs(quantity.value - wedge.dynamic_range_stop(1)) <= 2 * quantity.standard_uncertainty

    assert held >= 15, held


@pytest.mark.parametrize("told", [{"stops_per_step": 0.5}, {"stops_per_step": 1.5}, {"density_per_step": 0.15}])
def test_a_wedge_of_another_step_ratio_is_refused(told: dict[str, float]) -> None:
    """The steps are of one stop; half of it or half as much again would give half or half as much again."""
    wedge = Wedge(SMALL, seed=28, steps=15)

    with pytest.raises(NothingToMeasure, match="--transfer"):
        step_wedge(wedge.stills(), read_options(StepWedgeOptions, {"steps": 15, **told}))


def test_gamma_codes_taken_for_linear_are_refused() -> None:
    """A power of 2.2 makes steps of one stop steps of 0.45."""
    wedge = Wedge(BLACK_CLIPPED, seed=29, transfer="power:2.2", code_bits=8)
    stills = tuple(replace(still, exposure=still.exposure ** (1 / 2.2)) for still in wedge.stills())

    with pytest.raises(NothingToMeasure, match="--transfer"):
        step_wedge(stills, read_options(StepWedgeOptions, {"steps": wedge.steps, "stops_per_step": 1}))


def test_a_chart_too_short_gives_at_least_its_own_range() -> None:
    """Truth from algebra: 6 steps of one stop span 5 stops, and the brightest is 1.5 times over: 5 - log2(1.5)."""
    wedge = Wedge(GOOD, seed=6, steps=6)

    measured = measured_of(wedge)

    assert ranges(measured)[1].quantity.value == pytest.approx(5 - math.log2(1.5), abs=0.03)
    assert any("at least" in warning for warning in measured.warnings)


@pytest.mark.parametrize("steps", [9, 10, 11, 12])
def test_a_range_is_no_shorter_than_one_of_a_stricter_criterion(steps: int) -> None:
    """Also where the stricter one is read on beyond the darkest step, and this one is only at least so long."""
    by_criterion = ranges(measured_of(Wedge(GOOD, seed=6, steps=steps)))

    values = [by_criterion[criterion].quantity.value for criterion in sorted(by_criterion)]

    assert values == sorted(values, reverse=True)


def test_a_wedge_just_below_clipping_is_read_on_to_the_highest_code_and_its_doubt_reaches_back() -> None:
    """Truth from algebra: the response clips at the full well, 0.415 stop above the brightest step."""
    wedge = Wedge(GOOD, seed=7, over_full_well=0.75)

    result = ranges(measured_of(wedge))[1].quantity

    assert result.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.03)
    assert result.standard_uncertainty == pytest.approx(-math.log2(0.75) / 2, abs=0.01)


def noisy_wedge(seed: int, louder: float) -> tuple[Still, ...]:
    """Two frames of 17 steps of a stop on a pedestal: photon and read noise of one draw, so many times as strong."""
    levels = np.concatenate([[0.0], 1.4 * 2.0 ** -np.arange(17), [0.0]])
    light = np.pad(np.kron(levels[None, :], np.ones((40, 26))), ((30, 30), (0, 0)))
    sd = np.sqrt(np.minimum(light, 1) / 8000 + (4 / 8000) ** 2)
    draws = np.random.default_rng(seed).normal(0, 1, (2, *light.shape))
    return tuple(still_of(0.08 + 0.92 * light + louder * sd * draw, name=f"{k}.tif") for k, draw in enumerate(draws))


@pytest.mark.parametrize("seed", [1, 2])
def test_more_noise_never_shrinks_the_doubt_of_the_faintest_signal(seed: int) -> None:
    """Property; in stops the doubt is one relative to that signal, which grows: its line of the noise may fall."""
    options = read_options(StepWedgeOptions, {"steps": 17, "stops_per_step": 1})
    before: dict[object, tuple[float, float]] = {}
    for louder in (1.0, 1.5, 2.0, 4.0):
        for criterion, result in ranges(step_wedge(noisy_wedge(seed, louder), options)).items():
            signal_u = result.quantity.standard_uncertainty * 2**-result.quantity.value
            gain_u = next(line.standard_uncertainty for line in result.budget if line.source.startswith("gain"))

            if criterion in before:
                assert signal_u > before[criterion][0]
                assert gain_u > 0.98 * before[criterion][1]
            before[criterion] = signal_u, gain_u


def test_a_wedge_that_ends_just_above_the_limit_is_read_on_by_its_noise() -> None:
    """Truth from algebra; the darkest step has an SNR of about 1.5."""
    steps = math.floor(Wedge(GOOD).dynamic_range_stop(1) + math.log2(1.5)) + 1
    wedge = Wedge(GOOD, seed=8, steps=steps)

    measured = measured_of(wedge)

    assert ranges(measured)[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.05)
    assert any("read on" in warning for warning in measured.warnings)


@pytest.mark.parametrize("over_full_well", [0.8, 1.6])
def test_a_saturated_surround_is_no_step(over_full_well: float) -> None:
    """Truth from algebra; the surround and the gaps are twice as bright as the full well."""
    wedge = Wedge(GOOD, seed=9, over_full_well=over_full_well, surround=2.0, tilt_deg=0.8, gap_px=(2, 9))

    measured = measured_of(wedge)

    for snr, result in ranges(measured).items():
        assert result.quantity.value == pytest.approx(wedge.dynamic_range_stop(snr), abs=0.06)


def test_an_underexposed_wedge_gives_at_least_and_says_so() -> None:
    wedge = Wedge(GOOD, seed=7, over_full_well=0.4)

    measured = measured_of(wedge)

    assert ranges(measured)[1].quantity.value < wedge.dynamic_range_stop(1)
    assert any("No step is clipped" in warning for warning in measured.warnings)


def test_steps_told_apart_are_those_with_an_snr_of_one() -> None:
    """Truth from algebra: steps 2^-k * 1.5 F at and above S1 = F / 2^9.467, all clipped ones counted once."""
    wedge = Wedge(SMALL, seed=8)
    truth = math.floor(wedge.dynamic_range_stop(1) + math.log2(1.5)) + 1

    measured = measured_of(wedge)

    seen = next(r.quantity.value for r in measured.results if r.quantity_name == "steps_discerned")
    assert seen == pytest.approx(truth, abs=1)


def test_noise_finer_than_a_code_is_told_as_limited_by_quantisation() -> None:
    """Read noise of a tenth of a code."""
    measured = measured_of(Wedge(Sensor(10_000, 1, 10, pedestal_dn=20), seed=9))

    assert any("quantisation" in warning for warning in measured.warnings)
    assert ranges(measured)[1].quantity.standard_uncertainty >= 0.25


def test_the_strip_may_be_named_by_its_region() -> None:
    wedge = Wedge(SMALL, seed=10)
    length = wedge.steps * (wedge.step_px[0] + wedge.gap_px[0])

    measured = measured_of(wedge, roi=(*wedge.room_px, length, wedge.step_px[1]))

    assert ranges(measured)[1].quantity.value == pytest.approx(wedge.dynamic_range_stop(1), abs=0.06)


def test_density_and_stops_are_the_same_step() -> None:
    """A density of 0.30103 is one stop."""
    wedge = Wedge(SMALL, seed=11)
    density = step_wedge(wedge.stills(), StepWedgeOptions(steps=21, density_per_step=math.log10(2)))
    stops = measured_of(wedge)

    assert ranges(density)[1].quantity.value == pytest.approx(ranges(stops)[1].quantity.value, abs=1e-6)


def test_a_security_camera_sees_about_six_and_a_half_stops() -> None:
    """Common practice, no source: 6.5 stops on a 21-step chart, for 43 e- of noise and 4000 of well."""
    wedge = Wedge(Sensor(4_000, 43, 10, pedestal_dn=60), seed=12)

    assert ranges(measured_of(wedge))[1].quantity.value == pytest.approx(6.5, abs=0.15)


def test_a_good_low_light_sensor_sees_ten_and_a_half_to_eleven_stops() -> None:
    """Common practice, no source: 10.5 to 11 stops on a 21-step chart for 20 000 e- of well and 11 e- of noise."""
    wedge = Wedge(Sensor(20_000, 11, 12, pedestal_dn=100), seed=13)

    assert 10.5 <= ranges(measured_of(wedge))[1].quantity.value <= 11


def test_counted_steps_give_their_ratio_with_a_triangular_doubt() -> None:
    """Truth from algebra: readers see 10, 11 and 12 steps of one stop; u² = 1/6 + 1/3."""
    measured = step_wedge((), StepWedgeOptions(steps_counted=(10, 11, 12)))

    found = ranges(measured)[1].quantity
    assert found.value == pytest.approx(11.0)
    assert found.standard_uncertainty == pytest.approx(math.sqrt(1 / 6 + 1 / 3))


def test_an_even_picture_holds_nothing_to_measure() -> None:
    with pytest.raises(NothingToMeasure, match="strip"):
        step_wedge((still_of(np.full((200, 300), 0.4)),), StepWedgeOptions())


def test_a_black_picture_holds_nothing_to_measure() -> None:
    with pytest.raises(NothingToMeasure, match="strip"):
        step_wedge((still_of(np.zeros((200, 300))),), StepWedgeOptions())


def test_a_wholly_saturated_strip_holds_nothing_to_measure() -> None:
    with pytest.raises(NothingToMeasure):
        measured_of(Wedge(SMALL, steps=5, over_full_well=100.0))


@pytest.mark.parametrize("shape", [(400, 1), (1, 400), (1, 1)])
def test_a_picture_of_one_column_or_row_holds_nothing_to_measure(shape: tuple[int, int]) -> None:
    exposure = np.linspace(0.05, 0.9, math.prod(shape)).reshape(shape)

    with pytest.raises(NothingToMeasure, match="none was seen"):
        step_wedge((still_of(exposure),), StepWedgeOptions())


def test_neither_files_nor_counts_is_refused() -> None:
    with pytest.raises(UnusableInput, match="steps-counted"):
        step_wedge((), StepWedgeOptions())


def test_files_and_counts_together_are_refused() -> None:
    with pytest.raises(UnusableInput, match="both"):
        step_wedge(Wedge(SMALL, steps=5).stills(), StepWedgeOptions(steps_counted=(9,)))


def test_a_region_outside_of_the_picture_is_refused() -> None:
    with pytest.raises(UnusableInput, match="beyond the picture"):
        measured_of(Wedge(SMALL), roi=(0, 0, 5000, 50))
