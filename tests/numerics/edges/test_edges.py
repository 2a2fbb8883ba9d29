"""Curves, families, spreads and clipping of edges against algebra, quadrature and finite differences."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special

from inspect_app.numerics.edges.clipped_noise import ClippedNoise, at_bound, clipped_noise
from inspect_app.numerics.edges.edge_clipping import free_rows, unevenness
from inspect_app.numerics.edges.edge_families import FAMILIES, EdgeBasis, Family, pixel_transform
from inspect_app.numerics.edges.edge_finding import find_edges
from inspect_app.numerics.edges.edge_line import EdgeCurve, find_edge_curve, is_near_vertical, pixels_near
from inspect_app.numerics.edges.edge_response import edge_response
from inspect_app.numerics.edges.edge_spread import edge_levels, edge_spread, spatial_frequency_response
from inspect_app.numerics.edges.edge_stretch import clean_rows, largest_departure, turning_of_sides
from inspect_app.numerics.edges.edge_surface import EdgeSurface, fit_edge_surface
from tests.truth.edges import Blur, Edge, Light


def test_the_distance_of_a_straight_edge_is_that_of_geometry() -> None:
    """Truth: the line x = 10 + y / 2 lies sqrt(5) / 2 px of column per px of distance away."""
    curve = EdgeCurve(coefficients=(15.0, 5.0), middle=10.0, rises=1)

    pixels = pixels_near(curve, (21, 40), 100.0)

    expected = (pixels.col - 10 - pixels.row / 2) / math.sqrt(1.25)
    assert pixels.distance_px == pytest.approx(expected, abs=1e-12)
    assert curve.tilt_deg == pytest.approx(math.degrees(math.atan(0.5)), abs=1e-12)


def test_pixels_of_rows_that_an_edge_leaves_are_near_it_as_far_as_the_reach_goes() -> None:
    """Truth by construction: a reach of 200 pixels holds all of 21 x 40, though the edge runs to column -16."""
    pixels = pixels_near(EdgeCurve(coefficients=(4.0, 20.0), middle=10.0, rises=1), (21, 40), 200.0)

    assert sorted(zip(pixels.row.tolist(), pixels.col.tolist(), strict=True)) == [
        (row, col) for row in range(21) for col in range(40)
    ]


def test_pixels_near_an_edge_are_all_those_and_no_others() -> None:
    """Truth: by counting; an upright edge at column 20 has eleven columns within 5 px."""
    pixels = pixels_near(EdgeCurve(coefficients=(20.0,), middle=4.5, rises=1), (10, 40), 5.0)

    assert pixels.col.size == 110
    assert np.abs(pixels.distance_px).max() == 5.0


@pytest.mark.parametrize("normal_deg", [3.0, -12.0, 93.0, 170.0, 275.0])
def test_the_direction_of_an_edge_is_seen_under_heavy_noise(normal_deg: float) -> None:
    """Truth: by construction, at an SNR of 4."""
    edge = Edge(normal_deg=normal_deg, rows=80, cols=80)
    capture = edge.capture(np.random.default_rng(1), Light(snr=4))

    assert is_near_vertical(capture.exposure) == (edge.axis == "horizontal")


def test_the_curve_of_an_edge_lies_where_the_edge_is() -> None:
    """Truth: the edge's own distance; to 0.06 px, three times what the fit claims at an SNR of 20."""
    for bend_px in (0.0, 4.0):
        edge = Edge(rows=150, cols=80, normal_deg=7.0, bend_px=bend_px)
        image = edge.capture(np.random.default_rng(2), Light(snr=20)).exposure
        curve = fit_edge_surface(image).curve

        pixels = pixels_near(curve, image.shape, 3.0)
        off = pixels.distance_px - edge.distance(pixels.col.astype(float), pixels.row.astype(float))
        assert np.sqrt(np.mean(off**2)) < 0.06


