"""Slanted edges of known blur, by closed form (tests/truth/edges.py)."""

import dataclasses
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from scipy import ndimage, special

from inspect_app.capture import Still, read
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import CHECKS, measure, read_options
from inspect_app.measure.slanted_edge import SlantedEdgeOptions
from inspect_app.model import Measured, Result
from tests.truth.edges import Blur, Chart, Edge, Light, Square, TailedBlur, still

HALO = Blur(weights=(0.85, 0.15), sigmas_x_px=(1.0, 4.0))
SHARPENED = Blur(weights=(1.4, -0.4), sigmas_x_px=(1.2, 2.0))
DEFOCUSED = Blur(sigmas_x_px=(0.4,), disc_radius_px=2.0)
TUBE = TailedBlur(sigmas_x_px=(1.2,), stretch=0.7)
SCATTERED = TailedBlur(sigmas_x_px=(0.8,), scattered=0.2, path_px=3.0)
HAZY = TailedBlur(sigmas_x_px=(0.3,), disc_radius_px=2.5, scattered=0.15, path_px=4.0)
DIFFRACTED = TailedBlur(sigmas_x_px=(0.3,), cutoff_cy_px=0.5)


def measure_edge(capture: Still | None, **given: object) -> Measured:
    options = read_options(SlantedEdgeOptions, given)
    return CHECKS["slanted-edge"].run(() if capture is None else (capture,), options)


def only(measured: Measured, name: str) -> Result:
    found = [result for result in measured.results if result.quantity_name == name]
    assert len(found) == 1, f"{len(found)} results called {name}"
    return found[0]


def whole(capture: Still) -> tuple[int, int, int, int]:
    rows, cols = capture.exposure.shape
    return (0, 0, cols, rows)


@pytest.mark.parametrize("sigma_px", [0.5, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("normal_deg", [2.0, 15.0, 95.0, 195.0])
def test_a_gaussian_edge_without_noise_has_its_closed_form_response(sigma_px: float, normal_deg: float) -> None:
    """Truth: exp(-2 (pi sigma f)^2) times the pixel's two sinc factors, solved for 0.5 and 0.1; to 0.1 %."""
    edge = Edge(normal_deg=normal_deg, rows=100, cols=100, blur=Blur(sigmas_x_px=(sigma_px,)), offset_px=1.3)
    capture = edge.capture(np.random.default_rng(1))

    measured = measure_edge(capture, roi=whole(capture))

    assert only(measured, "mtf50").quantity.value == pytest.approx(edge.mtf(0.5), rel=1e-3)
    assert only(measured, "mtf10").quantity.value == pytest.approx(edge.mtf(0.1), rel=1e-3)
    assert only(measured, "mtf50").condition["axis"] == edge.axis


@pytest.mark.parametrize("blur", [HALO, SHARPENED, DEFOCUSED], ids=["halo", "sharpened", "defocused"])
def test_halo_sharpening_and_defocus_are_told_apart(blur: Blur) -> None:
    """Truth: the transforms of two Gaussians, and of a disc (2 J1(u) / u), through the pixel; to 0.5 %."""
    edge = Edge(normal_deg=7.0, blur=blur)
    capture = edge.capture(np.random.default_rng(1), Light(snr=400))

    measured = measure_edge(capture, roi=whole(capture))

    assert only(measured, "mtf50").quantity.value == pytest.approx(edge.mtf(0.5), rel=5e-3)
    assert only(measured, "mtf10").quantity.value == pytest.approx(edge.mtf(0.1), rel=1e-2)


@pytest.mark.parametrize(
    "blur",
    [TUBE, SCATTERED, HAZY, DIFFRACTED],
    ids=["tube", "scattered light", "defocus and scattered light", "diffraction"],
)
def test_long_tails_of_a_blur_are_followed(blur: Blur) -> None:
    """Truth: the transforms by formula, the edge by quadrature; to 1 %. Two Gaussians or a disc miss by 1 to 8 %."""
    edge = Edge(rows=150, cols=100, normal_deg=7.0, blur=blur)
    capture = edge.capture(np.random.default_rng(1), Light(snr=300))

    measured = measure_edge(capture, roi=whole(capture))

    assert only(measured, "mtf50").quantity.value == pytest.approx(edge.mtf(0.5), rel=1e-2)
    assert only(measured, "mtf10").quantity.value == pytest.approx(edge.mtf(0.1), rel=1e-2)


def test_the_tails_of_diffraction_do_not_come_round_again() -> None:
    """Truth: 2 / pi (arccos v - v sqrt(1 - v^2)) through the pixel; to 0.6 %. They fall with the square of distance."""
    blur = TailedBlur(sigmas_x_px=(0.01,), cutoff_cy_px=0.35)
    edge = Edge(rows=150, cols=100, normal_deg=7.0, blur=blur)
    capture = edge.capture(np.random.default_rng(1), Light(snr=400))

    measured = measure_edge(capture, roi=whole(capture))

    assert only(measured, "mtf10").quantity.value == pytest.approx(edge.mtf(0.1), rel=6e-3)


def test_unequal_blur_in_x_and_y_shows_in_its_own_axis() -> None:
    """Truth: the standard deviation along the normal is hypot(sx cos, sy sin); to 0.5 %."""
    blur = Blur(sigmas_x_px=(0.7,), sigmas_y_px=(1.6,))
    upright = Edge(normal_deg=6.0, blur=blur).capture(np.random.default_rng(1))
    level = Edge(normal_deg=96.0, rows=60, cols=100, blur=blur).capture(np.random.default_rng(1))

    across = only(measure_edge(upright, roi=whole(upright)), "mtf50").quantity.value
    down = only(measure_edge(level, roi=whole(level)), "mtf50").quantity.value

    assert across == pytest.approx(blur.frequency_at(0.5, 6.0), rel=5e-3)
    assert down == pytest.approx(blur.frequency_at(0.5, 96.0), rel=5e-3)


def test_an_edge_bent_by_distortion_is_as_sharp_as_a_straight_one() -> None:
    """Truth: the arc's blur along its own normal; a straight line through a sagitta of 5 px would smear by 1.5 px."""
    edge = Edge(rows=200, cols=80, normal_deg=6.0, bend_px=5.0)
    capture = edge.capture(np.random.default_rng(3), Light(snr=40))

    measured = measure_edge(capture, roi=whole(capture))

    assert only(measured, "mtf50").quantity.value == pytest.approx(edge.mtf(0.5), rel=0.02)


@pytest.mark.parametrize("blur", [Blur(), HALO], ids=["Gaussian", "halo"])
@pytest.mark.parametrize("shading", [0.15, 0.5])
def test_vignetting_within_the_region_does_not_move_the_result(blur: Blur, shading: float) -> None:
    """Truth: closed form; without the fall-off in the fit a loss of 15 % in the corners gave 2.6 % too little."""
    edge = Edge(rows=120, cols=80, blur=blur)
    capture = edge.capture(np.random.default_rng(3), Light(snr=60, shading=shading))

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)


@pytest.mark.parametrize("normal_deg", [10.4, -19.0])
def test_vignetting_of_a_small_region_does_not_move_a_leaning_edge(normal_deg: float) -> None:
    """Truth: closed form; as if light fell off along rows, not along the edge, the first was 8 % and 9 u too high."""
    edge = Edge(rows=95, cols=41, normal_deg=normal_deg, blur=Blur(sigmas_x_px=(1.69,)))
    capture = edge.capture(np.random.default_rng(3), Light(bright=0.5, dark=0.07, snr=330, shading=0.58))

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)
    assert quantity.value == pytest.approx(edge.mtf(0.5), rel=0.005)


