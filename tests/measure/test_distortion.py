"""Square grids through a lens of known radial distortion (tests/truth/grids.py)."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import special

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import CHECKS, read_options
from inspect_app.measure.distortion import DistortionOptions
from inspect_app.model import Measured
from inspect_app.quantity import Quantity
from tests.truth.edges import Light, still
from tests.truth.grids import Grid

KINDS = ("dots", "crosses", "lines", "squares")


def measure_grid(capture: Still | None, **given: object) -> Measured:
    options = read_options(DistortionOptions, given)
    return CHECKS["distortion"].run(() if capture is None else (capture,), options)


def distortion_of(capture: Still) -> Quantity:
    return measure_grid(capture).results[0].quantity


def a_grid(kind: str, **changes: float) -> Grid:
    mark_px = {"dots": 5.0, "crosses": 8.0, "lines": 0.0, "squares": 0.0}[kind]
    return Grid(kind=kind, rows=360, cols=480, spacing_px=36, mark_px=mark_px, **changes)  # type: ignore[arg-type]  # floats


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("k1", [-0.08, 0.05])
def test_barrel_and_pincushion_have_the_percentage_of_the_lens(kind: str, k1: float) -> None:
    """Truth: k1 q^2 at the outermost point in the picture; to 0.05 percentage points."""
    grid = a_grid(kind, k1=k1, turn_deg=1.5)
    capture = Light(snr=40, shading=0.3).capture(grid.ideal(), np.random.default_rng(4))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.05)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("kind", ["dots", "crosses"])
def test_marks_that_a_strong_barrel_presses_together_are_placed_as_well(kind: str, seed: int) -> None:
    """Truth: k1 q^2 at the outermost point, 24 to 25 % of barrel; marks there are drawn to a quarter of their size."""
    grid = a_grid(kind, k1=-0.16, turn_deg=3.0, phase=(0.1, 0.3))
    quantity = distortion_of(Light(snr=40).capture(grid.ideal(), np.random.default_rng(seed)))

    off = abs(quantity.value - grid.distortion_max_percent())
    assert off < min(0.02, 2 * quantity.standard_uncertainty)


@pytest.mark.parametrize("seed", range(3))
def test_dots_that_a_barrel_presses_till_they_are_faint_are_doubted(seed: int) -> None:
    """Truth: k1 q^2 at the outermost dot, which is drawn to a sixth of its width and may be taken for none."""
    grid = a_grid("dots", k1=-0.17, phase=(0.4, 0.2))
    quantity = distortion_of(Light(snr=40).capture(grid.ideal(), np.random.default_rng(seed)))

    assert abs(quantity.value - grid.distortion_max_percent()) < 2 * quantity.standard_uncertainty


@pytest.mark.parametrize("kind", ["dots", "crosses"])
def test_the_border_of_a_round_field_is_no_mark(kind: str) -> None:
    """Truth: k1 q^2 at the outermost mark; the field is 8 px wider, and all beyond it is dark."""
    grid = a_grid(kind, k1=-0.03)
    nodes = grid.nodes()
    ideal_px = np.hypot(nodes[:, 0], nodes[:, 1])
    seen_px = ideal_px * (1 + grid.distortion(ideal_px))
    field_px = grid.rows / 2 - 10
    rows, cols = np.indices((grid.rows, grid.cols))
    away = np.hypot(cols - grid.axis_px[0], rows - grid.axis_px[1])
    is_whole = seen_px < field_px - grid.mark_px - 8
    picture = grid.ideal()
    for (x, y), seen, ideal, whole in zip(nodes, seen_px, ideal_px, is_whole, strict=True):
        if not whole:
            at = np.array([x, y]) * seen / max(ideal, 1e-9) + grid.axis_px
            picture[np.hypot(cols - at[0], rows - at[1]) < grid.mark_px + 6] = 1.0
    picture = np.where(away < field_px, picture, 0.02)

    found = distortion_of(Light(snr=40).capture(picture, np.random.default_rng(4)))

    truth = 100 * float(grid.distortion(ideal_px[is_whole].max()))
    assert found.value == pytest.approx(truth, abs=3 * found.standard_uncertainty)
    assert found.value == pytest.approx(truth, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "field_px"), [*((kind, 158.0) for kind in KINDS), *((kind, 171.0) for kind in KINDS[:3])]
)
def test_marks_that_the_border_of_a_round_field_cuts_neither_count_nor_move_the_result(
    kind: str, field_px: float
) -> None:
    """Truth: k1 q^2 at the outermost mark that lies in the field, 3 standard deviations of its blurred border clear."""
    grid = a_grid(kind, k1=-0.04, phase=(0.1, 0.2))
    nodes = grid.nodes()
    ideal_px = np.hypot(nodes[:, 0], nodes[:, 1])
    seen_px = ideal_px * (1 + grid.distortion(ideal_px))
    rows, cols = np.indices((grid.rows, grid.cols))
    away = np.hypot(cols - grid.axis_px[0], rows - grid.axis_px[1])
    picture = grid.ideal() * special.ndtr((field_px - away) / 1.2)

    found = distortion_of(Light(snr=40, shading=0.3).capture(picture, np.random.default_rng(4)))

    truth = 100 * float(grid.distortion(ideal_px[seen_px < field_px - grid.mark_px - 4].max()))
    assert found.value == pytest.approx(truth, abs=3 * found.standard_uncertainty)
    assert found.value == pytest.approx(truth, abs=0.06)
    assert found.standard_uncertainty < 0.05


def test_a_large_bright_mark_is_no_field_that_the_chart_is_seen_in() -> None:
    """Truth: k1 q^2 at the outermost mark, of discs of 25 px on black."""
    grid = Grid(kind="dots", rows=360, cols=480, spacing_px=80.0, mark_px=25.0, k1=-0.03)
    light = 0.003 + 0.6 * (1 - grid.ideal()) + np.random.default_rng(1).normal(0, 0.004, (grid.rows, grid.cols))

    assert distortion_of(still(light)).value == pytest.approx(grid.distortion_max_percent(), abs=0.03)


@pytest.mark.parametrize("half_px", [(150.0, 150.0), (190.0, 140.0)])
def test_the_corners_of_a_bright_sheet_before_a_dark_room_count(half_px: tuple[float, float]) -> None:
    """Truth: k1 q^2 at the outermost mark on the sheet."""
    grid = Grid(kind="dots", rows=360, cols=480, spacing_px=30.0, mark_px=4.5, k1=-0.03)
    nodes = grid.nodes()
    seen = nodes * (1 + grid.distortion(np.hypot(*nodes.T)))[:, None]
    is_borne = (np.abs(seen) < np.array(half_px) - 12).all(axis=1)
    rows, cols = np.indices((grid.rows, grid.cols))
    picture = grid.ideal()
    for x, y in seen[~is_borne] + grid.axis_px:
        picture[np.hypot(cols - x, rows - y) < 10] = 1.0
    left = np.minimum(half_px[0] - np.abs(cols - grid.axis_px[0]), half_px[1] - np.abs(rows - grid.axis_px[1]))
    noise = np.random.default_rng(1).normal(0, 0.005, left.shape)

    found = distortion_of(still(0.004 + 0.6 * picture * special.ndtr(left / 1.2) + noise))

    truth = 100 * float(grid.distortion(np.hypot(*nodes[is_borne].T).max()))
    assert found.value == pytest.approx(truth, abs=0.03)


@pytest.mark.parametrize("kind", KINDS)
def test_a_straight_grid_has_no_distortion(kind: str) -> None:
    """Truth: by construction, none; to 0.03 percentage points."""
    capture = Light(snr=40).capture(a_grid(kind, turn_deg=-3.0).ideal(), np.random.default_rng(5))

    assert distortion_of(capture).value == pytest.approx(0.0, abs=0.03)


def test_distortion_that_turns_back_is_followed() -> None:
    """Truth: -0.06 q^2 + 0.05 q^4 by algebra; the largest lies inside the picture, not at its corner."""
    grid = a_grid("dots", k1=-0.06, k2=0.05)
    capture = Light(snr=60).capture(grid.ideal(), np.random.default_rng(6))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.05)


@pytest.mark.parametrize(
    "change",
    [
        lambda exposure: exposure * 0.3,
        lambda exposure: exposure * 0.6 + 0.2,
        lambda exposure: exposure[::-1],
        lambda exposure: exposure[:, ::-1],
        lambda exposure: exposure.T,
        lambda exposure: 0.8 - exposure,
    ],
    ids=["gain", "offset", "upside down", "mirrored", "turned", "negative"],
)
def test_what_does_not_bend_the_grid_does_not_move_the_result(change: object) -> None:
    """Property: gain, offset, flip, turn and exchange of bright and dark leave the distortion."""
    grid = a_grid("dots", k1=-0.05, turn_deg=2.0)
    capture = Light(snr=40).capture(grid.ideal(), np.random.default_rng(7))
    exposure = np.ascontiguousarray(change(capture.exposure))  # type: ignore[operator]  # one of the lambdas above
    changed = dataclasses.replace(capture, exposure=exposure, clipped=np.zeros(exposure.shape, dtype=bool))

    before, after = distortion_of(capture), distortion_of(changed)

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


@pytest.mark.parametrize(("kind", "coding"), [("dots", "linear8"), ("lines", "srgb8"), ("squares", "srgb8")])
def test_fewer_bits_do_not_move_the_result(kind: str, coding: str) -> None:
    """Property: bit depth and coding leave the distortion within its uncertainty, the same noise in both."""
    grid, light = a_grid(kind, k1=-0.06, turn_deg=1.0), Light(snr=30)
    deep = light.capture(grid.ideal(), np.random.default_rng(11))
    coarse = dataclasses.replace(light, coding=coding).capture(grid.ideal(), np.random.default_rng(11))

    before, after = distortion_of(deep), distortion_of(coarse)

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


@pytest.mark.parametrize("margin_px", [-2, 12])
def test_a_margin_more_or_less_does_not_move_the_result(margin_px: int) -> None:
    """Property: crop and padding; the chart draws no mark that they cut or add, so the outermost stays the same."""
    grid = a_grid("dots", k1=-0.06, turn_deg=2.0)
    capture = Light(snr=40).capture(grid.ideal(), np.random.default_rng(12))
    if margin_px < 0:
        exposure = capture.exposure[-margin_px:margin_px, -margin_px:margin_px]
    else:
        ground = np.full((360 + 2 * margin_px, 480 + 2 * margin_px), float(np.median(capture.exposure)))
        exposure = ground + np.random.default_rng(13).normal(0, 0.016, ground.shape)
        exposure[margin_px:-margin_px, margin_px:-margin_px] = capture.exposure

    before, after = distortion_of(capture), distortion_of(still(np.ascontiguousarray(exposure)))

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


def test_labels_beside_a_chart_of_lines_are_no_crossings() -> None:
    """Truth: by construction; a label of small print stands in each corner, just where a crossing would be next.

    By the unrest about a place alone they were two of the crossings, and the distortion that of their corner.
    """
    grid = Grid(rows=288, cols=432, spacing_px=36, kind="lines", k1=0.03)
    capture = Light(snr=40).capture(grid.ideal(), np.random.default_rng(12))
    random = np.random.default_rng(13)
    around = float(np.max(capture.exposure)) + random.normal(0, 0.004, (288 + 68, 432 + 68))
    around[34:-34, 34:-34] = capture.exposure
    before = distortion_of(still(around.clip(0, 1)))
    for rows in (slice(12, 28), slice(-28, -12)):
        for cols in (slice(8, 30), slice(-30, -8)):
            around[rows, cols] *= np.where(random.random((16, 22)) < 0.5, 0.2, 1.0)

    after = distortion_of(still(around.clip(0, 1)))

    assert after.value == pytest.approx(before.value, abs=before.standard_uncertainty)


@pytest.mark.parametrize("beside", ["cross", "block", "frame"])
def test_what_looks_like_a_crossing_beside_a_chart_of_lines_is_none(beside: str) -> None:
    """Truth: by construction; where a crossing would be next stands a mark of the sheet, to which no line leads.

    By its looks alone it was one, and the distortion that of the place where it stands: 1.5 points more of barrel.
    """
    grid = Grid(rows=400, cols=400, spacing_px=36, kind="lines", k1=-0.05, board=4)
    exposure = grid.ideal()
    at, half = round((400 - 1) / 2 - 5 * 36 * (1 - 0.05 * 2 * (5 * 36 / grid.half_diagonal_px) ** 2)), 1
    for row in (at, 399 - at):
        for col in (at, 399 - at):
            if beside == "block":
                exposure[row - 3 : row + 4, col - 7 : col + 8] = 0.0
            if beside == "cross":
                exposure[row - 9 : row + 10, col - half : col + half + 1] = 0.0
                exposure[row - half : row + half + 1, col - 9 : col + 10] = 0.0
        if beside == "frame":
            exposure[row - half : row + half + 1, at : 400 - at] = 0.0
            exposure[at : 400 - at, row - half : row + half + 1] = 0.0
    capture = Light(snr=40).capture(exposure, np.random.default_rng(21))

    found = distortion_of(capture)

    assert found.value == pytest.approx(grid.distortion_max_percent(), abs=0.03)


@pytest.mark.parametrize("kind", ["crosses", "dots"])
def test_a_mark_of_another_kind_beside_a_chart_of_marks_is_none_of_them(kind: str) -> None:
    """Truth: by construction; discs stand where crosses, rings where dots would be next, alike by 0.6 to 0.9.

    They were counted, and the distortion was that of their place: by 2.5 points too much.
    """
    grid = Grid(rows=336, cols=432, spacing_px=48, kind=kind, mark_px={"crosses": 14.0, "dots": 7.0}[kind], k1=-0.05)
    inner = grid.ideal()
    exposure = np.ones((336 + 80, 432 + 80))
    exposure[40:-40, 40:-40] = inner
    y, x = np.mgrid[: exposure.shape[0], : exposure.shape[1]]
    for nodes in (grid.nodes(), -grid.nodes()):
        corner = nodes[np.argmax(nodes.sum(axis=1))]
        ahead = corner * (1 + 48 / np.abs(corner))
        seen = ahead * (1 + grid.k1 * float(ahead @ ahead) / grid.half_diagonal_px**2)
        away = np.hypot(x - (511 / 2 + seen[0]), y - (415 / 2 + seen[1]))
        exposure[away < 8.5] = 0.05
        if kind == "dots":
            exposure[away < 5.0] = 1.0
    capture = Light(snr=40).capture(exposure, np.random.default_rng(23))

    found = distortion_of(capture)

    assert found.value == pytest.approx(grid.distortion_max_percent(), abs=0.05)


def test_a_block_that_meets_the_corner_of_a_chessboard_makes_no_crossing_of_it() -> None:
    """Truth: by construction; a dark block and the outermost square touch at their corners, as four squares do."""
    grid = Grid(kind="squares", rows=400, cols=480, spacing_px=32, mark_px=0.0, k1=-0.05, board=4)
    exposure = grid.ideal()
    y, x = np.mgrid[: grid.rows, : grid.cols]
    ideal = 32.0 * (grid.board + 1)
    beyond = ideal * (1 + grid.k1 * 2 * ideal**2 / grid.half_diagonal_px**2)
    off_x, off_y = np.abs(x - grid.axis_px[0]) - beyond, np.abs(y - grid.axis_px[1]) - beyond
    exposure[(off_x > 0) & (off_x < 20) & (off_y > 0) & (off_y < 20)] = 0.0

    found = distortion_of(Light(snr=40).capture(exposure, np.random.default_rng(5)))

    assert found.value == pytest.approx(grid.distortion_max_percent(), abs=0.05)


def test_the_last_corner_of_squares_before_the_picture_s_is_counted_or_doubted() -> None:
    """Truth: algebra; beside it along one direction stands none in the picture. Left out, it was 0.65 points, 110 u."""
    grid = Grid(
        rows=600, cols=800, spacing_px=55.85, turn_deg=-2.56, k1=-0.0451, kind="squares", mark_px=0.0,
        phase=(0.3006, 0.3679), centre_offset_px=(-0.45, -5.43),
    )  # fmt: skip

    found = distortion_of(Light(snr=30).capture(grid.ideal(), np.random.default_rng(19)))

    assert found.value == pytest.approx(grid.distortion_max_percent(), abs=2 * found.standard_uncertainty)


def test_which_of_two_points_of_opposite_signs_is_the_larger_is_doubted() -> None:
    """Truth: algebra; the two differ by a hundredth of a point. Of eight draws, at least six hold both within 2 u."""
    grid = a_grid("squares", k1=-0.0062295, k2=0.01)
    shares = 100 * grid.distortion(np.hypot(*grid.nodes().T))
    assert abs(shares.max() + shares.min()) < 0.01  # points
    held = 0
    for seed in range(8):
        found = distortion_of(Light(snr=20, shading=0.3).capture(grid.ideal(), np.random.default_rng(seed)))
        off = np.abs(found.value - np.array([shares.min(), shares.max()]))
        held += bool(np.all(off <= 2 * found.standard_uncertainty))

    assert held >= 6


def test_where_lines_end_the_outermost_crossings_are_placed_as_well_as_doubted() -> None:
    """Truth: by construction; lines end 0.05 to 0.3 spacings beyond the rim of 24 charts; at least 21 within 2 u.

    A line with one arm told its slope by that arm alone, and the rim lay off by five times the noise of the others:
    held 44 of 60.
    """
    random = np.random.default_rng(22)
    off = []
    for _ in range(24):
        grid = Grid(
            rows=288, cols=288, spacing_px=random.uniform(24, 30), kind="lines", board=4,
            k1=random.uniform(-0.06, 0.06), turn_deg=random.uniform(-3, 3), overhang=random.uniform(0.05, 0.3),
        )  # fmt: skip
        found = distortion_of(Light(snr=25).capture(grid.ideal(), random))
        off.append((found.value - grid.distortion_max_percent()) / found.standard_uncertainty)

    assert np.count_nonzero(np.abs(off) <= 2) >= 21
    assert np.sqrt(np.mean(np.square(off))) <= 1.4


@pytest.mark.parametrize("seed", [2, 6, 9])
def test_noise_beyond_the_outermost_marks_is_not_taken_for_marks(seed: int) -> None:
    """Truth: by construction; small dots at an SNR of 8, of which the outermost counts, to 0.1 points.

    By the unrest about a place alone these were 0.5 to 1.1 points off, at an uncertainty of 0.03.
    """
    random = np.random.default_rng(seed)
    phase = (random.uniform(-0.5, 0.5), random.uniform(-0.5, 0.5))
    grid = Grid(rows=360, cols=480, spacing_px=36, mark_px=3.0, k1=-0.08, turn_deg=3.0, phase=phase, blur_px=1.4)
    capture = Light(snr=8, shading=0.5, dark=0.2).capture(grid.ideal(), random)

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.1)


@pytest.mark.parametrize("phase", [(0.13, 0.2), (0.4, 0.32), (0.13, 0.36)])
def test_whether_a_crossing_cut_by_the_border_counts_is_a_doubt(phase: tuple[float, float]) -> None:
    """Truth: k1 q^2 at the outermost crossing, whether it counts at its middle or as a whole with 2 px to spare."""
    grid = a_grid("lines", k1=-0.05, turn_deg=1.0, phase=phase)
    capture = Light(snr=40).capture(grid.ideal(), np.random.default_rng(14))
    truths = [
        100 * max(grid.distortion(np.hypot(*grid.nodes(margin_px=margin).T)), key=abs) for margin in (0.5, 1.2 + 2.2)
    ]

    found = distortion_of(capture)

    assert truths[0] != truths[1]
    for truth in truths:
        assert found.value == pytest.approx(truth, abs=2.1 * found.standard_uncertainty)


def test_a_chart_turned_about_its_upright_axis_is_not_taken_for_distortion() -> None:
    """Truth: by construction, a keystone of 6 % and k1 = -0.04; to 0.1 percentage points, with a warning."""
    grid = a_grid("dots", k1=-0.04, keystone=0.06)
    capture = Light(snr=60).capture(grid.ideal(), np.random.default_rng(8))

    measured = measure_grid(capture)

    assert measured.results[0].quantity.value == pytest.approx(grid.distortion_max_percent(), abs=0.1)
    assert any("not square" in warning for warning in measured.warnings)


def test_a_tilt_too_small_to_be_seen_is_thought_of() -> None:
    """Truth: k1 q^2 at the outermost dot. A keystone of 0.04 % looks like an axis that lies off.

    Of these charts, taken as square to the axis, 2 u holds none; as square or turned by degrees, 2 of 6.
    """
    random = np.random.default_rng(31)
    off = []
    for keystone in (0.0004, -0.0004) * 3:
        grid = a_grid("dots", k1=-0.1, keystone=keystone, turn_deg=random.uniform(-3, 3))
        found = distortion_of(Light(snr=35).capture(grid.ideal(), random))
        off.append((found.value - grid.distortion_max_percent()) / found.standard_uncertainty)

    assert np.count_nonzero(np.abs(off) <= 2) >= 5


@pytest.mark.parametrize(("spacing_px", "board"), [(60, None), (70, 2)])
def test_lines_that_a_lens_bends_strongly_cross_where_they_do(spacing_px: float, board: int | None) -> None:
    """Truth: by construction, without noise; read as its neighbours have it, the rim was off by 0.008 points."""
    grid = Grid(
        kind="lines", spacing_px=spacing_px, k1=-0.16, k2=0.09, turn_deg=2.5, phase=(0.1, 0.2), keystone=0.003,
        board=board, overhang=0.03,
    )  # fmt: skip

    assert distortion_of(still(grid.ideal())).value == pytest.approx(grid.distortion_max_percent(), abs=0.004)


def test_bright_lines_that_a_barrel_draws_thin_and_blur_makes_faint_lead_to_their_last_crossing() -> None:
    """Truth: k1 q^2 at the outermost crossing, where lines have half the contrast of the middle ones."""
    grid = Grid(kind="lines", mark_px=0.0, spacing_px=60, k1=-0.13, blur_px=2.0, phase=(0.1, 0.2), turn_deg=2.0)
    capture = Light(snr=40, shading=0.3, dark=0.03).capture(1 - grid.ideal(), np.random.default_rng(3))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.01)


@pytest.mark.parametrize("kind", ["dots", "squares"])
def test_a_foreshortened_chart_is_not_taken_for_distortion(kind: str) -> None:
    """Truth: k1 q^2; a chart turned by 3 degrees is 0.14 % narrower, and its halves differ by 2.6 %."""
    grid = a_grid(kind, k1=0.02, keystone=0.026, foreshortening=0.0014, turn_deg=2.0)
    capture = Light(snr=60).capture(grid.ideal(), np.random.default_rng(9))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.03)


def test_the_outer_corners_of_a_chessboard_are_no_crossings() -> None:
    """Truth: k1 q^2 at the outermost place where four squares meet."""
    grid = dataclasses.replace(a_grid("squares", k1=0.08, turn_deg=1.0), board=3)
    capture = Light(snr=60).capture(grid.ideal(), np.random.default_rng(10))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.05)


@pytest.mark.parametrize("rows", [300, 304, 310, 322])
def test_outer_corners_just_inside_the_picture_are_no_crossings(rows: int) -> None:
    """Truth: k1 q^2; the rim of the board lies 4 to 15 px from the picture's border, above and below."""
    grid = dataclasses.replace(a_grid("squares", k1=0.03, turn_deg=0.4), rows=rows, board=3)
    capture = Light(snr=15).capture(grid.ideal(), np.random.default_rng(10))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.1)


