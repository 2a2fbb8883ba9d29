"""The readout check against pictures of strobe bands whose readout time is exact by construction."""

import itertools
import re

import numpy as np
import pytest

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure import measure
from inspect_app.measure._strobe_picture import Strobe, _surer, clearest
from tests.truth.sensor import still_of
from tests.truth.strobe import in_round_field, patterned, strobe_picture, write_picture


def readout_of(path, **options):
    measured = measure("readout", {"scene": [path]}, options)
    return {result.quantity_name: result.quantity for result in measured.results}


@pytest.mark.parametrize(
    ("readout_ms", "strobe_hz", "tolerance"), [(9.2, 400, 0.005), (14.0, 200, 0.01), (9.2, 200, 0.02)]
)
def test_the_readout_time_is_rows_over_the_row_frequency_of_the_bands(tmp_path, readout_ms, strobe_hz, tolerance):
    """Truth by construction; 2.8 bands over 14 ms and 1.84 over 9.2 ms at 200 Hz: common practice, no source."""
    picture = strobe_picture(np.random.default_rng(5), readout_s=readout_ms / 1000, strobe_hz=strobe_hz, snr=30)

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=strobe_hz)

    assert found["readout_time"].value == pytest.approx(readout_ms, rel=tolerance)
    assert found["line_time"].value == pytest.approx(readout_ms * 1000 / 480, rel=tolerance)


def test_the_sensor_rows_change_the_line_time_only(tmp_path):
    """Algebra: a picture scaled to 480 rows of a sensor of 1080."""
    path = write_picture(tmp_path / "bands.tif", strobe_picture(np.random.default_rng(6)))

    as_stored, as_sensor = readout_of(path, strobe_hz=400), readout_of(path, strobe_hz=400, rows=1080)

    assert as_sensor["readout_time"] == as_stored["readout_time"]
    assert as_sensor["line_time"].value == pytest.approx(as_stored["line_time"].value * 480 / 1080)


def test_a_picture_turned_by_a_quarter_reads_the_same(tmp_path):
    """Two orientations of one picture."""
    picture = strobe_picture(np.random.default_rng(7), texture=0.03)
    upright = readout_of(write_picture(tmp_path / "a.tif", picture), strobe_hz=400)["readout_time"]

    turned = readout_of(write_picture(tmp_path / "b.tif", np.rot90(picture)), strobe_hz=400)["readout_time"]

    assert turned.value == pytest.approx(upright.value, abs=2 * upright.standard_uncertainty)


def test_gain_offset_and_flip_do_not_move_the_result(tmp_path):
    """Invariance: half of the light, more black level, upside down."""
    picture = strobe_picture(np.random.default_rng(8), ambient=0.1)
    plain = readout_of(write_picture(tmp_path / "a.tif", picture), strobe_hz=400)["readout_time"]

    changed = readout_of(write_picture(tmp_path / "b.tif", 0.5 * picture[::-1] + 0.1), strobe_hz=400)["readout_time"]

    assert changed.value == pytest.approx(plain.value, abs=2 * plain.standard_uncertainty)


@pytest.mark.parametrize(
    "change",
    [
        lambda light: light[:, 40:-60],
        lambda light: np.pad(light, ((0, 0), (40, 30))),
        lambda light: light[:, ::-1],
        lambda light: np.round(255 * light) / 255,
    ],
    ids=["cropped", "padded", "mirrored", "eight bits"],
)
def test_what_stands_beside_the_bands_and_how_finely_they_are_stored_does_not_move_the_result(tmp_path, change):
    """Property: crop and padding at the sides, flip and bit depth; fewer columns hold a little more noise."""
    picture = strobe_picture(np.random.default_rng(9), snr=60, texture=0.03, level=0.5)
    plain = readout_of(write_picture(tmp_path / "a.tif", picture), strobe_hz=400)["readout_time"]

    changed = readout_of(write_picture(tmp_path / "b.tif", change(picture)), strobe_hz=400)["readout_time"]

    assert abs(changed.value - plain.value) <= changed.standard_uncertainty


def test_a_picture_cut_short_keeps_its_line_time(tmp_path):
    """Property: crop of rows; three quarters of them take three quarters of the time."""
    picture = strobe_picture(np.random.default_rng(9), readout_s=0.0127)
    whole, cut = (
        readout_of(write_picture(tmp_path / f"{name}.tif", seen), strobe_hz=400)["line_time"]
        for name, seen in (("a", picture), ("b", picture[:360]))
    )

    assert cut.value == pytest.approx(whole.value, abs=2 * cut.standard_uncertainty)


