"""A file is what its bytes say, whatever it is called."""

import hashlib
import os

import imagecodecs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.capture import Log, Still, read
from inspect_app.capture._read import printable
from inspect_app.errors import UnusableInput

PICTURE = imagecodecs.png_encode(np.arange(64, dtype=np.uint8).reshape(8, 8))


def keep(folder, content, name):
    path = folder / name
    path.write_bytes(content)
    return path


def test_a_picture_called_a_table_is_still_a_picture(tmp_path):
    (capture,) = read(keep(tmp_path, PICTURE, "log.csv"))

    assert isinstance(capture, Still)


def test_a_table_called_a_picture_is_still_a_table(tmp_path):
    (capture,) = read(keep(tmp_path, b"time_s,voltage_v\n0,4.1\n60,4.0\n", "edge.png"), kinds=("log",))

    assert isinstance(capture, Log)


def test_the_digest_is_that_of_the_bytes(tmp_path):
    (capture,) = read(keep(tmp_path, PICTURE, "a.png"))

    assert capture.sha256 == hashlib.sha256(PICTURE).hexdigest()


def test_a_kept_file_is_called_as_it_was_at_the_bench(tmp_path):
    path = keep(tmp_path, PICTURE, "ab12cd")

    assert read(path, name="edge.png")[0].name == "edge.png"
    assert read(path)[0].name == "ab12cd"


def test_the_role_is_handed_on(tmp_path):
    assert read(keep(tmp_path, PICTURE, "a.png"), role="dark")[0].role == "dark"


def test_a_link_is_followed(tmp_path):
    keep(tmp_path, PICTURE, "a.png")
    link = tmp_path / "link.png"
    link.symlink_to("a.png")

    assert isinstance(read(link)[0], Still)


@pytest.mark.parametrize(
    ("kinds", "wanted"), [(("film",), "takes a film"), (("film", "log"), "takes a film or a table")]
)
def test_a_capture_of_the_wrong_kind_is_refused_by_its_kind(tmp_path, kinds, wanted):
    with pytest.raises(UnusableInput, match=f"it is a picture; this check {wanted}"):
        read(keep(tmp_path, PICTURE, "a.mp4"), kinds=kinds)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(UnusableInput, match=r"^absent.png: there is no such file"):
        read(tmp_path / "absent.png")


def test_a_folder_a_pipe_and_a_ring_of_links_are_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "ring").symlink_to("ring")

    with pytest.raises(UnusableInput, match="a folder"):
        read(tmp_path)
    with pytest.raises(UnusableInput, match="not an ordinary file"):
        read(tmp_path / "pipe")
    with pytest.raises(UnusableInput, match="cannot be opened"):
        read(tmp_path / "ring")
    with pytest.raises(UnusableInput, match="cannot be opened"):
        read(tmp_path / ("long" * 100))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_the_right_to_read_is_refused(tmp_path):
    path = keep(tmp_path, PICTURE, "a.png")
    path.chmod(0)

    with pytest.raises(UnusableInput, match="may not be read"):
        read(path)


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (b"", "empty"),
        (b"GIF89a" + bytes(20), "GIF"),
        (b"BM" + bytes(60), "BMP"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "WebP"),
        (b"RIFF\x00\x00\x00\x00WAVEfmt ", "sound"),
        (b"%PDF-1.7\n%\xe2\xe3", "PDF"),
        (b"PK\x03\x04" + bytes(30), "ZIP"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1", "HEIC"),
        (b"P5 8 8 255\n" + bytes(64), "PGM"),
        (b"SIMPLE  =                    T", "FITS"),
        (bytes(4096), "neither"),
        (b"\x01\x02\x03" * 100, "neither"),
    ],
)
def test_a_file_of_another_kind_is_named_for_what_it_is(tmp_path, content, seen):
    with pytest.raises(UnusableInput, match=seen) as caught:
        read(keep(tmp_path, content, "bench.png"), kinds=("still", "film", "log"))

    assert caught.value.where == "bench.png"


def test_a_name_with_a_line_break_stays_one_line(tmp_path):
    with pytest.raises(UnusableInput) as caught:
        read(keep(tmp_path, b"", "two\nlines.png"))

    assert "\n" not in str(caught.value)


@given(st.text())
def test_every_name_can_be_printed_and_printing_twice_changes_nothing(name):
    """Property: idempotent, one line, encodable."""
    shown = printable(name)

    assert shown.encode("utf-8").decode("utf-8") == shown
    assert "\n" not in shown
    assert printable(shown) == shown


def outcome_of_reading(path):
    """Say that captures came, or which file the refusal names."""
    try:
        read(path, kinds=("still", "film", "log"))
    except UnusableInput as error:
        return error.where
    return "captures"


@settings(max_examples=150, deadline=None)
@given(place=st.integers(0, len(PICTURE) - 1), value=st.integers(0, 255), end=st.one_of(st.none(), st.integers(0, 200)))
def test_a_changed_byte_gives_a_capture_or_one_clear_refusal(tmp_path_factory, place, value, end):
    """Property: whatever is done to the bytes, nothing but UnusableInput comes out."""
    content = bytearray(PICTURE)
    content[place] = value
    path = keep(tmp_path_factory.getbasetemp(), bytes(content[:end]), "changed.png")

    outcome = outcome_of_reading(path)

    assert outcome in ("captures", "changed.png")