def test_a_few_large_squares_are_found_under_noise() -> None:
    """Truth: k1 q^2; 25 crossings in half a million pixels, whose noise makes more saddles than that."""
    grid = Grid(kind="squares", rows=613, cols=866, spacing_px=80, k1=-0.09, board=2)
    capture = Light(snr=8).capture(grid.ideal(), np.random.default_rng(3))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.15)


@pytest.mark.parametrize("kind", KINDS)
def test_more_noise_never_shrinks_the_uncertainty(kind: str) -> None:
    """Property: over falling SNR the uncertainty grows; no crossing lies at the border, whose doubt is not of noise."""
    grid = a_grid(kind, k1=-0.05, phase=(0.1, 0.1))
    uncertainties = []
    for snr in (100, 30, 10):
        capture = Light(snr=snr).capture(grid.ideal(), np.random.default_rng(9))
        uncertainties.append(distortion_of(capture).standard_uncertainty)

    assert uncertainties == sorted(uncertainties)


@pytest.mark.parametrize(
    ("kind", "k1", "k2", "turn_deg", "phase"),
    [
        ("lines", -0.117, -0.022, 4.12, (0.337, -0.404)),
        ("squares", -0.12, -0.02, 3.0, (0.4, 0.2)),
        ("squares", -0.115, -0.02, -3.0, (0.0, 0.2)),
    ],
)
def test_crossings_that_a_barrel_presses_together_are_doubted(
    kind: str, k1: float, k2: float, turn_deg: float, phase: tuple[float, float]
) -> None:
    """Truth by construction: where radii are drawn to a third and less, the outermost crossing is hardly seen."""
    grid = Grid(kind=kind, spacing_px=47.2, turn_deg=turn_deg, k1=k1, k2=k2, mark_px=0.0, blur_px=1.14, phase=phase)

    quantity = distortion_of(Light(snr=20).capture(grid.ideal(), np.random.default_rng(1)))

    off = abs(quantity.value - grid.distortion_max_percent())
    assert off < max(2 * quantity.standard_uncertainty, 0.1)