def test_noise_of_both_sides_is_that_of_the_sensor() -> None:
    """Truth: shot and read noise by construction; to 10 % on some thousand pixels."""
    light = Light(dark=0.2, bright=0.6, snr=20, shot_share=0.6)
    surface = fit_edge_surface(Edge(rows=150, cols=80).capture(np.random.default_rng(3), light).exposure)

    bright = (0.6 / 20) ** 2
    assert surface.bright_variance == pytest.approx(bright, rel=0.1)
    assert surface.dark_variance == pytest.approx(bright * (0.4 + 0.6 * 0.2 / 0.6), rel=0.1)


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_derivatives_of_a_family_are_those_of_finite_differences(family: Family) -> None:
    """Truth: central differences of the transform itself."""
    frequency = np.linspace(0.01, 2.0, 57)
    parameters = np.array(family.starts[0]) + 0.1
    _, derivatives = family.transform(frequency, parameters)

    for number in range(parameters.size):
        step = np.zeros(parameters.size)
        step[number] = 1e-6
        ahead = family.transform(frequency, parameters + step)[0]
        behind = family.transform(frequency, parameters - step)[0]
        assert derivatives[number] == pytest.approx((ahead - behind) / 2e-6, abs=1e-7)


@given(sigma=st.floats(0.4, 3.0), shift=st.floats(-0.5, 0.5))
@settings(max_examples=25, deadline=None)
def test_the_basis_makes_the_edge_of_a_gaussian(sigma: float, shift: float) -> None:
    """Truth: the normal distribution; to 1e-6."""
    distance = np.linspace(-12, 12, 101)
    basis = EdgeBasis(distance, 64.0, 4.0)
    transform = np.exp(-2 * (math.pi * sigma * basis.frequency) ** 2)

    edge, _ = basis.edge(transform, np.empty((0, transform.size)), shift)

    assert edge == pytest.approx(special.ndtr((distance - shift) / sigma), abs=1e-6)


def test_a_pixel_turned_by_45_degrees_has_the_product_of_two_sincs() -> None:
    """Truth: algebra, sinc(f / sqrt 2) squared."""
    frequency = np.linspace(0, 1, 11)

    assert pixel_transform(frequency, 45.0) == pytest.approx(np.sinc(frequency / math.sqrt(2)) ** 2, abs=1e-12)


def unclipped(surface: EdgeSurface) -> ClippedNoise:
    return ClippedNoise(
        low=-math.inf,
        high=math.inf,
        dark=surface.dark[0],
        bright=surface.bright[0],
        dark_variance=surface.dark_variance,
        bright_variance=surface.bright_variance,
    )


def test_the_textbook_response_errs_by_its_published_bias() -> None:
    """Truth: closed form; the quarter-pixel pipeline's own bias is within 4 % for a sigma of 1 px without noise."""
    edge = Edge(rows=100, cols=60, normal_deg=6.0, blur=Blur(sigmas_x_px=(1.0,)))
    image = edge.capture(np.random.default_rng(4)).exposure
    surface = fit_edge_surface(image)
    frequency = np.linspace(0, 0.5, 501)

    levels = edge_levels(image, surface, unclipped(surface), reach_px=24)
    response = spatial_frequency_response(edge_spread(levels, bins_per_px=4), frequency)

    assert frequency[np.argmax(response < 0.5)] == pytest.approx(edge.mtf(0.5), rel=0.04)


def test_the_doubt_of_how_light_falls_off_widens_the_uncertainty() -> None:
    """Property: the same spread, known to fall off by nothing or by a tenth at 16 px; and a short edge knows less."""
    light = Light(snr=40)
    short, long = (
        fit_edge_surface(Edge(rows=rows, cols=80).capture(np.random.default_rng(5), light).exposure)
        for rows in (24, 200)
    )
    image = Edge(rows=60, cols=80, blur=Blur(weights=(0.85, 0.15), sigmas_x_px=(1.0, 4.0))).capture(
        np.random.default_rng(5), light
    )
    surface = fit_edge_surface(image.exposure)
    spread = edge_spread(edge_levels(image.exposure, surface, unclipped(surface), reach_px=24))

    known, unknown = (
        edge_response(
            spread,
            tilt_deg=surface.curve.tilt_deg,
            sigma_px=surface.sigma_px,
            levels=(surface.dark[0], surface.bright[0]),
            noise=unclipped(surface),
            fall_off_doubt=doubt,
        ).crossing(0.5)
        for doubt in (1e-7, 4e-4)
    )

    assert math.hypot(unknown.noise, unknown.choice) > 1.2 * math.hypot(known.noise, known.choice)
    assert short.fall_off_doubt > 10 * long.fall_off_doubt


