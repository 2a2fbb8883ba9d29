"""Reading films: exact time stamps, exact codes, and clear words about what cannot be read."""

import io
from fractions import Fraction

import av
import numpy as np
import pytest

from inspect_app.capture.film import read_film
from inspect_app.errors import UnusableInput
from tests.truth.films import write_film


def read(path, transfer="linear"):
    return read_film(path, name=path.name, role="scene", transfer=transfer, sha256="0")


def grey_film(path, count=12, codec="libx264", size=(48, 64)):
    times = [0.0, 0.01, 0.015, *(0.02 + 0.004 * k for k in range(count - 3))]
    frames = [np.full(size, 10.0 * k) for k in range(count)]
    return write_film(path, frames, times, codec=codec), times


def test_time_stamps_are_those_of_the_file_to_its_tick(tmp_path):
    """Truth by construction: uneven times, the clock ticks 90 000 times a second."""
    path, times = grey_film(tmp_path / "a.mp4")

    seen = [time_s for time_s, _ in read(path).open_frames()]

    assert seen == pytest.approx(times, abs=1 / 90_000)


def test_of_two_frames_in_one_millisecond_of_a_coarse_clock_the_second_is_later(tmp_path):
    """Matroska counts whole milliseconds: the third frame, at 1.4 ms, is stamped like the second."""
    frames = [np.full((48, 64), 10.0 * k) for k in range(5)]
    path = write_film(tmp_path / "a.mkv", frames, [0, 0.0012, 0.0014, 0.003, 0.004], codec="ffv1")

    seen = [time_s for time_s, _ in read(path).open_frames()]

    assert seen == pytest.approx([0, 0.001, 0.0015, 0.003, 0.004], abs=1e-9)


def test_a_coarse_clock_that_stands_still_is_refused(tmp_path):
    frames = [np.full((48, 64), 10.0 * k) for k in range(5)]
    path = write_film(tmp_path / "a.mkv", frames, [0, 0.001, 0.0012, 0.0014, 0.003], codec="ffv1")

    with pytest.raises(UnusableInput, match="stands still"):
        list(read(path).open_frames())


@pytest.mark.parametrize(("name", "codec"), [("a.mkv", "ffv1"), ("a.mp4", "libx264"), ("a.mkv", "libx264")])
def test_exposure_is_proportional_to_the_grey_that_was_filmed(tmp_path, name, codec):
    """Truth by construction: frame k is grey 10 k of 255; one code of 219 is 0.0046."""
    times = [k / 50 for k in range(12)]
    frames = [np.full((48, 64), 10.0 * k) for k in range(12)]
    path = write_film(tmp_path / name, frames, times, codec=codec)

    seen = [float(exposure.mean()) for _, exposure in read(path).open_frames()]

    assert seen == pytest.approx([10 * k / 255 for k in range(12)], abs=0.01)


def test_the_transfer_is_applied_to_every_frame(tmp_path):
    """Algebra: power 2 squares the linear exposure."""
    path, _ = grey_film(tmp_path / "a.mp4")

    linear = [exposure.mean() for _, exposure in read(path).open_frames()]
    squared = [exposure.mean() for _, exposure in read(path, "power:2").open_frames()]

    assert squared == pytest.approx(np.square(linear), abs=1e-6)


def test_a_film_can_be_passed_through_twice(tmp_path):
    film = read(grey_film(tmp_path / "a.mp4")[0])

    assert sum(1 for _ in film.open_codes()) == sum(1 for _ in film.open_codes()) == 12


def test_full_range_films_reach_from_zero_to_one(tmp_path):
    """Truth by construction: JPEG range, codes 0 and 255."""
    path = tmp_path / "full.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "gray"
        for level in (0, 255):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(np.full((48, 64), level, np.uint8), "gray")))
        container.mux(stream.encode())

    seen = [float(exposure.mean()) for _, exposure in read(path).open_frames()]

    assert seen == pytest.approx([0.0, 1.0], abs=1e-9)


def test_a_truncated_film_is_refused(tmp_path):
    path, _ = grey_film(tmp_path / "a.mp4", count=60)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])

    with pytest.raises(UnusableInput, match="cut short"):
        read(path)


def dropping_film(path):
    """Write 90 frames of 100, every tenth dropped by the camera: an AVI counts those too."""
    shown = [k for k in range(100) if k % 10 != 5]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        for k in shown:
            picture = av.VideoFrame.from_ndarray(np.full((72, 64), 100, dtype=np.uint8), format="yuvj420p")
            picture.pts, picture.time_base = k, Fraction(1, 30)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    return path, shown


def test_a_film_whose_camera_dropped_frames_is_not_taken_for_one_that_is_cut_short(tmp_path):
    path, shown = dropping_film(tmp_path / "d.avi")

    seen = [time_s for time_s, _ in read(path).open_frames()]

    assert seen == pytest.approx([k / 30 for k in shown])


def test_a_film_with_dropped_frames_that_is_cut_short_is_refused(tmp_path):
    path, _ = dropping_film(tmp_path / "d.avi")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])

    with pytest.raises(UnusableInput, match="cut short"):
        list(read(path).open_frames())


@pytest.mark.parametrize("content", [b"", b"not a film at all " * 100, bytes(range(256)) * 20])
def test_what_is_no_film_is_refused(tmp_path, content):
    path = tmp_path / "no.mp4"
    path.write_bytes(content)

    with pytest.raises(UnusableInput, match="not a film"):
        read(path)


def test_a_play_list_that_names_other_files_is_not_followed(tmp_path):
    """A play list could make the reader open other files or addresses."""
    other, _ = grey_film(tmp_path / "other.mp4")
    listed = tmp_path / "list.mp4"
    listed.write_text(f"ffconcat version 1.0\nfile {other.name}\n")

    with pytest.raises(UnusableInput, match="not a film"):
        read(listed)


def test_a_gif_is_refused_because_of_its_clock(tmp_path):
    path = tmp_path / "a.gif"
    path.write_bytes(b"GIF89a" + bytes(40))

    with pytest.raises(UnusableInput, match="hundredths"):
        read(path)


def test_sound_without_a_picture_is_refused(tmp_path):
    path = tmp_path / "sound.mkv"
    sound = io.BytesIO()
    with av.open(sound, "w", format="matroska") as container:
        stream = container.add_stream("pcm_s16le", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        container.mux(stream.encode(frame))
    path.write_bytes(sound.getvalue())

    with pytest.raises(UnusableInput, match="no picture track"):
        read(path)