def test_light_that_falls_off_by_two_thirds_into_the_corners_is_no_second_edge() -> None:
    """Truth: closed form; the fourth power of the cosine, by which lenses lose light, was refused on so few pixels."""
    edge = Edge(rows=75, cols=45, normal_deg=4.0, blur=Blur(sigmas_x_px=(0.8,)))
    y, x = np.mgrid[-37:38, -22:23]
    light = (1 + (0.33**-0.5 - 1) * (x**2 + y**2) / (37**2 + 22**2)) ** -2
    capture = still((0.05 + 0.5 * edge.ideal()) * light + np.random.default_rng(4).normal(0, 0.02, light.shape))

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)


def test_a_pixel_of_known_size_and_angle_gives_line_pairs_and_cycles() -> None:
    """Truth: algebra; 0.2 cy/px are 50 lp/mm at 4 um, 0.4 cy/mrad at 0.5 mrad, and 2 x 0.2 x 100 lw/ph."""
    capture = Edge().capture(np.random.default_rng(1))

    measured = measure_edge(capture, roi=whole(capture), pixel_pitch_um="4", pixel_angle_mrad="0.5")

    per_px = only(measured, "mtf50").quantity.value
    assert only(measured, "mtf50_lp_mm").quantity.value == pytest.approx(per_px * 250, rel=1e-9)
    assert only(measured, "mtf50_cy_mrad").quantity.value == pytest.approx(per_px * 2, rel=1e-9)
    assert only(measured, "mtf50_lw_ph").quantity.value == pytest.approx(per_px * 200, rel=1e-9)
    assert only(measured, "mtf10_lw_ph").quantity.unit == "lw/ph"


def test_the_picture_height_is_that_of_the_picture_not_of_the_region() -> None:
    """Truth: by definition of lw/ph, ISO 12233."""
    capture = Edge(rows=160).capture(np.random.default_rng(1))

    measured = measure_edge(capture, roi=(0, 40, 60, 80))

    per_px = only(measured, "mtf50").quantity.value
    assert only(measured, "mtf50_lw_ph").quantity.value == pytest.approx(per_px * 2 * 160, rel=1e-9)


@pytest.mark.parametrize(
    "change",
    [
        lambda exposure: exposure * 0.4,
        lambda exposure: exposure * 0.5 + 0.3,
        lambda exposure: exposure[::-1],
        lambda exposure: exposure[:, ::-1],
        lambda exposure: exposure.T,
        lambda exposure: exposure[4:-4, 3:-3],
        lambda exposure: 0.8 - exposure,
    ],
    ids=["gain", "offset", "upside down", "mirrored", "turned", "cropped", "negative"],
)
def test_what_does_not_change_the_blur_does_not_move_the_result(change: object) -> None:
    """Property: gain, offset, flip, turn, crop and exchange of the sides leave MTF50 within its uncertainty."""
    capture = Edge(normal_deg=8.0).capture(np.random.default_rng(5), Light(snr=40))
    exposure = np.ascontiguousarray(change(capture.exposure))  # type: ignore[operator]  # one of the lambdas above
    changed = dataclasses.replace(capture, exposure=exposure, clipped=np.zeros(exposure.shape, dtype=bool))

    before = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
    after = only(measure_edge(changed, roi=whole(changed)), "mtf50").quantity

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


@pytest.mark.parametrize("coding", ["linear8", "srgb8"])
@pytest.mark.parametrize("snr", [8, 40])
def test_fewer_bits_do_not_move_the_result(coding: str, snr: float) -> None:
    """Property: bit depth and coding leave MTF50 within its uncertainty, the same noise in both."""
    edge, light = Edge(rows=120, normal_deg=-6.0), Light(snr=snr)
    deep = edge.capture(np.random.default_rng(15), light)
    coarse = edge.capture(np.random.default_rng(15), dataclasses.replace(light, coding=coding))

    before = only(measure_edge(deep, roi=whole(deep)), "mtf50").quantity
    after = only(measure_edge(coarse, roi=whole(coarse)), "mtf50").quantity

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


def test_what_lies_round_a_region_does_not_move_the_result() -> None:
    """Property: padding; a region within black or white has one result to rounding, alone the same to a tenth of u.

    Alone its light is in more doubt: a small picture may be lit unevenly within few pixels, a part of a large one not.
    """
    capture = Edge(normal_deg=97.0, rows=60, cols=100).capture(np.random.default_rng(16), Light(snr=30))
    in_black, in_white = (
        still(np.pad(capture.exposure, ((7, 12), (30, 5)), constant_values=around)) for around in (0.0, 1.0)
    )

    alone = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
    black, white = (
        only(measure_edge(framed, roi=(30, 7, 100, 60)), "mtf50").quantity for framed in (in_black, in_white)
    )

    assert white.value == pytest.approx(black.value, rel=1e-9)
    assert white.standard_uncertainty == pytest.approx(black.standard_uncertainty, rel=1e-9)
    assert alone.value == pytest.approx(black.value, abs=0.1 * black.standard_uncertainty)
    assert 1 <= alone.standard_uncertainty / black.standard_uncertainty < 1.1