def test_upside_down_the_doubt_is_the_same_where_light_falls_off_and_a_black_level_hides_it(tmp_path):
    """Invariance: 1.79 quiet bands before light that falls by half; pedestal and fall-off trade places in the fit."""
    rng = np.random.default_rng(8)
    bands = rng.uniform(1.5, 2.4)
    duty, open_s = rng.uniform(0.1, 0.3), rng.uniform(0.05, 0.15) / 400
    quiet = {"rows": 400, "cols": 160, "snr": 300, "ambient": 0.2, "fall_off": 0.5}
    picture = strobe_picture(rng, readout_s=bands / 400, duty=duty, open_s=open_s, **quiet)

    above, below = (
        readout_of(write_picture(tmp_path / f"{number}.tif", seen), strobe_hz=400)["readout_time"]
        for number, seen in enumerate((picture, picture[::-1]))
    )

    assert above.value == pytest.approx(2.5 * bands, abs=2 * above.standard_uncertainty)
    assert below.value == pytest.approx(2.5 * bands, abs=2 * below.standard_uncertainty)
    assert above.standard_uncertainty == pytest.approx(below.standard_uncertainty, rel=0.2)


@pytest.mark.parametrize("readout_ms", [4.0, 2.5])
def test_less_than_one_band_is_refused_with_the_strobe_frequency_to_use(tmp_path, readout_ms):
    """0.8 and 0.5 bands: the period is not in the picture."""
    picture = strobe_picture(np.random.default_rng(9), readout_s=readout_ms / 1000, strobe_hz=200)

    with pytest.raises(NothingToMeasure, match=r"strobe of at least \d{3,4} Hz"):
        readout_of(write_picture(tmp_path / "few.tif", picture), strobe_hz=200)


def test_one_rising_and_one_falling_edge_are_refused_where_less_than_a_band_would_look_the_same(tmp_path):
    """1.4 bands, lit for a fifth: from 0.2 of a period on, edges of each kind are seen once; from 0.6 on, twice."""
    edges_once, edges_twice = (
        write_picture(
            tmp_path / f"{start}.tif",
            strobe_picture(np.random.default_rng(13), readout_s=1.4 / 400, strobe_hz=400, start=start),
        )
        for start in (0.2, 0.6)
    )

    with pytest.raises(NothingToMeasure, match="less than one full period"):
        readout_of(edges_once, strobe_hz=400)
    assert readout_of(edges_twice, strobe_hz=400)["readout_time"].value == pytest.approx(3.5, rel=0.02)


