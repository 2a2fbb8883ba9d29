"""The bright field in a picture against drawn circles and a real photograph."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import skimage
from PIL import Image
from scipy import special

from inspect_app.numerics.fields.field_circle import find_field, veil_of
from tests.truth.fields import round_field

FloatArray = npt.NDArray[np.float64]


@pytest.mark.parametrize(("edge_px", "vignetting"), [(0.8, 0.1), (3.5, 0.5)])
def test_a_circle_is_found_to_a_fraction_of_a_pixel(edge_px: float, vignetting: float) -> None:
    """Truth by construction."""
    drawn = round_field(np.random.default_rng(1), edge_px=edge_px, vignetting=vignetting)

    field = find_field(drawn.exposure)

    assert field is not None
    assert field.is_round
    assert (field.x, field.y) == pytest.approx((drawn.x, drawn.y), abs=0.3)
    assert field.radius_px == pytest.approx(drawn.radius_px, abs=0.2)
    assert field.edge_px == pytest.approx(edge_px, abs=0.15)


def test_texture_and_light_that_falls_off_do_not_draw_a_soft_border_inwards() -> None:
    """Truth by construction: 300 px, light that falls by half, a border blurred by 2.9 px; the mean of six fields."""
    off = []
    for seed in range(6):
        drawn = round_field(
            np.random.default_rng(seed),
            size_px=(640, 640),
            radius_px=300,
            offset_px=(0, 0),
            fibre=0,
            cells=0,
            grain=0.06,
            vignetting=0.47,
            edge_px=2.9,
        )
        field = find_field(drawn.exposure)
        assert field is not None
        off.append(field.radius_px - 300)

    assert np.mean(off) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize(("squeezed", "turned"), [(1.0, 0.0), (0.88, 0.0), (0.9, 0.7), (0.96, 2.5)])
def test_a_field_seen_at_an_angle_is_followed_in_any_direction(squeezed: float, turned: float) -> None:
    """Truth by construction: half axes of 400 pixels and of less; places over the radius are told both ways."""
    drawn = round_field(np.random.default_rng(3), squeezed=squeezed, turned=turned)
    angles = np.arange(0, 2 * np.pi, 0.1)

    field = find_field(drawn.exposure)

    assert field is not None
    x, y = field.at_radius(1.0, angles)
    across = ((x - drawn.x) * np.cos(turned) + (y - drawn.y) * np.sin(turned)) / squeezed
    down = (y - drawn.y) * np.cos(turned) - (x - drawn.x) * np.sin(turned)
    np.testing.assert_allclose(np.hypot(across, down), 400, atol=0.5)
    np.testing.assert_allclose(
        field.over_radius(*field.at_radius(0.9, angles)), 0.9 * np.array([np.cos(angles), np.sin(angles)]), atol=1e-12
    )


@pytest.mark.parametrize("aside", [(0.3, 0.0), (-0.2, 0.25)])
def test_light_that_falls_off_about_another_place_does_not_move_the_middle(aside: tuple[float, float]) -> None:
    """Truth by construction: by half to the border, about a place that is a third of the radius off the middle."""
    y, x = np.mgrid[0:700, 0:720].astype(float)
    u, v = (x - 360.4) / 300, (y - 348.3) / 300
    light = 1 - 0.4 * ((u - aside[0]) ** 2 + (v - aside[1]) ** 2)
    picture = light * special.erfc((np.hypot(u, v) - 1) * 300 / (3 * np.sqrt(2))) / 2

    field = find_field(picture)

    assert field is not None
    assert (field.x, field.y) == pytest.approx((360.4, 348.3), abs=0.1)
    assert field.radius_px == pytest.approx(300, abs=0.2)


def test_a_circle_that_the_frame_cuts_is_found() -> None:
    """Truth by construction: 40 pixels of the field lie above the frame, and 40 below."""
    drawn = round_field(np.random.default_rng(2), size_px=(720, 1000), radius_px=400)

    field = find_field(drawn.exposure)

    assert field is not None
    assert field.radius_px == pytest.approx(400, abs=1)


@pytest.mark.parametrize("cut_px", [(120, 130), (170, 40), (150, 150), (270, 280)])
def test_a_circle_of_which_the_frame_cuts_two_sides_is_found(cut_px: tuple[int, int]) -> None:
    """Truth by construction: where the border is cut off, rays fall in the texture of the field instead."""
    drawn = round_field(np.random.default_rng(2))
    top, left = (side + int(middle - drawn.radius_px) for side, middle in zip(cut_px, (drawn.y, drawn.x), strict=True))

    field = find_field(drawn.exposure[top:, left:])

    assert field is not None
    assert (field.x + left, field.y + top) == pytest.approx((drawn.x, drawn.y), abs=0.3)
    assert field.radius_px == pytest.approx(drawn.radius_px, abs=0.2)


@pytest.mark.parametrize("seed", range(4))
def test_a_circle_of_which_one_corner_shows_an_arc_is_found_and_doubted(seed: int) -> None:
    """Truth by construction: three corners of the picture lie in the field, the fourth 60 pixels beyond it."""
    drawn = round_field(np.random.default_rng(seed), size_px=(700, 760), radius_px=300, vignetting=0.2)
    top, left = int(drawn.y) - 250, int(drawn.x) - 260

    field = find_field(drawn.exposure[top : top + 390, left : left + 400])

    assert field is not None
    assert field.is_round
    assert field.radius_px == pytest.approx(300, abs=2.5 * field.radius_u_px)
    assert 1 < field.radius_u_px < 15


@pytest.mark.parametrize("shape", ["straight", "round"])
def test_what_covers_one_corner_of_a_frame_is_no_border_of_a_field(shape: str) -> None:
    """Truth by construction: a straight edge, or a disc about the corner, leaves three corners and the frame lit."""
    y, x = np.mgrid[0:400, 0:500].astype(float)
    past = (x + 0.8 * y) / 1.28 - 110 if shape == "straight" else np.hypot(x, y) - 110
    picture = 0.5 * special.erfc(-past / 3) / 2 + np.random.default_rng(4).normal(0, 0.005, past.shape)

    field = find_field(picture)

    assert field is not None
    assert not field.is_round


def test_the_radius_of_an_arc_is_doubted_more_than_that_of_a_circle() -> None:
    """Truth by construction, within 2.5 standard uncertainties: two corners and all of the border."""
    drawn = round_field(np.random.default_rng(6), size_px=(700, 760), radius_px=300)
    whole, cut = find_field(drawn.exposure), find_field(drawn.exposure[:380, 140:640])

    assert whole is not None
    assert cut is not None
    assert whole.radius_px == pytest.approx(300, abs=2.5 * whole.radius_u_px)
    assert cut.radius_px == pytest.approx(300, abs=2.5 * cut.radius_u_px)
    assert whole.radius_u_px < 0.1 < cut.radius_u_px < 3


def test_a_lit_frame_is_a_whole_frame() -> None:
    """Truth by construction; its radius is half of the diagonal, 3-4-5."""
    field = find_field(np.full((300, 400), 0.5))

    assert field is not None
    assert not field.is_round
    assert field.radius_px == pytest.approx(250)


def test_darkness_is_no_field() -> None:
    assert find_field(np.zeros((200, 200))) is None


def test_the_level_outside_of_the_field_is_its_veil() -> None:
    """Truth by construction."""
    drawn = round_field(np.random.default_rng(3), veil=0.02)
    field = find_field(drawn.exposure)

    assert field is not None
    assert veil_of(drawn.exposure, field).level == pytest.approx(0.02, abs=0.001)


def test_glare_that_falls_off_beside_the_field_lies_over_it_too() -> None:
    """Truth by construction: 2 % over the field, and beside it less by 1 / e per tenth of its radius."""
    drawn = round_field(np.random.default_rng(3), veil=0.0)
    rows, cols = np.indices(drawn.exposure.shape)
    beyond = np.maximum(np.hypot(cols - drawn.x, rows - drawn.y) / drawn.radius_px - 1, 0)
    picture = drawn.exposure + 0.02 * np.exp(-beyond / 0.1)
    field = find_field(picture)

    assert field is not None
    assert veil_of(picture, field).halo == pytest.approx(0.02, abs=0.003)
    assert veil_of(drawn.exposure, field).halo == pytest.approx(0.0, abs=0.0005)


def test_the_round_field_of_a_real_photograph_is_found() -> None:
    """scikit-image's retina.jpg: a disc on black; its lit pixels reach from one side of the disc to the other."""
    path = Path(skimage.__file__).parent / "data" / "retina.jpg"
    if not path.exists():
        pytest.skip("this scikit-image ships no retina.jpg")
    picture = np.asarray(Image.open(path).convert("RGB"), dtype=float)[..., 0] / 255
    lit = np.flatnonzero((picture > 0.15).any(axis=0))

    field = find_field(picture)

    assert field is not None
    assert field.is_round
    assert 2 * field.radius_px == pytest.approx(lit[-1] - lit[0] + 1, rel=0.04)