@pytest.mark.parametrize("snr", [4, 40])
def test_an_edge_that_runs_through_is_clean_in_all_its_rows(snr: float) -> None:
    """Truth: by construction, even under heavy noise and vignetting."""
    light = Light(snr=snr, shading=0.5)
    image = Edge(rows=150, cols=60, normal_deg=8.0).capture(np.random.default_rng(8), light).exposure

    assert clean_rows(image, find_edge_curve(image)) == (0, 150)


def test_rows_beyond_the_end_of_an_edge_are_left_out() -> None:
    """Truth: by construction, both sides are alike from row 100 on; to the nine rows looked at together."""
    image = Edge(rows=150, cols=60, normal_deg=4.0).ideal()
    image[100:] = 1.0
    capture = Light(snr=20).capture(image, np.random.default_rng(9))

    first, stop = clean_rows(capture.exposure, find_edge_curve(capture.exposure))

    assert first == 0
    assert 85 <= stop <= 97


@pytest.mark.parametrize("rows", [20, 120])
def test_halo_and_vignetting_are_no_departure_and_a_neighbour_is(rows: int) -> None:
    """Truth: by construction; the limit of the slanted-edge check is 0.13 of the height."""
    halo = Edge(rows=rows, cols=80, normal_deg=6.0, blur=Blur(weights=(0.7, 0.3), sigmas_x_px=(2.2, 8.0)))
    vignetted = halo.capture(np.random.default_rng(10), Light(snr=60, shading=0.5)).exposure
    bar = Edge(rows=rows, cols=90).ideal() - Edge(rows=rows, cols=90, offset_px=15.0).ideal()
    neighbour = Light(snr=60).capture(bar, np.random.default_rng(10)).exposure

    assert largest_departure(vignetted, fit_edge_surface(vignetted)) < 0.12
    assert largest_departure(neighbour, fit_edge_surface(neighbour)) > 0.25


@pytest.mark.parametrize("sigma_px", [1.5, 4.0])
def test_the_sides_of_a_soft_edge_do_not_turn_under_light_that_falls_off(sigma_px: float) -> None:
    """Truth: by construction, half of the light is lost in the corners; the check's limits are 0.03 and 0.045."""
    edge = Edge(cols=120, normal_deg=6.0, blur=Blur(sigmas_x_px=(sigma_px,)))
    exposure = edge.capture(np.random.default_rng(12), Light(snr=30, shading=0.5)).exposure

    turning, change = turning_of_sides(exposure, fit_edge_surface(exposure))

    assert turning < 0.01
    assert 0 <= change < 0.03


def test_sides_that_turn_are_told_by_how_much() -> None:
    """Truth: by algebra; sine stripes of a tenth of the height, 24 px long, lie off a line by up to 0.1."""
    edge = Edge(cols=120, normal_deg=6.0, blur=Blur(sigmas_x_px=(4.0,)))
    plain = edge.capture(np.random.default_rng(13), Light(snr=60))
    surface = fit_edge_surface(plain.exposure)
    pixels = pixels_near(surface.curve, plain.exposure.shape, 100.0)
    stripes = np.zeros_like(plain.exposure)
    stripes[pixels.row, pixels.col] = 0.1 * (0.64 - 0.16) * np.sin(2 * np.pi * pixels.distance_px / 24)

    turning, _ = turning_of_sides(plain.exposure + stripes, surface)

    assert 0.06 < turning < 0.11


NOISE = ClippedNoise(low=0.0, high=1.0, dark=0.03, bright=0.9, dark_variance=0.05**2, bright_variance=0.12**2)


@pytest.mark.parametrize("level", [-0.02, 0.0, 0.03, 0.4, 0.9, 1.02])
def test_mean_and_variance_of_clipped_noise_are_those_of_quadrature(level: float) -> None:
    """Truth: numerical integration of the clipped normal distribution (scipy.integrate.quad)."""
    sigma = math.sqrt(0.05**2 + (0.12**2 - 0.05**2) * (level - 0.03) / 0.87)

    def moment(power: int) -> float:
        def weighed(z: float) -> float:
            return min(max(z, 0.0), 1.0) ** power * math.exp(-0.5 * ((z - level) / sigma) ** 2)

        parts = [
            level - 9 * sigma,
            *(bound for bound in (0.0, 1.0) if abs(bound - level) < 9 * sigma),
            level + 9 * sigma,
        ]
        total = sum(integrate.quad(weighed, a, b)[0] for a, b in itertools.pairwise(parts))
        return float(total / (sigma * math.sqrt(2 * math.pi)))

    mean = NOISE.mean_and_slope(np.array([level]))[0][0]
    variance = NOISE.variance(np.array([level]))[0]
    assert mean == pytest.approx(moment(1), abs=1e-5)
    assert variance == pytest.approx(moment(2) - moment(1) ** 2, abs=1e-5)