@pytest.mark.parametrize("name", ["mtf50", "mtf10"])
def test_more_noise_never_shrinks_the_uncertainty(name: str, noisier: list[list[Measured]]) -> None:
    """Property: with twice its own noise the u of an edge grows, about twofold where noise is all its doubt."""
    growth = [
        only(more, name).quantity.standard_uncertainty / only(less, name).quantity.standard_uncertainty
        for edge in noisier
        for less, more in itertools.pairwise(edge)
    ]

    assert min(growth) > 1
    assert 1.7 <= np.median(growth) <= 2.1


@pytest.fixture(scope="module")
def noisier() -> list[list[Measured]]:
    """Return what is measured of sixteen edges of all kinds of blur with their noise, twice and four times that."""
    random = np.random.default_rng(12)
    found = []
    for number in range(16):
        blur = (Blur(), HALO, DEFOCUSED, SHARPENED, TUBE, SCATTERED, HAZY, DIFFRACTED)[number % 8]
        edge = Edge(rows=120, cols=70, normal_deg=random.uniform(3, 12), blur=blur)
        light = Light(snr=40 if number < 8 else 16, coding=("linear16", "srgb8", "linear8")[number % 3])
        quiet = dataclasses.replace(light, snr=math.inf).exposure(edge.ideal(), random)
        noise = light.exposure(edge.ideal(), random) - quiet
        captures = [still(quiet + times * noise, light.coding) for times in (1, 2, 4)]
        found.append([measure_edge(capture, roi=whole(capture)) for capture in captures])
    return found


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_camera_held_upright_measures_the_same_edge(orientation: int, tmp_path: Path) -> None:
    """Truth: CIPA DC-008, tag 0112: from 5 to 8 rows and columns change places, and the edge changes its axis."""
    edge = Edge(rows=100, cols=60, normal_deg=8.0)
    codes = np.rint(255 * edge.capture(np.random.default_rng(17), Light(snr=40)).exposure).astype(np.uint8)
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(codes).save(tmp_path / "edge.png", exif=exif)
    (capture,) = read(tmp_path / "edge.png")

    result = only(measure_edge(capture), "mtf50")  # type: ignore[arg-type]  # a PNG is a still

    assert result.condition["axis"] == ("horizontal" if orientation < 5 else "vertical")
    assert result.quantity.value == pytest.approx(edge.mtf(0.5), abs=3 * result.quantity.standard_uncertainty)


def test_value_and_two_u_hold_the_truth_about_95_times_in_100() -> None:
    """Coverage: 150 seeded edges of six kinds of blur, SNR 4 to 50, 8-bit sRGB and 16-bit linear.

    Binomial bounds at 95 %, 3 sigma: 0.897 to 1.
    """
    random = np.random.default_rng(12233)
    held = {"mtf50": 0, "mtf10": 0}
    for number in range(150):
        sigma = random.uniform(0.5, 2.0)
        blur = (
            Blur(sigmas_x_px=(sigma,)),
            Blur(weights=(0.85, 0.15), sigmas_x_px=(sigma, 3.5 * sigma)),
            Blur(sigmas_x_px=(0.5,), disc_radius_px=1.2 * sigma),
            Blur(sigmas_x_px=(sigma,), sigmas_y_px=(1.5 * sigma,)),
            TailedBlur(sigmas_x_px=(sigma,), stretch=0.75),
            TailedBlur(sigmas_x_px=(sigma,), scattered=0.15),
        )[number % 6]
        edge = Edge(rows=90, cols=64, normal_deg=random.uniform(2, 20), blur=blur, offset_px=random.uniform(-4, 4))
        coding = ("linear16", "srgb8")[number // 6 % 2]
        light = Light(dark=0.6 / random.uniform(4, 30), bright=0.6, snr=random.uniform(4, 50), coding=coding)
        capture = edge.capture(random, light)
        measured = measure_edge(capture, roi=whole(capture))
        for name, level in (("mtf50", 0.5), ("mtf10", 0.1)):
            quantity = only(measured, name).quantity
            held[name] += abs(quantity.value - edge.mtf(level)) <= 2 * quantity.standard_uncertainty

    assert held["mtf50"] / 150 >= 0.897
    assert held["mtf10"] / 150 >= 0.897


@pytest.mark.parametrize(
    ("shading", "along"), [((0.1, 0.3), (1.0, 0.0)), ((0.3, 0.6), (2.0, 1.0))], ids=["two lamps", "oval"]
)
def test_two_u_hold_the_truth_where_light_falls_off_otherwise_across_than_along(
    shading: tuple[float, float], along: tuple[float, float]
) -> None:
    """Coverage: of 14 edges the binomial law loses more than 3 in 1 of 240 draws."""
    random = np.random.default_rng(31)
    outside = 0
    for _ in range(14):
        blur = Blur(sigmas_x_px=(random.uniform(0.6, 2.0),))
        edge = Edge(rows=120, normal_deg=random.uniform(3, 12), offset_px=random.uniform(-3, 3), blur=blur)
        light = Light(snr=40, dark=0.05, shading=random.uniform(*shading), shading_along=along)
        quantity = only(measure_edge(edge.capture(random, light), roi=(0, 0, 60, 120)), "mtf50").quantity
        outside += abs(quantity.value - edge.mtf(0.5)) > 2 * quantity.standard_uncertainty

    assert outside <= 3


def test_two_u_hold_the_truth_beside_a_reflection() -> None:
    """Light of a quarter of the height is added to both sides, brightest 85 px off; of 20, 17 and more in 98 of 100."""
    edge = Edge(rows=140, cols=70, normal_deg=6, blur=Blur(sigmas_x_px=(0.8,)))
    light = Light(dark=0.08, bright=0.6, snr=90)
    y, x = np.mgrid[:140, :70]
    veil = 0.12 * np.exp(-((x - 120.0) ** 2 + (y - 70.0) ** 2) / 110**2)
    held = 0
    for seed in range(20):
        exposure = light.exposure(edge.ideal(), np.random.default_rng(seed)) + veil
        found = only(measure_edge(still(exposure), roi="0,0,70,140"), "mtf50").quantity
        held += abs(found.value - edge.mtf(0.5)) <= 2 * found.standard_uncertainty

    assert held >= 17


def test_the_budget_says_where_the_uncertainty_comes_from() -> None:
    """Truth: GUM equation 10, the lines in quadrature are the standard uncertainty."""
    capture = Edge().capture(np.random.default_rng(2), Light(snr=15))

    result = only(measure_edge(capture, roi=whole(capture)), "mtf50")

    total = math.sqrt(sum(line.standard_uncertainty**2 for line in result.budget))
    assert total == pytest.approx(result.quantity.standard_uncertainty, rel=1e-9)
    assert any("noise" in line.source for line in result.budget)


@pytest.mark.parametrize("normal_deg", [31.0, 44.0, 46.0, 58.0, 135.0, 225.0])
def test_an_edge_near_45_degrees_is_found_once_and_measured(normal_deg: float) -> None:
    """Truth: closed form, along the edge's own normal; within 3 u at an SNR of 25."""
    edge = Edge(rows=120, cols=130, normal_deg=normal_deg)
    capture = edge.capture(np.random.default_rng(18), Light(snr=25))

    quantity = only(measure_edge(capture), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=3 * quantity.standard_uncertainty)


@pytest.mark.parametrize("offset_px", [-25.0, 25.0])
def test_an_edge_five_pixels_from_the_border_is_measured(offset_px: float) -> None:
    """Truth: closed form; within 3 u, of which the short side has its part."""
    edge = Edge(rows=100, cols=60, normal_deg=3.0, offset_px=offset_px)
    capture = edge.capture(np.random.default_rng(19), Light(snr=25))

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=3 * quantity.standard_uncertainty)