def test_value_and_two_u_hold_the_truth_about_95_times_in_100() -> None:
    """Coverage: 40 seeded grids of all kinds; the lower binomial bound at 95 %, 3 sigma, is 0.85.

    An uncertainty twice too wide would hold all of them: the root mean square of the error over it is asked for, too.
    """
    random = np.random.default_rng(17850)
    errors_over_u = []
    for number in range(40):
        grid = dataclasses.replace(
            a_grid(KINDS[number % 4]),
            rows=240,
            cols=320,
            spacing_px=27,
            k1=random.uniform(-0.1, 0.08),
            turn_deg=random.uniform(-4, 4),
            phase=(random.uniform(-0.5, 0.5), random.uniform(-0.5, 0.5)),
            centre_offset_px=(random.normal(0, 3), random.normal(0, 3)),
        )
        capture = Light(snr=random.uniform(10, 50), shading=0.3).capture(grid.ideal(), random)
        quantity = distortion_of(capture)
        errors_over_u.append((quantity.value - grid.distortion_max_percent()) / quantity.standard_uncertainty)

    assert np.mean(np.abs(errors_over_u) <= 2) >= 0.85
    assert math.sqrt(np.mean(np.square(errors_over_u))) > 0.6


def test_what_a_gentle_lens_does_to_dots_is_doubted_by_less_than_a_fiftieth_of_a_pixel() -> None:
    """A fixed 0.03 px through every lens was four times what charts of dots without noise showed."""
    grid = a_grid("dots", k1=-0.01)
    capture = Light(snr=60).capture(grid.ideal(), np.random.default_rng(17))

    (result,) = measure_grid(capture).results

    (line,) = (each for each in result.budget if each.source == "marks drawn out of shape by the lens")
    assert line.standard_uncertainty / 100 * math.hypot(grid.rows, grid.cols) / 2 < 0.02


