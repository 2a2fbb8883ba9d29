"""Spots of a flattened field, and its smooth part, against drawn ones."""

import math

import numpy as np
import pytest
from scipy import ndimage

from inspect_app.numerics.fields.smooth_field import smooth_field
from inspect_app.numerics.spots import spot_fits, spot_map
from inspect_app.numerics.spots.spot_map import flatten, map_spots
from inspect_app.numerics.spots.spot_patches import SpotPatch
from inspect_app.numerics.spots.spot_profile import half_radius
from inspect_app.numerics.spots.spot_shape import LIKELY_SOFTNESS, fit_spots
from inspect_app.numerics.spots.texture import BLOCK_PX
from tests.truth.fields import Spot, depth_of

SHAPE = (400, 500)
ALL = np.ones(SHAPE, dtype=bool)


def drawn(*spots: Spot, noise: float = 0.01) -> np.ndarray:
    picture = 0.5 * (1 + np.random.default_rng(1).normal(0, noise, SHAPE))
    for spot in spots:
        picture *= 1 + depth_of(spot, SHAPE)
    return picture


def test_a_polynomial_surface_is_its_own_smooth_part() -> None:
    """Truth from algebra: a surface of fourth order lies within the sixth."""
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    surface = 1 - 0.3 * (x**2 + y**2) + 0.1 * x * y**3

    smooth = smooth_field(surface, ALL)

    assert smooth is not None
    assert smooth.over_pixels() == pytest.approx(surface, abs=1e-3)


def test_spots_do_not_bend_the_smooth_part() -> None:
    """Truth by construction: an even field with a deep spot of a twelfth of its width."""
    smooth = smooth_field(drawn(Spot(250, 200, 40, 0.8)), ALL)

    assert smooth is not None
    assert smooth.over_pixels() == pytest.approx(np.full(SHAPE, 0.5), abs=0.004)


def test_a_honeycomb_of_fibres_makes_no_smooth_part() -> None:
    """Truth from algebra: cosines of periods near 3 and 4 pixels have no part that a field's light could have."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    turns = np.arange(3) * math.pi / 3
    for period_px in (2.98, 4.02):
        waves = [np.cos(2 * math.pi * (x * math.cos(a) + y * math.sin(a)) / period_px + a) for a in turns]

        smooth = smooth_field(0.5 * (1 + 0.025 * np.sum(waves, axis=0)), ALL)

        assert smooth is not None
        assert np.ptp(smooth.over_pixels()[20:-20, 20:-20]) < 0.5 * 0.002


@pytest.mark.parametrize("profile", ["erf", "logistic", "gaussian"])
@pytest.mark.parametrize("diameter_px", [4.0, 11.0, 30.0, 40.0])
def test_diameter_and_depth_do_not_depend_on_the_profile(profile: str, diameter_px: float) -> None:
    """Truth by construction: all profiles reach half of their depth at the diameter; 4 % and 6 % are allowed."""
    flat = flatten(drawn(Spot(250.3, 199.6, diameter_px, 0.5, profile=profile), noise=0.004), ALL)
    assert flat is not None

    (found,) = map_spots(flat, smallest_px=3, largest_px=60, faintest=0.05).spots

    assert found.diameter_px == pytest.approx(diameter_px, rel=0.04)
    assert -found.depth == pytest.approx(0.5, rel=0.06)
    assert (found.x, found.y) == pytest.approx((250.3, 199.6), abs=0.3)


@pytest.mark.parametrize("softness", [0.1, 0.2, 0.3, 0.35])
def test_a_single_soft_spot_ends_between_half_depth_and_its_disc_and_holds_both(softness: float) -> None:
    """Truth by construction: a blurred disc of 20 px, half of whose depth lies further in by up to 6 %."""
    flat = flatten(drawn(Spot(250, 200, 20.0, 0.5, softness=softness, profile="blurred"), noise=0.002), ALL)
    assert flat is not None

    (found,) = map_spots(flat, smallest_px=3, largest_px=60, faintest=0.05).spots

    half_px = 20.0 * half_radius(1.0, softness)
    assert half_px - 0.1 < found.diameter_px < 20.1
    for reading_px in (half_px, 20.0):
        assert found.diameter_px == pytest.approx(reading_px, abs=2 * found.diameter_u_px)
    assert found.disc_px == pytest.approx(20.0, abs=0.1)
    assert found.blur_px == pytest.approx(10.0 * softness, rel=0.05, abs=0.2)


def test_a_faint_spot_beside_a_deep_one_is_found_too() -> None:
    """Truth by construction: 0.12 deep, one diameter and a half from a spot of 0.7."""
    flat = flatten(drawn(Spot(240, 200, 14, 0.7), Spot(266, 200, 8, 0.25)), ALL)
    assert flat is not None

    found = map_spots(flat, smallest_px=3, largest_px=60, faintest=0.05).spots

    assert len(found) == 2
    assert math.hypot(found[1].x - 266, found[1].y - 200) < 0.5


@pytest.mark.parametrize(("polarity", "sign"), [("dark", -1), ("bright", 1)])
def test_a_point_in_a_coarse_grain_is_no_wide_spot_of_the_other_polarity(polarity: str, sign: int) -> None:
    """Truth by construction: 1.5 px and 0.3 deep; filters of 6 px, made for a coarse grain, answer to it inverted."""
    rng = np.random.default_rng(1)
    grain = ndimage.gaussian_filter(rng.normal(size=SHAPE), 1.8)
    picture = 0.5 * (1 + 0.02 * grain / grain.std() + rng.normal(0, 0.002, SHAPE))
    picture *= 1 + depth_of(Spot(250.3, 199.6, 1.5, 0.3, polarity, softness=0.5), SHAPE)
    flat = flatten(picture, ALL)
    assert flat is not None

    (found,) = map_spots(flat, smallest_px=1, largest_px=60, faintest=0.05).spots

    assert found.diameter_px == pytest.approx(1.5, abs=2 * found.diameter_u_px)
    assert found.depth == pytest.approx(sign * 0.3, abs=2 * found.depth_u)
    assert found.diameter_u_px < 0.4


def test_spots_fitted_side_by_side_are_those_fitted_one_by_one() -> None:
    """Property: of sizes that need windows of several sizes, one of them in a louder texture than it was told."""
    rng = np.random.default_rng(2)
    patches = []
    for diameter_px, noise in [(3.0, 0.01), (12.0, 0.01), (7.0, 0.03), (5.0, 0.01)]:
        spot = Spot(31.6, 32.3, diameter_px, 0.4)
        patches.append(
            SpotPatch(
                relief=depth_of(spot, (BLOCK_PX, BLOCK_PX)) + rng.normal(0, noise, (BLOCK_PX, BLOCK_PX)),
                usable=np.ones((BLOCK_PX, BLOCK_PX), dtype=bool),
                power=np.full((BLOCK_PX, BLOCK_PX // 2 + 1), 0.01**2),
                x=32.0,
                y=32.0,
                diameter_px=1.2 * diameter_px,
                depth=-0.3,
                known_blur_px=0.0,
                likely_softness=LIKELY_SOFTNESS,
            )
        )

    together = fit_spots(patches)

    for shape, patch in zip(together, patches, strict=True):
        (alone,) = fit_spots([patch])
        assert shape is not None
        assert alone is not None
        assert shape.diameter_px == pytest.approx(alone.diameter_px, abs=0.01 * alone.diameter_u_px)
        assert shape.depth == pytest.approx(alone.depth, abs=0.01 * alone.depth_u)
        assert shape.depth_u == pytest.approx(alone.depth_u, rel=0.01)


def test_a_field_full_of_marks_that_are_no_spots_is_given_up_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth by construction: 150 short strokes, each of which takes up to twelve fits to be told from a spot."""
    rng = np.random.default_rng(3)
    picture = drawn(noise=0.004)
    for x, y in rng.uniform((20, 20), (460, 360), (150, 2)).astype(int):
        rows, cols = (2, int(rng.integers(12, 30))) if rng.random() < 0.5 else (int(rng.integers(12, 30)), 2)
        picture[y : y + rows, x : x + cols] *= rng.uniform(0.5, 1.5)
    flat = flatten(picture, ALL)
    assert flat is not None
    fits: list[SpotPatch] = []
    monkeypatch.setattr(spot_map, "MOST_VAIN_FITS", 20)  # a twentieth, to spare the time
    monkeypatch.setattr(spot_map, "SIDE_BY_SIDE", 3)
    monkeypatch.setattr(spot_fits, "fit_spots", lambda patches: fits.extend(patches) or fit_spots(patches))

    found = map_spots(flat, smallest_px=3, largest_px=60, faintest=0.05)

    assert not found.is_whole
    assert 20 <= len(fits) < 80