@pytest.mark.parametrize("beyond_px", [5, 20, 50])
@pytest.mark.parametrize("turned", [0, 1])
def test_a_region_that_reaches_beyond_a_corner_is_measured_up_to_it(beyond_px: int, turned: int) -> None:
    """Truth: closed form, of the side of a square alone; within 3 u, and the person is told.

    Fitted as it stands, the region gave 5 to 92 % too little, and an uncertainty that did not know.
    """
    chart = Chart(
        rows=240, cols=240, squares=(Square(centre_x=100, centre_y=110, side_px=120, turn_deg=4),), blur=Blur()
    )
    exposure = np.rot90(Light(snr=30).capture(chart.ideal(), np.random.default_rng(20)).exposure, 2 * turned)
    roi = (132, 75, 56, 102 + beyond_px) if not turned else (240 - 188, 240 - 177 - beyond_px, 56, 102 + beyond_px)

    measured = measure_edge(still(np.ascontiguousarray(exposure)), roi=roi)

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(chart.blur.frequency_at(0.5, 4.0), abs=3 * quantity.standard_uncertainty)
    assert any("ends within it" in warning for warning in measured.warnings)


@pytest.mark.parametrize("turned", [0, 1])
def test_an_edge_that_leaves_a_narrow_region_by_both_sides_is_measured_in_between(turned: int) -> None:
    """Truth: closed form. The edge crosses 40 columns in 40 / tan 20 = 110 of 240 rows."""
    edge = Edge(rows=240, cols=240, normal_deg=20.0, blur=Blur())
    exposure = edge.capture(np.random.default_rng(21), Light(snr=30)).exposure

    measured = measure_edge(
        still(np.ascontiguousarray(exposure.T if turned else exposure)),
        roi=(0, 100, 240, 40) if turned else (100, 0, 40, 240),
    )

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(edge.blur.frequency_at(0.5, 20.0), abs=3 * quantity.standard_uncertainty)
    assert quantity.standard_uncertainty < 0.03 * quantity.value
    assert any("leaves it" in warning for warning in measured.warnings)


def test_a_wide_halo_on_few_rows_is_no_second_edge() -> None:
    """Truth: closed form; this edge lay off the levels of its sides by 0.31 of its height, and was refused."""
    edge = Edge(rows=19, cols=80, normal_deg=10.0, blur=Blur(weights=(0.76, 0.24), sigmas_x_px=(2.0, 6.8)))
    capture = edge.capture(np.random.default_rng(2), Light(snr=50, shading=0.5))

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)