def test_a_grid_that_does_not_reach_the_corners_is_told() -> None:
    """Truth: by construction, the grid fills the middle third."""
    exposure = a_grid("dots").ideal()
    exposure[:120], exposure[-120:], exposure[:, :120], exposure[:, -120:] = 1, 1, 1, 1
    capture = Light(snr=60).capture(exposure, np.random.default_rng(10))

    assert any("only" in warning for warning in measure_grid(capture).warnings)


@pytest.mark.parametrize("rows", [2, 40, 200])
def test_a_picture_without_a_grid_is_refused(rows: int) -> None:
    """Truth: by construction, noise alone."""
    capture = still(0.4 + np.random.default_rng(1).normal(0, 0.02, (rows, 300)))

    with pytest.raises(NothingToMeasure, match="no square grid"):
        measure_grid(capture)


def test_crossings_in_the_corners_of_a_strong_barrel_are_counted() -> None:
    """Truth: by construction, -24.3 % at a crossing 12 px from the corner; to 0.2 points.

    Three meshes lie between it and the outermost crossing that can be placed; looking two beyond gave -12 %.
    """
    grid = Grid(
        kind="lines",
        mark_px=0.0,
        spacing_px=57.0,
        turn_deg=2.7,
        k1=-0.103,
        k2=-0.028,
        blur_px=1.26,
        phase=(0.177, 0.037),
        centre_offset_px=(0.4, 5.2),
        keystone=-0.033,
    )
    capture = Light(snr=24, shading=0.3).capture(grid.ideal(), np.random.default_rng(42))

    assert distortion_of(capture).value == pytest.approx(grid.distortion_max_percent(), abs=0.2)