def test_dark_specks_in_a_grain_that_is_quiet_between_neighbouring_pixels_are_not_told_as_bright_ones() -> None:
    """Truth by construction: 120 specks of 2.4 px; seven were told as 5 px and bright, with the grain around them."""
    rng = np.random.default_rng(1)
    grain = ndimage.gaussian_filter(rng.normal(size=SHAPE), 1.8)
    picture = 0.5 * (1 + 0.02 * grain / grain.std() + 0.001 * rng.normal(size=SHAPE))
    places = [np.array([x, y]) + rng.uniform(-4, 4, 2) for y in range(20, 390, 40) for x in range(20, 490, 40)]
    for x, y in places:
        picture *= 1 + depth_of(Spot(x, y, 2.35, 0.05, softness=0.34), SHAPE)
    flat = flatten(picture, ALL)
    assert flat is not None

    spots = map_spots(flat, smallest_px=1.5, largest_px=30, faintest=0.03).spots

    of_specks = [s for s in spots if any(math.hypot(s.x - x, s.y - y) < 3 for x, y in places)]
    assert len(of_specks) >= 119
    assert all(spot.depth < 0 and spot.diameter_px < 4 for spot in of_specks)


def test_noise_alone_is_no_spot() -> None:
    flat = flatten(drawn(noise=0.05), ALL)
    assert flat is not None

    assert map_spots(flat, smallest_px=3, largest_px=60, faintest=0.05).spots == ()


def test_more_noise_widens_the_uncertainty() -> None:
    """Property."""
    spot = Spot(250, 200, 12, 0.4)
    quiet, loud = flatten(drawn(spot, noise=0.01), ALL), flatten(drawn(spot, noise=0.05), ALL)
    assert quiet is not None
    assert loud is not None

    (a,) = map_spots(quiet, smallest_px=3, largest_px=60, faintest=0.05).spots
    (b,) = map_spots(loud, smallest_px=3, largest_px=60, faintest=0.05).spots

    assert b.diameter_u_px > a.diameter_u_px
    assert b.depth_u > a.depth_u