def test_bands_of_a_flash_about_as_long_as_the_exposure_are_found_between_one_and_two(tmp_path):
    """Truth by construction: 1.4 triangles, of which every start of the fit made one with less than a full period."""
    looks = {"duty": 0.45, "open_s": 0.459 / 400, "rows": 240, "cols": 40, "snr": 100, "ambient": 0.2, "fall_off": 0.27}
    picture = strobe_picture(np.random.default_rng(50), readout_s=1.404 / 400, start=0.973, **looks)

    found = readout_of(write_picture(tmp_path / "triangles.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(3.51, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.01 * found.value


def test_of_several_pictures_the_one_that_shows_a_full_period_is_measured(tmp_path):
    """Truth by construction: 1.4 bands; in the first picture edges of each kind are seen once, in the second twice."""
    pictures = [
        write_picture(
            tmp_path / f"{start}.tif",
            strobe_picture(np.random.default_rng(13), readout_s=1.4 / 400, rows=240, cols=160, start=start),
        )
        for start in (0.2, 0.6)
    ]

    measured = measure("readout", {"scene": pictures}, {"strobe_hz": 400})

    found = measured.results[0].quantity
    assert found.value == pytest.approx(3.5, abs=2 * found.standard_uncertainty)
    assert any("of 2 pictures, 0.6.tif tells most" in warning for warning in measured.warnings)


@pytest.mark.parametrize(("duty", "bands", "start"), [(0.06, 1.4, 0.2), (0.45, 1.2, 0.1)])
def test_the_usual_shares_of_a_strobe_bound_the_count_of_a_band_that_is_seen_once(tmp_path, duty, bands, start):
    """Truth by construction: band or gap are such that a strobe lit for 5 to 50 % shows a full period."""
    picture = strobe_picture(
        np.random.default_rng(19), readout_s=bands / 400, duty=duty, open_s=5e-5, rows=240, cols=160, start=start
    )

    measured = measure("readout", {"scene": [write_picture(tmp_path / "one.tif", picture)]}, {"strobe_hz": 400})

    found = measured.results[0].quantity
    assert found.value == pytest.approx(2.5 * bands, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty > 0.03 * found.value
    assert any("distance of the bands is not seen" in warning for warning in measured.warnings)


@pytest.mark.parametrize("seed", [1, 3, 4, 9, 11, 21])
def test_light_that_fades_over_a_quarter_of_a_band_is_not_taken_for_one(tmp_path, seed):
    """Truth by construction: 0.24 bands behind a texture, blurred by a shutter that is open for 74 % of the period."""
    picture = strobe_picture(
        np.random.default_rng(seed),
        readout_s=0.24 / 800,
        strobe_hz=800,
        duty=0.24,
        open_s=0.74 / 800,
        snr=100,
        texture=0.06,
        fall_off=0.3,
        ambient=0.3,
        start=seed % 10 / 10,
        rows=240,
        cols=200,
    )

    with pytest.raises(NothingToMeasure, match=r"[Uu]se a strobe of"):
        readout_of(write_picture(tmp_path / "faded.tif", picture), strobe_hz=800)


def test_a_field_that_is_clipped_in_the_middle_is_not_taken_for_one_band(tmp_path):
    """Nothing there: no strobe, the light falls off from a middle that is clipped."""
    picture = strobe_picture(np.random.default_rng(20), duty=1.0, fall_off=0.5, level=1.6, snr=300)

    with pytest.raises(NothingToMeasure):
        readout_of(write_picture(tmp_path / "clipped.tif", picture), strobe_hz=400)


def test_a_known_duty_tells_the_readout_time_from_one_band(tmp_path):
    """Truth by construction: 1.3 bands, one edge of each kind; lit for a fifth of the period, told to 1 %."""
    scene = {"readout_s": 1.3 / 400, "strobe_hz": 400, "duty": 0.2, "open_s": 0.0002, "start": 0.6, "snr": 200}
    picture = strobe_picture(np.random.default_rng(15), **scene)
    path = write_picture(tmp_path / "one.tif", picture)

    found = readout_of(path, strobe_hz=400, strobe_duty=0.2)["readout_time"]

    assert found.value == pytest.approx(3.25, abs=2 * found.standard_uncertainty)
    assert 0.005 < found.standard_uncertainty / found.value < 0.03
    with pytest.raises(NothingToMeasure, match="strobe-duty"):
        readout_of(path, strobe_hz=400)


def test_a_duty_by_which_one_band_would_be_two_is_refused(tmp_path):
    """Truth by construction: 1.3 bands, one edge of each kind, lit for a fifth; told 45 %, it would be 2.9 of them."""
    scene = {"readout_s": 1.3 / 400, "strobe_hz": 400, "duty": 0.2, "open_s": 0.0002, "start": 0.6, "snr": 200}
    path = write_picture(tmp_path / "one.tif", strobe_picture(np.random.default_rng(15), **scene))

    with pytest.raises(NothingToMeasure, match="less than one full period"):
        readout_of(path, strobe_hz=400, strobe_duty=0.45)


def test_a_known_duty_does_not_move_what_several_bands_tell(tmp_path):
    """Invariance: three bands and a half tell their distance themselves."""
    path = write_picture(tmp_path / "bands.tif", strobe_picture(np.random.default_rng(16), duty=0.2))
    plain = readout_of(path, strobe_hz=400)["readout_time"]

    told = readout_of(path, strobe_hz=400, strobe_duty=0.2)["readout_time"]

    assert told.value == pytest.approx(plain.value, abs=2 * plain.standard_uncertainty)


def test_a_known_duty_does_not_lose_bands_that_a_texture_makes_look_lit_for_longer_or_less(tmp_path):
    """Truth by construction: 1.55 bands before a strong texture; held to the told 42 %, they fitted as none do."""
    scene = {"readout_s": 1.55 / 400, "duty": 0.42, "open_s": 0.1 / 400, "rows": 240, "cols": 120, "start": 0.55}
    looks = {"snr": 12, "texture": 0.25, "ambient": 0.35, "level": 0.5}
    path = write_picture(tmp_path / "texture.tif", strobe_picture(np.random.default_rng(5), **scene, **looks))

    measured = measure("readout", {"scene": [path]}, {"strobe_hz": 400, "strobe_duty": 0.42})

    found = measured.results[0].quantity
    assert found.value == pytest.approx(3.875, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.1 * found.value
    sources = [part.source for part in measured.results[0].budget]  # the distance is seen, and tells it alone
    assert not any("duty" in source for source in sources)


def test_a_black_level_does_not_hide_how_the_light_falls_off(tmp_path):
    """The light falls off by 80 % to the corners, the camera's black level does not: 1.8 bands at a row SNR of 20."""
    picture = strobe_picture(
        np.random.default_rng(14), readout_s=1.8 / 400, fall_off=0.8, snr=20, level=0.4, ambient=0.05, start=0.6
    )

    found = readout_of(write_picture(tmp_path / "dark.tif", picture + 0.03), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(4.5, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.05


def test_an_even_field_without_bands_is_refused(tmp_path):
    """Nothing there: the strobe is lit throughout."""
    picture = strobe_picture(np.random.default_rng(10), duty=1.0, texture=0.02)

    with pytest.raises(NothingToMeasure, match="no bands"):
        readout_of(write_picture(tmp_path / "even.tif", picture), strobe_hz=200)


@pytest.mark.parametrize("is_turned", [False, True])
def test_things_in_the_picture_are_not_taken_for_bands(tmp_path, is_turned):
    """Nothing there: no strobe, but dark things before the left half, whose edges repeat down the picture."""
    picture = strobe_picture(np.random.default_rng(17), duty=1.0)
    for top in (40, 200, 360):
        picture[top : top + 80, :130] *= 0.5

    with pytest.raises(NothingToMeasure, match="no bands"):
        readout_of(write_picture(tmp_path / "things.tif", picture.T if is_turned else picture), strobe_hz=400)


@pytest.mark.parametrize("is_framed", [True, False])
def test_a_field_that_is_darker_at_its_sides_shows_its_bands_there_in_proportion(tmp_path, is_framed):
    """Truth by construction: 3.2 bands; two fifths of the columns beyond the field, or a third a third as bright."""
    picture = strobe_picture(np.random.default_rng(31), readout_s=3.2 / 400, duty=0.4, texture=0.1)
    if is_framed:
        picture[:, :64] *= 0.03
        picture[:, 256:] *= 0.03
    else:
        picture[:, :110] *= 0.35

    found = readout_of(write_picture(tmp_path / "sides.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(8.0, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.05


@pytest.mark.parametrize("kind", ["dots", "dots set off", "wedge", "turned wedge"])
def test_charts_whose_parts_repeat_are_not_taken_for_bands(tmp_path, kind):
    """Nothing there: no strobe, but rows of dots that strips of the picture share, or steps of a wedge."""
    y, x = np.mgrid[:320, :240]
    away = np.hypot((x + (20 * (y // 40 % 2) if kind == "dots set off" else 0)) % 40 - 20, y % 40 - 20)
    chart = 0.8 - 0.6 * (away < 7) if "dots" in kind else 0.1 + 0.04 * (y // 20)
    chart = chart + 0.01 * np.random.default_rng(77).standard_normal(chart.shape)

    with pytest.raises(NothingToMeasure, match="no bands"):
        readout_of(write_picture(tmp_path / "chart.tif", chart.T if kind == "turned wedge" else chart), strobe_hz=200)


@pytest.mark.parametrize("kind", ["stripes", "clipped", "things"])
def test_bands_over_columns_that_differ_are_measured(tmp_path, kind):
    """Truth by construction: upright stripes, light from one side that is clipped, and dark things at one side."""
    picture = strobe_picture(np.random.default_rng(78), readout_s=0.0112, rows=240, cols=160, snr=20, ambient=0.2)
    if kind == "stripes":
        picture *= 1 + 0.3 * np.sign(np.sin(np.arange(160) / 3))
    if kind == "clipped":
        picture *= np.linspace(0.5, 2.2, 160)
    if kind == "things":
        for top in (20, 130):
            picture[top : top + 40, 10:40] *= 0.6

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(11.2, abs=2.5 * found.standard_uncertainty)


def test_upright_stripes_behind_an_even_field_are_not_taken_for_bands_of_a_turned_picture(tmp_path):
    """Nothing there: the strobe is lit throughout, stripes of 15 % stand behind the field."""
    stripes = 1 + 0.15 * np.sign(np.sin(np.arange(320) / 9))
    picture = strobe_picture(np.random.default_rng(18), duty=1.0) * stripes

    with pytest.raises(NothingToMeasure, match="no bands"):
        readout_of(write_picture(tmp_path / "stripes.tif", picture), strobe_hz=400)


@pytest.mark.parametrize(
    ("bands", "radius_px", "is_turned"), [(3.3, 180.0, False), (4.6, 240.0, False), (6.1, 150.0, True)]
)
def test_bands_in_a_tubes_round_field_count_over_the_whole_height(tmp_path, bands, radius_px, is_turned):
    """Truth by construction: the light ends at a round border, the sensor's rows do not."""
    rng = np.random.default_rng(int(10 * bands))
    picture = strobe_picture(rng, readout_s=bands / 400, rows=420, cols=360, snr=20.0, texture=0.08)
    seen = in_round_field(rng, picture, radius_px=radius_px, row=200.0, col=190.0)
    path = write_picture(tmp_path / "tube.tif", seen.T if is_turned else seen)

    measured = measure("readout", {"scene": [path]}, {"strobe_hz": 400})

    found = measured.results[0].quantity
    assert found.value == pytest.approx(bands / 0.4, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.005 * found.value
    assert any("round border" in warning for warning in measured.warnings)


def test_a_round_field_in_which_less_than_a_period_is_lit_is_refused(tmp_path):
    """Truth by construction: 1.2 bands over the whole height, but 0.6 of them where there is light."""
    rng = np.random.default_rng(5)
    picture = strobe_picture(rng, readout_s=1.2 / 400, rows=420, cols=360, snr=20.0, start=0.5)
    seen = in_round_field(rng, picture, radius_px=120.0, row=210.0, col=180.0)

    with pytest.raises(NothingToMeasure, match="Hz"):
        readout_of(write_picture(tmp_path / "tube.tif", seen), strobe_hz=400)


@pytest.mark.parametrize(
    ("duty", "ambient", "grain_px", "seed"), [(0.25, 0.7, 36, 0), (0.25, 0.7, 36, 2), (0.45, 0.6, 30, 3)]
)
def test_a_texture_stronger_and_as_coarse_as_the_bands_does_not_hide_them(tmp_path, duty, ambient, grain_px, seed):
    """Truth by construction: 3.3 faint bands before blobs of two fifths of the light."""
    rng = np.random.default_rng(seed)
    scene = {"readout_s": 3.3 / 400, "duty": duty, "open_s": 0.0006, "ambient": ambient, "snr": 40, "level": 0.3}
    picture = strobe_picture(rng, rows=600, cols=300, **scene)
    picture *= patterned(rng, 600, 300, "blobs", depth=0.4, grain_px=grain_px)

    found = readout_of(write_picture(tmp_path / "blobs.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(3.3 / 0.4, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.015 * found.value


@pytest.mark.parametrize("seed", [3, 4])
def test_a_texture_that_moves_the_shares_of_strips_does_not_hide_short_bands(tmp_path, seed):
    """Truth by construction: 3.3 bands of a short flash before blobs that are twice as coarse as they are wide."""
    rng = np.random.default_rng(seed)
    scene = {"readout_s": 3.3 / 400, "duty": 0.08, "open_s": 0.0002, "ambient": 0.6, "snr": 40, "level": 0.3}
    picture = strobe_picture(rng, rows=600, cols=300, **scene)
    picture *= patterned(rng, 600, 300, "blobs", depth=0.35, grain_px=40)

    found = readout_of(write_picture(tmp_path / "blobs.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(3.3 / 0.4, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.01 * found.value


@pytest.mark.parametrize("kind", ["bricks", "weave", "blobs"])
def test_a_pattern_behind_the_field_is_not_taken_for_bands(tmp_path, kind):
    """Nothing there: courses of bricks, a weave that leans by 3 degrees, blobs as coarse as a third of the picture."""
    rng = np.random.default_rng(25)
    picture = strobe_picture(rng, duty=1.0, snr=300) * patterned(rng, 480, 320, kind)

    with pytest.raises(NothingToMeasure, match=r"no bands|less than one full period"):
        readout_of(write_picture(tmp_path / f"{kind}.tif", 0.8 * picture), strobe_hz=400)


@pytest.mark.parametrize(("lean_deg", "is_turned"), [(0.9, False), (-2.0, True)])
def test_a_weave_that_leans_is_told_from_bands_by_its_lean(tmp_path, lean_deg, is_turned):
    """Nothing there: stripes of four tenths of the light, lower by 3 or 6 rows at one side than at the other."""
    rng = np.random.default_rng(28)
    behind = patterned(rng, 240, 180, "weave", depth=0.4, grain_px=30.0, lean_deg=lean_deg)
    picture = 0.8 * strobe_picture(rng, duty=1.0, snr=100, rows=240, cols=180) * behind

    with pytest.raises(NothingToMeasure, match=r"lean by \d+\.\d (rows|columns).*even field"):
        readout_of(write_picture(tmp_path / "weave.tif", picture.T if is_turned else picture), strobe_hz=400)


def test_many_faint_bands_are_measured_where_they_are_surely_level(tmp_path):
    """Truth by construction: 20.3 bands that change the light by a quarter; and fine stripes that lean by 3 rows."""
    picture = strobe_picture(np.random.default_rng(31), readout_s=20.3 / 400, ambient=0.75, snr=60, level=0.3)
    rng = np.random.default_rng(32)
    weave = strobe_picture(rng, duty=1.0, snr=100, level=0.5)
    weave *= patterned(rng, 480, 320, "weave", depth=0.25, grain_px=12.0, lean_deg=0.5)

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(20.3 / 0.4, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.002 * found.value
    with pytest.raises(NothingToMeasure, match=r"no bands|lean"):
        readout_of(write_picture(tmp_path / "weave.tif", weave), strobe_hz=400)


def test_level_courses_of_bricks_are_not_taken_for_bands(tmp_path):
    """Nothing there: dark joints every 15 rows, between which no course is like the next."""
    rng = np.random.default_rng(29)
    picture = strobe_picture(rng, duty=1.0, snr=200, rows=240, cols=180)
    picture *= patterned(rng, 240, 180, "bricks", depth=0.4, grain_px=30.0)

    with pytest.raises(NothingToMeasure, match="no bands"):
        readout_of(write_picture(tmp_path / "bricks.tif", 0.7 * picture), strobe_hz=400)


@pytest.mark.parametrize(
    ("snr", "starts", "told"),
    [(60, (0.3,), r"lean by \d"), (400, (0.3,), ""), (60, (0.3, 0.3), "same place"), (60, (0.3, 0.7), "")],
)
def test_a_warning_tells_of_stripes_unless_the_bands_are_level_beyond_doubt_or_move(tmp_path, snr, starts, told):
    """Truth by construction: faint bands in one picture, or in two with the same or another start of the strobe."""
    scene = {"readout_s": 3.2 / 400, "ambient": 0.6, "rows": 240, "cols": 160, "snr": snr}
    pictures = [
        write_picture(
            tmp_path / f"{number}.tif", strobe_picture(np.random.default_rng(40 + number), start=start, **scene)
        )
        for number, start in enumerate(starts)
    ]

    measured = measure("readout", {"scene": pictures}, {"strobe_hz": 400})

    of_stripes = [each for each in measured.warnings if "stripes" in each]
    assert [bool(re.search(told, each)) for each in of_stripes] == [True] * bool(told)
    assert measured.results[0].quantity.value == pytest.approx(8.0, rel=0.01)


@pytest.mark.parametrize(("bands", "dark_rows", "is_flipped"), [(14.73, 40, False), (12.3, 80, True), (9.5, 92, False)])
def test_the_arc_in_which_a_field_ends_at_the_top_or_the_bottom_is_not_taken_for_bands(
    tmp_path, bands, dark_rows, is_flipped
):
    """Truth by construction: a clear picture, whose bands were refused, or taken for half as many."""
    strobe_hz, rows, cols = bands / 0.0092, 740, 410
    rng = np.random.default_rng(21)
    picture = strobe_picture(rng, rows=rows, cols=cols, strobe_hz=strobe_hz, snr=840, ambient=0.45, fall_off=0.4)
    y, x = np.mgrid[:rows, :cols]
    picture *= np.hypot(y - (rows - dark_rows - 447), x - cols / 2) < 447
    picture = np.clip(picture + 0.002 * rng.standard_normal(picture.shape), 0, 1)
    path = write_picture(tmp_path / "bands.tif", picture[::-1] if is_flipped else picture)

    found = readout_of(path, strobe_hz=strobe_hz)["readout_time"]

    assert found.value == pytest.approx(9.2, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.01 * 9.2


@pytest.mark.parametrize("is_turned", [False, True])
def test_a_dark_frame_at_two_sides_is_not_taken_for_a_band(tmp_path, is_turned):
    """Truth: there are none. As a band it would be lit for 94 % of the period, with borders as of a flash of none."""
    rng = np.random.default_rng(41)
    picture = np.full((720, 404), 0.24)
    picture[:, :12] = picture[:, -12:] = 0.09
    picture = np.clip(picture + 0.04 * rng.standard_normal(picture.shape), 0, 1)

    with pytest.raises(NothingToMeasure, match="no bands are seen"):
        readout_of(write_picture(tmp_path / "framed.png", picture.T if is_turned else picture), strobe_hz=400.0)


def test_one_edge_alone_is_no_band(tmp_path):
    """0.32 bands, lit for 44 %: the light goes out once, and no strobe of a usual share shows that as a band."""
    picture = strobe_picture(
        np.random.default_rng(26), readout_s=0.32 / 400, duty=0.44, open_s=3e-5, start=0.2, snr=100, fall_off=0.4
    )

    with pytest.raises(NothingToMeasure, match="less than one full period"):
        readout_of(write_picture(tmp_path / "edge.tif", picture), strobe_hz=400)


def test_a_texture_as_coarse_as_the_bands_is_in_the_uncertainty(tmp_path):
    """Coverage at k = 2 over 10 seeded pictures: at least 8 hold the truth (binomial, p 0.95, chance below 0.02)."""
    rng = np.random.default_rng(27)
    held = 0
    for number in range(10):
        bands = rng.uniform(2, 5)
        picture = strobe_picture(rng, readout_s=bands / 400, duty=rng.uniform(0.1, 0.5), snr=200, rows=320, cols=160)
        behind = patterned(rng, 320, 160, "blobs", depth=0.1, grain_px=rng.uniform(5, 12))
        found = readout_of(write_picture(tmp_path / f"{number}.tif", picture * behind), strobe_hz=400)["readout_time"]
        held += abs(found.value - 1000 * bands / 400) <= 2 * found.standard_uncertainty

    assert held >= 8


@pytest.mark.parametrize(("bands", "texture"), [(1.7, 0.0), (2.4, 0.05), (3.1, 0.0), (4.6, 0.05), (6.2, 0.1)])
def test_more_noise_never_shrinks_the_uncertainty(tmp_path, bands, texture):
    """Property: the same noise times 1.5, 2 and 4; by chance u may fall by 4.7 %, 1/sqrt(2 x 230) (GUM, E.4.3)."""
    doubts = [
        readout_of(
            write_picture(
                tmp_path / f"{times}.tif",
                strobe_picture(
                    np.random.default_rng(round(10 * bands)),
                    readout_s=bands / 400,
                    snr=30 / times,
                    texture=texture,
                    rows=240,
                    cols=160,
                    level=0.3,
                ),
            ),
            strobe_hz=400,
        )["readout_time"].standard_uncertainty
        for times in (1, 1.5, 2, 4)
    ]

    assert all(more > 0.953 * less for less, more in itertools.pairwise(doubts))


def test_the_uncertainty_covers_the_truth_as_often_as_it_claims(tmp_path):
    """Coverage at k = 2 over 16 seeded pictures: at least 13 hold the truth (binomial, p 0.95, chance below 0.01)."""
    rng = np.random.default_rng(12)
    held = 0
    for number in range(16):
        bands = rng.uniform(1.8, 6)
        picture = strobe_picture(
            rng,
            readout_s=bands / 400,
            duty=rng.uniform(0.05, 0.5),
            snr=float(np.exp(rng.uniform(np.log(3), np.log(30)))),
            texture=0.03,
            rows=240,
            cols=160,
            level=0.3,
        )
        found = readout_of(write_picture(tmp_path / f"{number}.tif", picture), strobe_hz=400)["readout_time"]
        held += abs(found.value - 1000 * bands / 400) <= 2 * found.standard_uncertainty

    assert held >= 13


def test_clipping_hides_little_of_the_distance_of_several_bands(tmp_path):
    """Truth by construction: three bands whose tops are cut off at three quarters of their height."""
    rng = np.random.default_rng(8)
    picture = np.minimum(strobe_picture(rng, readout_s=0.0075, snr=100, level=1.2, duty=0.3), 0.98)

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(7.5, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.0015 * 7.5


def test_bands_in_clipped_noise_that_are_gone_once_it_is_brought_back_are_refused(tmp_path, monkeypatch):
    """By construction: the same picture is measured when its noise is brought back, and its bands with it."""
    picture = strobe_picture(np.random.default_rng(61), readout_s=3.2 / 400, snr=12, duty=0.3, rows=320, cols=160)
    path = write_picture(tmp_path / "clipped.tif", picture)
    assert (picture < 0).mean() > 0.1

    assert readout_of(path, strobe_hz=400)["readout_time"].value == pytest.approx(8.0, rel=0.01)

    def without_bands(light, _):
        return np.random.default_rng(62).normal(0.3, 0.1, light.shape)

    monkeypatch.setattr("inspect_app.measure._strobe_picture.unclipped", without_bands)
    with pytest.raises(NothingToMeasure, match="no bands are seen that are surely a strobe's"):
        readout_of(path, strobe_hz=400)


def test_of_clipped_noise_that_shows_another_count_once_it_is_brought_back_that_one_is_measured(tmp_path, monkeypatch):
    """By construction: a picture of 3.2 bands, and one of 4.2 in place of what is brought back."""
    picture = strobe_picture(np.random.default_rng(61), readout_s=3.2 / 400, snr=12, duty=0.3, rows=320, cols=160)
    other = strobe_picture(np.random.default_rng(62), readout_s=4.2 / 400, snr=12, duty=0.3, rows=320, cols=160)
    monkeypatch.setattr("inspect_app.measure._strobe_picture.unclipped", lambda *_: other)

    found = readout_of(write_picture(tmp_path / "clipped.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(10.5, abs=3 * found.standard_uncertainty)


@pytest.mark.parametrize(("snr", "is_measured"), [(20, True), (6, False)])
def test_one_to_two_bands_in_clipped_noise_are_measured_as_brought_back_where_that_leaves_less_doubt(
    tmp_path, monkeypatch, snr, is_measured
):
    """By construction: a picture of 1.8 bands, and another of as many in place of what is brought back."""
    scene = {"readout_s": 1.8 / 400, "duty": 0.3, "rows": 160, "cols": 80, "start": 0.85}
    path = write_picture(tmp_path / "clipped.tif", strobe_picture(np.random.default_rng(61), snr=12, **scene))
    other = strobe_picture(np.random.default_rng(64), snr=snr, **scene)
    monkeypatch.setattr("inspect_app.measure._strobe_picture.unclipped", lambda *_: None)
    as_it_is = readout_of(path, strobe_hz=400)["readout_time"]
    monkeypatch.setattr("inspect_app.measure._strobe_picture.unclipped", lambda *_: other)

    found = readout_of(path, strobe_hz=400)["readout_time"]

    assert (found.value != as_it_is.value) is is_measured
    assert found.value == pytest.approx(4.5, abs=2 * found.standard_uncertainty)


def test_bands_that_are_deep_only_once_clipped_noise_is_brought_back_stay_as_faint_as_they_are_seen() -> None:
    """By construction: bands under one and a half times as much steady light, and quieter ones without any."""
    scene = {"readout_s": 1.8 / 400, "duty": 0.3, "rows": 160, "cols": 80, "start": 0.85}
    pictures = (
        strobe_picture(np.random.default_rng(61), snr=20, ambient=1.5, **scene),
        strobe_picture(np.random.default_rng(64), snr=120, **scene),
    )
    faint, deep = (clearest([still_of(0.3 * picture)], Strobe(400)) for picture in pictures)

    surer = _surer(faint, deep)

    assert surer.found.parameters is deep.found.parameters
    assert surer.depth == faint.depth < 0.5 < deep.depth
    assert surer.most_lean == max(faint.most_lean, deep.most_lean)


def test_the_doubt_of_a_quiet_picture_is_a_few_hundredths_of_a_row(tmp_path):
    """Truth by construction; the generator's clock, 100 ppm, leaves 0.006 % besides."""
    picture = strobe_picture(np.random.default_rng(9), readout_s=0.0125, rows=240, snr=1500, ambient=0.1)

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(12.5, abs=2 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.08 / 240 * 12.5


def test_edges_that_lie_between_two_rows_are_in_the_doubt(tmp_path):
    """Coverage at k = 2 of ten quiet pictures whose exposure is 0.2 to 0.9 rows: nine at least (binomial, p 0.95)."""
    rng = np.random.default_rng(17)
    held, sharp = 0, []
    for number in range(10):
        readout_s = rng.uniform(2, 6) / 400
        picture = strobe_picture(
            rng, readout_s=readout_s, open_s=rng.uniform(0.2, 0.9) * readout_s / 240, rows=240, cols=40, snr=1500
        )
        found = readout_of(write_picture(tmp_path / f"{number}.tif", picture), strobe_hz=400)["readout_time"]
        held += abs(found.value - 1000 * readout_s) <= 2 * found.standard_uncertainty
        sharp.append(found.standard_uncertainty / found.value * 240)

    assert held >= 9
    assert max(sharp) < 0.5


def test_rows_that_are_averaged_do_not_shorten_the_picture(tmp_path):
    """Truth by construction: of 1301 rows, three at a time, two are left over; 0.15 % of the readout time."""
    picture = strobe_picture(np.random.default_rng(41), readout_s=0.0115, strobe_hz=400, rows=1301, cols=64, snr=200)

    found = readout_of(write_picture(tmp_path / "bands.tif", picture), strobe_hz=400)["readout_time"]

    assert found.value == pytest.approx(11.5, abs=3 * found.standard_uncertainty)
    assert found.standard_uncertainty < 0.0005 * 11.5


def test_counted_bands_over_the_strobe_frequency_are_the_readout_time():
    """Common practice, no source: 2.8 bands at 200 Hz are 14 ms; a reading to 0.1 at both ends is 0.1 / √6 bands."""
    measured = measure("readout", {}, {"strobe_hz": "200", "bands_counted": ["2.8", "2.8"], "rows": "1000"})

    time, per_line = (result.quantity for result in measured.results)
    assert time.value == pytest.approx(14.0)
    assert time.standard_uncertainty == pytest.approx(0.1 / 6**0.5 * 5)
    assert per_line.value == pytest.approx(14.0)


def test_less_than_one_counted_band_is_refused():
    with pytest.raises(NothingToMeasure, match="strobe"):
        measure("readout", {}, {"strobe_hz": 200, "bands_counted": [0.8]})


def test_neither_picture_nor_counts_is_told():
    with pytest.raises(UnusableInput, match="--bands-counted"):
        measure("readout", {}, {"strobe_hz": 200})


@pytest.mark.parametrize(("black_level", "told"), [(0.0, True), (0.1, False)])
def test_a_warning_tells_of_a_picture_that_is_dark_between_bands_and_has_no_black_level(tmp_path, black_level, told):
    """Truth by construction: between short bands noise is about black, or five deviations above it."""
    picture = (
        strobe_picture(np.random.default_rng(31), duty=0.1, ambient=0.0, snr=540, fall_off=0.0) + black_level - 0.02
    )

    measured = measure("readout", {"scene": [write_picture(tmp_path / "dark.tif", picture)]}, {"strobe_hz": 400})

    assert any("raise the camera's black level" in warning for warning in measured.warnings) is told