def test_a_barrel_that_folds_back_within_the_picture_is_told() -> None:
    """Truth from algebra: 1 - 3 · 0.22 q² is 0 at q = 1.23, seen at 82 % of half the diagonal; beyond 75 % is blank."""
    grid = a_grid("lines", k1=-0.22)
    y, x = np.mgrid[: grid.rows, : grid.cols]
    seen = np.hypot(x - grid.axis_px[0], y - grid.axis_px[1]) / grid.half_diagonal_px
    exposure = np.ones(seen.shape)
    exposure[seen < 0.75] = grid.ideal()[seen < 0.75]

    found = measure_grid(Light(snr=40).capture(exposure, np.random.default_rng(15)))

    assert any("82%" in warning and "fold back" in warning for warning in found.warnings)


def test_a_crossing_that_the_border_touches_may_count_or_not() -> None:
    """Truth from algebra: 4.12 % at a crossing 1.5 px from the border, 3.60 % without it; the interval holds both."""
    grid = a_grid("lines", k1=0.05, phase=(0.36, 0.1))
    counted, clear = (np.hypot(*grid.nodes(margin_px=margin).T).max() for margin in (0.0, 2.0))
    capture = Light(snr=40).capture(grid.ideal(), np.random.default_rng(14))

    found = distortion_of(capture)

    for radius in (counted, clear):
        truth = 100 * float(grid.distortion(radius))
        assert found.value == pytest.approx(truth, abs=2 * found.standard_uncertainty + 0.02)
    assert counted > clear + 15