def test_a_region_with_a_second_edge_beside_the_first_is_refused() -> None:
    """Truth: by construction, a bar of 16 px: two edges."""
    bar = Edge(cols=90, normal_deg=5.0).ideal() - Edge(cols=90, normal_deg=5.0, offset_px=16.0).ideal()
    capture = Light(snr=30).capture(bar, np.random.default_rng(21))

    with pytest.raises(NothingToMeasure, match="something else than one edge"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize("turned", [0, 1])
@pytest.mark.parametrize(("kind", "width_px"), [("wave", 50.0), ("wave", 60.0), ("ridge", 10.0)])
def test_light_that_turns_back_on_both_sides_is_no_edge(kind: str, width_px: float, turned: int) -> None:
    """Truth: by construction, a sine of that period, or a Gaussian ridge of that width; no stretch is level."""
    rows, cols = np.mgrid[:70, : 100 if kind == "wave" else 130]
    across = cols - cols.shape[1] / 2 + (0.06 if kind == "wave" else 0.12) * (rows - 35)
    light = np.sin(2 * np.pi * across / width_px) if kind == "wave" else np.exp(-((across / width_px) ** 2) / 2)
    exposure = 0.4 + 0.3 * light + np.random.default_rng(23).normal(0, 0.02, light.shape)
    capture = still(np.rot90(exposure, turned))

    with pytest.raises(NothingToMeasure, match="wave or a soft texture"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize(("cols", "phase"), [(100, 0), (150, 1)])
def test_stripes_whose_sides_keep_turning_are_no_edge(cols: int, phase: int) -> None:
    """Truth: by construction, two sines of 40 and 16.4 px."""
    row, col = np.mgrid[:90, :cols]
    turn = 2 * np.pi * (col - cols / 2 + 0.12 * (row - 45)) / 40
    light = np.sin(turn + phase) + 0.6 * np.sin(turn / 0.41 + 2 * phase)
    capture = still(0.4 + 0.15 * light + np.random.default_rng(23).normal(0, 0.02, light.shape))

    with pytest.raises(NothingToMeasure, match="wave or a soft texture"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize(
    ("rows", "cols", "middle", "lean_rad", "period_px", "phase"),
    [(61, 50, 23.8, 0.267, 70.6, 3.19), (128, 41, 20.1, -0.335, 75.8, 2.74), (80, 48, 23.1, -0.167, 68.4, 3.07)],
)
def test_a_wave_of_which_a_narrow_region_shows_little_is_no_edge(
    rows: int, cols: int, middle: float, lean_rad: float, period_px: float, phase: float
) -> None:
    """Truth: by construction, a wave whose period shrinks; beside its steepest flank it comes back by half."""
    row, col = np.mgrid[:rows, :cols]
    across = (col - middle) * np.cos(lean_rad) + (row - rows / 2) * np.sin(lean_rad)
    light = 0.5 + 0.5 * np.sin(2 * np.pi * across / period_px * (1 + 0.5 * across / cols) + phase)
    capture = still(0.02 + 0.4 * light + np.random.default_rng(23).normal(0, 0.01, light.shape))

    with pytest.raises(NothingToMeasure, match="wave or a soft texture"):
        measure_edge(capture, roi=whole(capture))


def test_a_soft_texture_that_turns_beside_its_only_flank_is_no_edge() -> None:
    """Truth: by construction, no sides: noise blurred by 9 px; three standard deviations of the flank are in view."""
    rng = np.random.default_rng(615)
    texture = ndimage.gaussian_filter(rng.normal(size=(360, 240)), (60, 9))[100:260, 95:145]
    light = (texture - texture.min()) / np.ptp(texture)
    capture = still(0.02 + 0.4 * light + rng.normal(0, 0.01, light.shape))

    with pytest.raises(NothingToMeasure, match="wave or a soft texture"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize("sigma_px", [4.0, 6.0])
@pytest.mark.parametrize("contrast", [2.0, 20.0])
def test_a_very_soft_edge_is_measured(sigma_px: float, contrast: float) -> None:
    """Truth: closed form; both sides are level beside it, under light that falls off into the corners by a fifth."""
    edge = Edge(rows=90, cols=90, normal_deg=6.0, blur=Blur(sigmas_x_px=(sigma_px,)))
    light = Light(dark=0.6 / contrast, bright=0.6, snr=25, shading=0.2)
    capture = edge.capture(np.random.default_rng(24), light)

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2.5 * quantity.standard_uncertainty)
    assert quantity.standard_uncertainty < 0.1 * quantity.value


def test_light_that_falls_off_slowly_is_no_edge() -> None:
    """Truth: by construction, 0.2 to 0.6 evenly over 50 px."""
    ramp = np.tile(np.linspace(0.2, 0.6, 50), (90, 1)) + np.random.default_rng(22).normal(0, 0.02, (90, 50))

    with pytest.raises(NothingToMeasure):
        measure_edge(still(ramp), roi="0,0,50,90")


CHART = Chart(
    rows=480,
    cols=640,
    squares=(
        Square(centre_x=150, centre_y=130, side_px=120, turn_deg=5),
        Square(centre_x=470, centre_y=120, side_px=90, turn_deg=-11),
        Square(centre_x=160, centre_y=350, side_px=80, turn_deg=17),
        Square(centre_x=450, centre_y=340, side_px=150, turn_deg=3),
    ),
    blur=Blur(sigmas_x_px=(1.1,)),
)


def test_every_side_of_every_square_of_a_chart_is_found_once() -> None:
    """Truth: four squares, sixteen sides, under vignetting and noise; MTF50 of each by closed form, to 6 %."""
    capture = Light(snr=30, shading=0.4).capture(CHART.ideal(), np.random.default_rng(11))

    measured = measure_edge(capture)

    found = [result for result in measured.results if result.quantity_name == "mtf50"]
    assert len(found) == 16
    for square in CHART.squares:
        for x, y, axis in square.sides():
            sides = [result for result in found if result.condition["axis"] == axis and _holds(result, x, y)]
            truth = CHART.blur.frequency_at(0.5, square.normal_deg(axis))
            assert len(sides) == 1
            assert sides[0].quantity.value == pytest.approx(truth, rel=0.06)


@pytest.mark.parametrize("is_light", [False, True], ids=["dark on light", "light on dark"])
def test_upright_things_beside_the_squares_of_a_chart_are_no_edges(is_light: bool) -> None:  # noqa: FBT001  # a case
    """Truth: by construction, two squares among an upright patch and a row of small ones; eight slanted sides."""
    squares = (
        Square(centre_x=85, centre_y=100, side_px=90, turn_deg=6),
        Square(centre_x=275, centre_y=100, side_px=90, turn_deg=-9),
    )
    row = tuple(Square(centre_x=180, centre_y=20 + 16 * k, side_px=8, turn_deg=0) for k in range(5))
    patch = Square(centre_x=180, centre_y=150, side_px=36, turn_deg=0)
    ideal = Chart(rows=200, cols=360, squares=squares, clutter=(*row, patch)).ideal()
    capture = Light(snr=30).capture(1 - ideal if is_light else ideal, np.random.default_rng(3))

    measured = measure_edge(capture)

    sides = [(x, y, axis) for square in squares for x, y, axis in square.sides()]
    found = [result.condition for result in measured.results if result.quantity_name == "mtf50"]
    assert len(found) == len(sides)
    for x, y, axis in sides:
        assert (
            sum(
                left <= x <= left + width and top <= y <= top + height and condition["axis"] == axis
                for condition in found
                for left, top, width, height in [condition["roi"]]
            )
            == 1
        )


@pytest.mark.parametrize("radius_px", [40, 60, 110])
def test_the_rim_of_a_disc_is_no_edge_of_a_chart(radius_px: float) -> None:
    """A dark disc stands beside a square, whose four sides alone are found."""
    chart = Chart(
        rows=260, cols=480, squares=(Square(centre_x=120, centre_y=130, side_px=90, turn_deg=6),), blur=Blur()
    )
    y, x = np.mgrid[:260, :480]
    rim = np.clip(0.5 + (np.hypot(x - 350, y - 130) - radius_px) / 2, 0, 1)
    capture = Light(snr=30).capture(chart.ideal() * rim, np.random.default_rng(4))

    found = [result for result in measure_edge(capture).results if result.quantity_name == "mtf50"]

    assert len(found) == 4
    assert all(any(_holds(result, x, y) for result in found) for x, y, _ in chart.squares[0].sides())


@pytest.mark.parametrize("radius_px", [190, 220])
def test_the_round_border_of_a_field_that_cuts_the_corners_is_no_edge(radius_px: float) -> None:
    """Truth: by construction, a square seen through a tube whose disc is wider than the picture; its four sides."""
    square = Square(centre_x=200, centre_y=150, side_px=110, turn_deg=7)
    chart = Chart(rows=300, cols=400, squares=(square,), blur=Blur())
    y, x = np.mgrid[:300, :400]
    field = special.ndtr((radius_px - np.hypot(x - 204, y - 147)) / 2.5)
    capture = Light(snr=30).capture(1.33 * field * (0.25 + 0.75 * chart.ideal()) - 0.33, np.random.default_rng(5))

    found = [result for result in measure_edge(capture).results if result.quantity_name == "mtf50"]

    assert len(found) == 4
    assert all(any(_holds(result, x, y) for result in found) for x, y, _ in square.sides())


def test_a_thin_line_that_leaves_the_picture_is_no_edge() -> None:
    """Truth: by construction, a line 4 px wide along the picture's border; one edge of it alone reads 50 % too much."""
    blur = Blur(sigmas_x_px=(1.8,))
    square = Square(centre_x=160, centre_y=120, side_px=100, turn_deg=6)
    y, x = np.mgrid[:240, :300].astype(float)
    step = blur.edge(0.0)
    line = step(x - 0.05 * y + 3) - step(x - 0.05 * y - 1)
    ideal = Chart(rows=240, cols=300, squares=(square,), blur=blur).ideal() * (1 - line)

    measured = measure_edge(Light(snr=40).capture(ideal, np.random.default_rng(4)))

    assert len([result for result in measured.results if result.quantity_name == "mtf50"]) == 4


def test_of_too_many_edges_the_longest_are_measured_and_the_person_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth: by construction; the four longest of the sixteen sides are those of the square of 150 px."""
    monkeypatch.setattr("inspect_app.measure._edges.regions.MOST_EDGES", 4)
    capture = Light(snr=30).capture(CHART.ideal(), np.random.default_rng(11))

    measured = measure_edge(capture)

    longest = [result for result in measured.results if result.quantity_name == "mtf50"]
    sides = CHART.squares[3].sides()
    assert len(longest) == 4
    assert all(any(_holds(result, x, y) for result in longest) for x, y, _ in sides)
    assert any("16 edges were found" in warning for warning in measured.warnings)


def test_regions_found_in_a_chart_hold_no_corner() -> None:
    """Truth: the corners of the squares by algebra; each is at least 3 px outside every region."""
    capture = Light(snr=30).capture(CHART.ideal(), np.random.default_rng(11))

    regions = list(measure_edge(capture).outlines)

    for square in CHART.squares:
        for quarter in range(4):
            angle = math.radians(square.turn_deg + 45 + 90 * quarter)
            x = square.centre_x + square.side_px * math.sqrt(0.5) * math.cos(angle)
            y = square.centre_y + square.side_px * math.sqrt(0.5) * math.sin(angle)
            for region in regions:
                outside_x = max(region.x - x, x - region.x - region.width_px)
                outside_y = max(region.y - y, y - region.y - region.height_px)
                assert max(outside_x, outside_y) > 3


def _holds(result: Result, x: float, y: float) -> bool:
    left, top, width, height = result.condition["roi"]  # type: ignore[misc]  # a region has four numbers
    return left <= x <= left + width and top <= y <= top + height


def test_each_edge_has_its_response_as_a_trace_under_its_own_condition() -> None:
    """Truth: a response is 1 at zero frequency and passes 0.5 at MTF50."""
    capture = Edge().capture(np.random.default_rng(1), Light(snr=40))

    measured = measure_edge(capture, roi=whole(capture))

    curve = next(trace for trace in measured.traces if trace.name == "mtf")
    assert curve.y[0] == pytest.approx(1.0, abs=1e-9)
    assert np.interp(only(measured, "mtf50").quantity.value, curve.x, curve.y) == pytest.approx(0.5, abs=0.01)
    assert curve.condition == only(measured, "mtf50").condition


def test_an_even_field_holds_no_edge() -> None:
    """Truth: by construction, noise alone."""
    capture = still(0.4 + np.random.default_rng(1).normal(0, 0.02, (200, 300)))

    with pytest.raises(NothingToMeasure, match="no straight edge"):
        measure_edge(capture)


def test_a_region_of_noise_alone_is_refused() -> None:
    """Truth: by construction, noise alone."""
    capture = still(0.4 + np.random.default_rng(1).normal(0, 0.02, (200, 300)))

    with pytest.raises(NothingToMeasure, match="edge"):
        measure_edge(capture, roi="20,20,60,100")


def test_a_region_whose_sides_are_alike_is_refused() -> None:
    """Truth: by construction, bright and dark rows by turns; the strongest edge has the same on both sides."""
    exposure = np.full((40, 40), 0.2)
    exposure[::2] = 0.6
    exposure[:, 20] = 0.9

    with pytest.raises(NothingToMeasure, match="region 0,0,40,40"):
        measure_edge(still(exposure), roi="0,0,40,40")


def test_a_saturated_edge_is_refused() -> None:
    """Truth: by construction, the bright side lies above full scale."""
    capture = Edge().capture(np.random.default_rng(1), Light(bright=1.3, snr=40))

    with pytest.raises(NothingToMeasure, match="clipped"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize(("bright", "share"), [(0.99, 0.4), (1.02, 0.7)])
def test_a_bright_side_clipped_by_its_noise_is_allowed_for_and_told(bright: float, share: float) -> None:
    """Truth: closed form, under noise of a twenty-fifth; taken as they stand, clipped pixels add 2 % and more."""
    edge = Edge()
    capture = edge.capture(np.random.default_rng(1), Light(bright=bright, snr=25))
    assert np.mean(capture.clipped[:, 45:]) == pytest.approx(share, abs=0.05)

    measured = measure_edge(capture, roi=whole(capture))

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)
    assert any("clipped" in warning for warning in measured.warnings)


def in_jpeg(capture: Still, path: Path, quality: int = 95) -> Still:
    """Return a capture as an sRGB JPEG keeps it."""
    light = np.clip(capture.exposure, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    Image.fromarray(np.round(255 * codes).astype(np.uint8)).save(path, quality=quality)
    return read(path, transfer="srgb")[0]


def test_clipped_pixels_that_a_jpeg_has_rounded_below_white_count_as_clipped(tmp_path: Path) -> None:
    """Truth: closed form; taken for light that was not clipped, they add 5 % to MTF50 and more (SNR of 10)."""
    edge = Edge(rows=160, cols=100, blur=Blur(sigmas_x_px=(1.4,)))
    off = []
    for seed in range(4):
        noisy = edge.capture(np.random.default_rng(seed), Light(bright=1.02, snr=10))
        capture = in_jpeg(noisy, tmp_path / f"{seed}.jpg")
        quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
        assert quantity.value == pytest.approx(edge.mtf(0.5), abs=3 * quantity.standard_uncertainty)
        off.append(quantity.value / edge.mtf(0.5) - 1)

    assert abs(np.mean(off)) < 0.03


@pytest.mark.parametrize(("dark", "quality"), [(0.1, 95), (0.3, 10)])
def test_an_edge_whose_clipped_pixels_a_jpeg_hides_is_refused(tmp_path: Path, dark: float, quality: int) -> None:
    """By construction: the light of the bright side lies one standard deviation of its quiet noise above white.

    What a quality of 10 may have brought below white reaches down to the dark side.
    """
    noisy = Edge().capture(np.random.default_rng(1), Light(dark=dark, bright=1.02, snr=40))
    capture = in_jpeg(noisy, tmp_path / "quiet.jpg", quality)

    with pytest.raises(NothingToMeasure, match=r"rounding of a JPEG.*Expose less"):
        measure_edge(capture, roi=whole(capture))


def test_pages_beyond_the_first_are_told_and_not_measured(tmp_path: Path) -> None:
    """By construction: two edges in one file, of which a person may mean the second."""
    sharp, soft = (
        np.round(
            65535 * Edge(blur=Blur(sigmas_x_px=(sigma,))).capture(np.random.default_rng(3), Light(snr=30)).exposure
        )
        for sigma in (0.8, 1.6)
    )
    tifffile.imwrite(tmp_path / "one.tif", sharp.astype(np.uint16))
    tifffile.imwrite(tmp_path / "both.tif", np.stack([sharp, soft]).astype(np.uint16))

    one, both = (measure("slanted-edge", {"scene": [tmp_path / name]}, {}) for name in ("one.tif", "both.tif"))

    assert [result.quantity for result in both.results] == [result.quantity for result in one.results]
    assert [warning for warning in both.warnings if warning.startswith("both.tif holds 2 pictures")]
    assert not any("pictures" in warning for warning in one.warnings)


def test_two_u_hold_the_truth_of_jpegs_whose_noise_reaches_white(tmp_path: Path) -> None:
    """40 edges, bright sides half to one standard deviation below white; 35 are held in 98.6 of 100 draws at 95 %.

    Truth: closed form. Without what rounding hides of clipped pixels, 33 were.
    """
    held = 0
    for seed in range(40):
        random = np.random.default_rng(seed)
        blur = Blur(sigmas_x_px=(random.uniform(0.6, 1.6),))
        edge = Edge(rows=250, cols=150, normal_deg=random.uniform(4, 15), blur=blur)
        snr = random.uniform(18, 40)
        light = Light(dark=0.03, bright=1 / (1 + random.uniform(0.5, 1.0) / snr), snr=snr)
        capture = in_jpeg(edge.capture(random, light), tmp_path / f"{seed}.jpg")
        quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
        held += abs(quantity.value - edge.mtf(0.5)) <= 2 * quantity.standard_uncertainty

    assert held >= 35


def test_a_fine_jpeg_clipped_in_less_than_half_of_its_bright_side_is_measured(tmp_path: Path) -> None:
    """16 edges, clipped in three to four tenths before coding; 14 or more are held in 95.7 of 100 draws at 95 %.

    Truth: closed form. All that rounding may have brought below white is nine tenths, and most were refused for it.
    """
    held = 0
    for seed in range(16):
        random = np.random.default_rng(seed)
        edge = Edge(
            rows=160,
            cols=100,
            normal_deg=random.uniform(4, 15),
            blur=Blur(sigmas_x_px=(random.uniform(0.6, 1.6),)),
        )
        light = Light(dark=0.05, bright=0.99, snr=random.uniform(25, 45))
        capture = in_jpeg(edge.capture(random, light), tmp_path / f"{seed}.jpg")
        quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
        assert quantity.standard_uncertainty < 0.04 * quantity.value
        held += abs(quantity.value - edge.mtf(0.5)) <= 2 * quantity.standard_uncertainty

    assert held >= 14


def test_two_u_hold_the_truth_of_coarse_jpegs(tmp_path: Path) -> None:
    """24 edges, qualities of 20 to 40, SNR 12 to 40; 20 or more are held in 99.6 of 100 draws at 95 %.

    Truth: closed form. Noise alone, most of which coding takes away, held 11 of them.
    """
    held = 0
    for seed in range(24):
        random = np.random.default_rng(seed)
        blur = Blur(sigmas_x_px=(random.uniform(0.7, 2.0),))
        edge = Edge(rows=120, cols=80, normal_deg=random.uniform(4, 15), blur=blur)
        light = Light(bright=random.uniform(0.4, 0.8), snr=random.uniform(12, 40))
        capture = in_jpeg(edge.capture(random, light), tmp_path / f"{seed}.jpg", int(random.choice([20, 30, 40])))
        quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity
        held += abs(quantity.value - edge.mtf(0.5)) <= 2 * quantity.standard_uncertainty

    assert held >= 20


def test_a_jpeg_rounded_coarser_than_its_edge_is_high_is_refused(tmp_path: Path) -> None:
    """By construction: at a quality of 5, terms are rounded to 110 codes and more; the edge has 70."""
    noisy = Edge(rows=120, cols=80).capture(np.random.default_rng(1), Light(dark=0.25, bright=0.6, snr=30))
    capture = in_jpeg(noisy, tmp_path / "coarse.jpg", 5)

    with pytest.raises(NothingToMeasure, match=r"what the JPEG was rounded to.*less compression"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize("quality", [20, 50, 60, 75])
def test_a_coarse_jpeg_that_leaves_hardly_a_pixel_at_white_is_refused_as_clipped(tmp_path: Path, quality: int) -> None:
    """By construction: seven tenths of the bright side are clipped, and up to three tenths stand at white afterwards.

    Taken for light that was not clipped, MTF50 was 6 to 15 % too high, at an u of 1.5 to 3 %.
    """
    edge = Edge(rows=160, cols=100, blur=Blur(sigmas_x_px=(1.6,)))
    capture = in_jpeg(edge.capture(np.random.default_rng(3), Light(bright=1.03, snr=17)), tmp_path / "it.jpg", quality)

    with pytest.raises(NothingToMeasure, match=r"rounding of a JPEG.*Expose less"):
        measure_edge(capture, roi=whole(capture))


@pytest.mark.parametrize("quality", [40, 50, 60, 75])
def test_a_coarse_jpeg_in_whose_bright_side_noise_reaches_white_is_measured(tmp_path: Path, quality: int) -> None:
    """Truth: closed form; white lies half a standard deviation of the noise above the bright side, hidden in half."""
    edge = Edge(rows=160, cols=100, blur=Blur(sigmas_x_px=(1.6,)))
    capture = in_jpeg(edge.capture(np.random.default_rng(3), Light(bright=0.97, snr=17)), tmp_path / "it.jpg", quality)

    measured = measure_edge(capture, roi=whole(capture))

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)
    assert quantity.standard_uncertainty < 0.05 * quantity.value
    assert any("bright side is clipped" in warning for warning in measured.warnings)


@pytest.mark.parametrize("quality", [30, 40, 60, 75])
def test_a_coarse_jpeg_exposed_just_below_white_is_measured(tmp_path: Path, quality: int) -> None:
    """Truth: closed form; white lies three standard deviations of the noise above the bright side."""
    edge = Edge(rows=160, cols=100, blur=Blur(sigmas_x_px=(1.6,)))
    capture = in_jpeg(edge.capture(np.random.default_rng(3), Light(bright=0.92, snr=35)), tmp_path / "it.jpg", quality)

    quantity = only(measure_edge(capture, roi=whole(capture)), "mtf50").quantity

    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2.5 * quantity.standard_uncertainty)
    assert quantity.standard_uncertainty < 0.1 * quantity.value


def test_an_edge_clipped_where_the_light_is_strongest_is_measured_beside_that() -> None:
    """Truth: closed form, light that falls from the first row; with all rows, MTF50 is 2.2 to 2.8 u too low."""
    edge = Edge(rows=240, cols=80, blur=Blur(sigmas_x_px=(1.2,)))
    light = Light(dark=0.1, bright=1.15, snr=80, shading=0.3, shading_centre=(40.0, 0.0))
    capture = edge.capture(np.random.default_rng(8), light)
    assert 0.3 < np.mean(capture.clipped[:, 50:]) < 0.4

    measured = measure_edge(capture, roi=whole(capture))

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)
    assert any("light clips the rest" in warning for warning in measured.warnings)


@pytest.mark.parametrize(
    ("light", "pedestal", "told"),
    [(Light(bright=0.97, snr=25), 0, "bright side"), (Light(dark=0.02, snr=20, shot_share=0.3), 200, "black")],
    ids=["white at 4095", "pedestal of 200"],
)
def test_clipping_inside_the_range_of_the_file_is_allowed_for_and_told(light: Light, pedestal: int, told: str) -> None:
    """Truth: closed form; 12 bits in a file of 16, cut before a pedestal is added."""
    edge = Edge(rows=150, cols=90)
    codes = np.rint(4095 * np.clip(light.exposure(edge.ideal(), np.random.default_rng(2)), 0, 1)) + pedestal
    capture = still(codes / 65535)

    measured = measure_edge(capture, roi=whole(capture))

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(edge.mtf(0.5), abs=2 * quantity.standard_uncertainty)
    assert any(told in warning and "clipped" in warning for warning in measured.warnings)


def test_an_edge_along_the_columns_is_refused_with_the_tilt_to_use() -> None:
    """Truth: by construction, a tilt of 0.2 degrees moves the edge by 0.35 px in 100 rows."""
    capture = Edge(normal_deg=0.2).capture(np.random.default_rng(1), Light(snr=40))

    with pytest.raises(NothingToMeasure, match=r"same phase.*Tilt"):
        measure_edge(capture, roi=whole(capture))


def test_a_response_beyond_nyquist_is_told() -> None:
    """Truth: closed form, sigma 0.45 px falls to 10 % at 0.62 cy/px."""
    capture = Edge(blur=Blur(sigmas_x_px=(0.45,))).capture(np.random.default_rng(1), Light(snr=50))

    measured = measure_edge(capture, roi=whole(capture))

    assert any("Nyquist" in warning for warning in measured.warnings)


@pytest.mark.parametrize("roi", ["0,0,500,20", "0,0,8,8", "-1,0,20,20", "0,0,20", "a,b,c,d"])
def test_a_region_that_cannot_be_is_refused(roi: str) -> None:
    """Truth: by definition, the picture is 60 x 100 px."""
    capture = Edge().capture(np.random.default_rng(1))

    with pytest.raises(UnusableInput, match="roi"):
        measure_edge(capture, roi=roi)


def test_readings_by_hand_are_averaged_with_their_spread() -> None:
    """Truth: algebra; mean 0.21, s = 0.01, over the root of three; 0.01 / sqrt(12) for the last digit."""
    measured = measure_edge(
        None, mtf50_reading=["0.20", "0,21", "0.22"], axis="vertical", reading_step=0.01, picture_height_px=600
    )

    quantity = only(measured, "mtf50").quantity
    assert quantity.value == pytest.approx(0.21, abs=1e-12)
    assert quantity.standard_uncertainty == pytest.approx(math.hypot(0.01 / math.sqrt(3), 0.01 / math.sqrt(12)))
    assert only(measured, "mtf50_lw_ph").quantity.value == pytest.approx(0.21 * 1200, abs=1e-9)
    assert only(measured, "mtf50").condition == {"axis": "vertical"}


def test_neither_picture_nor_readings_is_refused() -> None:
    """Truth: by definition."""
    with pytest.raises(UnusableInput, match="neither"):
        measure_edge(None)


def test_picture_and_readings_together_are_refused() -> None:
    """Truth: by definition."""
    with pytest.raises(UnusableInput, match="not both"):
        measure_edge(Edge().capture(np.random.default_rng(1)), mtf50_reading=[0.2], axis="vertical")


def test_an_empty_picture_is_refused() -> None:
    """Truth: by construction, four pixels hold no edge."""
    with pytest.raises(NothingToMeasure, match="no straight edge"):
        measure_edge(still(np.full((2, 2), 0.5)))
