"""Previews are pictures that can be recognised; the truth is the synthetic frame that was written."""

import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageFile

from inspect_app.capture.preview import film_frame, picture_size, preview_png
from tests.truth import hostile


def opened(png):
    return np.asarray(Image.open(io.BytesIO(png)))


def test_a_preview_is_no_larger_than_asked_and_keeps_the_shape(tmp_path):
    """Truth: 900 × 600 pixels shrink to 120 × 80."""
    Image.new("RGB", (900, 600), (10, 200, 30)).save(tmp_path / "photo.png")

    picture = opened(preview_png(tmp_path / "photo.png", 120))

    assert picture.shape == (80, 120, 3)
    assert tuple(picture[40, 60]) == (10, 200, 30)


@pytest.mark.parametrize("suffix", ["png", "tiff"])
def test_a_frame_near_starlight_is_stretched_until_it_can_be_seen(tmp_path, suffix):
    """Truth: the left half holds code 100 and the right half code 160 of 65 535; they must come out black and white."""
    codes = np.full((64, 96), 100, np.uint16)
    codes[:, 48:] = 160
    path = tmp_path / f"dark.{suffix}"
    if suffix == "png":
        Image.fromarray(codes).save(path)
    else:
        tifffile.imwrite(path, codes)

    picture = opened(preview_png(path, 96))

    assert picture[32, 10] == 0
    assert picture[32, 90] == 255


@pytest.mark.parametrize("content", [b"", b"time_s,voltage_v\n0,4.1\n", b"\x89PNG\r\n\x1a\n broken", b"II*\0 broken"])
def test_what_is_no_picture_has_no_preview(tmp_path, content):
    (tmp_path / "file").write_bytes(content)

    assert preview_png(tmp_path / "file", 100) is None


@pytest.mark.parametrize(
    "name",
    [
        "TIFF, a tag of 4 thousand million values",
        "TIFF, 3.6 thousand million pixels",
        "TIFF, a ring of pages",
        "TIFF, a strip that floods",
        "TIFF, cut",
        "PNG, 4 thousand million pixels",
        "JPEG, 4 thousand million pixels",
        "PNG, a flood of text",
        "MKV, cut",
        "a play list",
        "a list of films",
        "an SVG",
    ],
)
def test_a_hostile_file_has_no_preview_and_no_other_consequence(tmp_path, name, monkeypatch):
    """Truth: by construction, none of these holds a picture (tests/truth/hostile.py); printing may have come before."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    assert preview_png(hostile.put(tmp_path, name), 100) is None


def test_a_film_shows_its_first_frame(tmp_path):
    """Truth: by construction, the first frame is dark and all others are bright; to 3 codes of the coding."""
    frames = [np.full((48, 64), 30, np.uint8)] + [np.full((48, 64), 220, np.uint8)] * 9
    (tmp_path / "film.mp4").write_bytes(hostile.film(frames))

    assert opened(preview_png(tmp_path / "film.mp4", 64)) == pytest.approx(30, abs=3)


def test_a_frame_of_a_film_is_found_by_number_or_by_time_and_the_last_one_ends_it(tmp_path):
    """Truth: by construction, frame n has the level 20 n; to 3 codes of the coding."""
    frames = [np.full((48, 64), 20 * number, np.uint8) for number in range(10)]
    film = tmp_path / "film.mp4"
    film.write_bytes(hostile.film(frames))

    fourth, last = film_frame(film, 4, 64), film_frame(film, 99, 64)
    by_time = film_frame(film, 0, 64, at_ms=fourth.time_ms)

    assert opened(fourth.png) == pytest.approx(80, abs=3)
    assert (by_time.number, last.number) == (4, 9)


def test_the_size_of_a_picture_is_that_of_its_pixels_as_they_stand_upright(tmp_path):
    """EXIF orientation 6 puts rows in the place of columns (CIPA DC-008, tag 0112)."""
    exif = Image.Exif()
    exif[274] = 6
    Image.new("L", (30, 20)).save(tmp_path / "turned.jpg", exif=exif)
    Image.new("L", (30, 20)).save(tmp_path / "plain.png")
    (tmp_path / "film.mp4").write_bytes(hostile.film([np.zeros((48, 64), np.uint8)] * 2))
    (tmp_path / "log.csv").write_text("time_s,voltage_v\n0,4.1\n")

    sizes = [picture_size(tmp_path / name) for name in ("turned.jpg", "plain.png", "film.mp4", "log.csv")]

    assert sizes == [(20, 30), (30, 20), (64, 48), None]