def test_more_marks_than_any_chart_has_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth: by construction, about 100 dots where 50 are taken; a grid of 120 000 took half a minute and 1.8 GB."""
    monkeypatch.setattr("inspect_app.numerics.grids.grid_points.MOST_MARKS", 50)

    with pytest.raises(NothingToMeasure, match="no square grid"):
        measure_grid(Light(snr=40).capture(a_grid("dots").ideal(), np.random.default_rng(1)))


def test_a_saturated_picture_is_refused() -> None:
    """Truth: by construction, everything lies above full scale."""
    with pytest.raises(NothingToMeasure, match="no square grid"):
        measure_grid(Light(dark=1.2, bright=1.5).capture(a_grid("dots").ideal(), np.random.default_rng(1)))


def test_dots_strewn_at_random_are_no_grid() -> None:
    """Truth: by construction, 150 dots at random places."""
    random = np.random.default_rng(3)
    y, x = np.mgrid[:360, :480]
    exposure = np.full((360, 480), 0.7)
    for _ in range(150):
        exposure[np.hypot(x - random.uniform(10, 470), y - random.uniform(10, 350)) < 5] = 0.2

    with pytest.raises(NothingToMeasure, match="grid"):
        measure_grid(still(exposure))


def test_readings_by_hand_give_the_largest_share() -> None:
    """Truth: algebra; 95 for 100 is -5 %, its last digit 0.5 / sqrt(12) twice."""
    measured = measure_grid(None, point=["50,49.5", "100;95"], reading_step=0.5)

    quantity = measured.results[0].quantity
    assert quantity.value == pytest.approx(-5.0, abs=1e-9)
    assert quantity.standard_uncertainty == pytest.approx(0.5 / math.sqrt(12) * math.hypot(1, 0.95), rel=1e-9)


@pytest.mark.parametrize("point", ["100", "0,5", "a,b", "1,2,3"])
def test_a_reading_that_is_no_pair_of_distances_is_refused(point: str) -> None:
    """Truth: by definition."""
    with pytest.raises(UnusableInput, match=r"point|number"):
        measure_grid(None, point=[point])


def test_neither_picture_nor_points_is_refused() -> None:
    """Truth: by definition."""
    with pytest.raises(UnusableInput, match="neither"):
        measure_grid(None)


def test_lines_of_one_direction_hold_no_grid_even_where_noise_makes_crossings_of_them():
    """Truth by construction: upright lines every 50 px, dark by 0.4 on 0.6, under noise of 0.01."""
    across = np.arange(700) - np.round(np.arange(700) / 50) * 50
    lines = 0.6 - 0.4 * np.exp(-((across / 2) ** 2))
    for seed in range(6):
        picture = lines + np.random.default_rng(seed).normal(0, 0.01, (500, 700))
        with pytest.raises(NothingToMeasure):
            measure_grid(still(picture))