@pytest.mark.parametrize("shape", [(1, 2000), (2000, 2), (3, 3)])
def test_a_picture_of_a_few_rows_is_looked_at_like_any_other(shape: tuple[int, int]) -> None:
    """Truth by construction: lit throughout, so a whole frame."""
    field = find_field(np.full(shape, 0.5))

    assert field is not None
    assert not field.is_round


def test_a_speck_of_light_is_no_field() -> None:
    """Truth by construction: 9 x 9 lit pixels on black."""
    picture = np.zeros((60, 60))
    picture[26:35, 26:35] = 0.6

    assert find_field(picture) is None


def _fading(light_at_radius: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Return a picture of 600 x 800 pixels with noise, whose light falls with the radius in half diagonals."""
    y, x = np.mgrid[:600, :800]
    light = 20_000 * light_at_radius(np.hypot(x - 399.5, y - 299.5) / 500)
    rng = np.random.default_rng(7)
    return np.asarray(rng.poisson(light) + rng.normal(100, 10, light.shape))


def test_light_that_fades_towards_the_corners_has_no_border() -> None:
    """Truth by construction: cos⁴ of up to 45 degrees, a quarter of the light in the corners, is a whole frame."""
    field = find_field(_fading(lambda r: (1 + r**2) ** -2.0))

    assert field is not None
    assert not field.is_round


def test_a_glow_without_a_border_is_no_field() -> None:
    """Truth by construction: Gaussian light, 4 per cent of it left in the corners."""
    assert find_field(_fading(lambda r: np.exp(-3.125 * r**2))) is None


def test_a_dim_field_on_a_bright_veil_is_still_a_disc() -> None:
    """Truth by construction: half of the light is gone at the border, and beyond lie 42 per cent of the middle's."""
    drawn = round_field(np.random.default_rng(4), vignetting=0.5, edge_px=3.5, veil=0.25)

    field = find_field(drawn.exposure)

    assert field is not None
    assert field.is_round
    assert field.radius_px == pytest.approx(drawn.radius_px, abs=0.3)