def test_the_level_below_clipped_black_is_found_again() -> None:
    """Truth: by construction, a level of 0.01 under noise of 0.03; to 0.001 on 40 000 pixels."""
    random = np.random.default_rng(5)
    dark = np.maximum(random.normal(0.01, 0.03, 40_000), 0.0)
    bright = random.normal(0.5, 0.05, 1000)

    noise = clipped_noise(
        dark,
        bright,
        np.zeros(1000, dtype=bool),
        levels=(float(dark.mean()), 0.5),
        variances=(float(dark.var()), 0.0025),
    )

    assert noise.dark == pytest.approx(0.01, abs=1e-3)
    assert math.sqrt(noise.dark_variance) == pytest.approx(0.03, abs=1e-3)
    assert math.isinf(noise.high)


def test_exposures_heaped_up_at_the_outermost_are_cut_and_few_or_even_ones_are_not() -> None:
    """Truth: by construction, noise cut at 3.0; noise of less than a code; noise that nothing cuts; no pixels."""
    noise = np.round(np.random.default_rng(7).normal(2.9, 0.5, 3000), 2)

    heaped = at_bound(np.minimum(noise, 3.0), bound=math.inf, sign=1.0)

    assert np.array_equal(heaped, noise >= 3.0)
    assert not np.any(at_bound(np.round(noise / 3), bound=math.inf, sign=1.0))
    assert not np.any(at_bound(noise, bound=math.inf, sign=1.0))
    assert not np.any(at_bound(noise[:0], bound=0.0, sign=-1.0))


def test_clipping_by_light_is_told_from_clipping_by_noise() -> None:
    """Truth: by definition; half of the rows clipped wholly is 1, a random half is 0, to what 4000 pixels tell."""
    row, distance = np.divmod(np.arange(4000), 40)
    by_light, by_noise = row < 50, np.random.default_rng(3).random(4000) < 0.5

    assert unevenness(row, distance.astype(float), by_light) == pytest.approx(1.0, abs=0.01)
    assert unevenness(row, distance.astype(float), by_noise) == pytest.approx(0.0, abs=0.01)
    assert unevenness(row, distance.astype(float), np.zeros(4000, dtype=bool)) == 0.0


def test_rows_that_light_does_not_clip_are_found() -> None:
    """Truth: by construction, rows 0 to 59 of 100 are clipped; nine rows are looked at together, six kept clear."""
    row = np.repeat(np.arange(100), 40)

    first, stop = free_rows(row, row < 60, 100, 16)

    assert first == 60 + 4 + 6
    assert stop == 100
    assert free_rows(row, row < 90, 100, 16) == (0, 100)


def test_noise_is_not_believed_below_that_of_rounding() -> None:
    """Truth: GUM F.2.2.1, a step of 1 / 255 rounds with a variance of its square over twelve, on an even side too."""
    step = 1 / 255

    noise = clipped_noise(
        np.full(500, 20 * step),
        np.tile([150 * step, 151 * step], 250),
        np.zeros(500, dtype=bool),
        levels=(20 * step, 150.5 * step),
        variances=(0.0, 0.25 * step**2),
    )

    assert noise.dark_variance == pytest.approx(step**2 / 12)
    assert noise.bright_variance == pytest.approx(step**2 / 4)


def test_noise_alone_holds_no_edge() -> None:
    """Truth: by construction, ten pictures of noise."""
    for seed in range(10):
        assert find_edges(np.random.default_rng(seed).normal(0.4, 0.05, (200, 300))) == ()


def test_a_lone_edge_gives_the_whole_picture_as_its_region() -> None:
    """Truth: by construction, nothing else is in the picture."""
    capture = Edge(rows=120, cols=200, normal_deg=8.0).capture(np.random.default_rng(6), Light(snr=20))

    (region,) = find_edges(capture.exposure)

    assert (region.x, region.y, region.width, region.height) == (0, 0, 200, 120)
    assert region.is_near_vertical
