"""Films off the bench: a light and its late picture, and a blinking light as the device records it."""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Final

import av
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CAMERA_HZ: Final = 240.0  # the bench's high-speed camera
FLASHES: Final = 4
FLASH_PERIOD_S: Final = 0.4
FLASH_S: Final = 0.2
FIRST_FLASH_S: Final = 0.12
SCREEN_DECAY_S: Final = 0.004
LATENCY_JITTER_MS: Final = 1.5  # the screen's refresh is not in step with the light; its mean is zero over the flashes
CLOCK_HZ: Final = 90_000
NOISE_CODES: Final = 1.5

BLINK_HZ: Final = 2.0
RECORDED_S: Final = 5.0


def flash_latencies_ms(latency_ms: float, random: np.random.Generator) -> FloatArray:
    """Return the latency of each flash: evenly spread about the mean, in random order."""
    return latency_ms + random.permutation(np.linspace(-LATENCY_JITTER_MS, LATENCY_JITTER_MS, FLASHES))


def latency_film(path: Path, latency_ms: float, random: np.random.Generator) -> None:
    """Film a light that flashes four times beside the device's picture of it, 240 frames a second."""
    late_s = flash_latencies_ms(latency_ms, random) / 1000
    on_s = FIRST_FLASH_S + FLASH_PERIOD_S * np.arange(FLASHES) + random.uniform(0, 1 / CAMERA_HZ, FLASHES)
    times_s = np.arange(round((FIRST_FLASH_S + FLASH_PERIOD_S * FLASHES) * CAMERA_HZ)) / CAMERA_HZ
    light, picture = np.zeros(times_s.size), np.zeros(times_s.size)
    for start_s, lag_s in zip(on_s, late_s, strict=True):
        light += _seen(times_s - start_s, 0.0) - _seen(times_s - start_s - FLASH_S, 0.0)
        since_s = times_s - start_s - lag_s
        picture += _seen(since_s, SCREEN_DECAY_S) - _seen(since_s - FLASH_S, SCREEN_DECAY_S)
    _write(path, _bench_frames(light, picture, random), times_s)


def _seen(since_s: FloatArray, rise_s: float) -> FloatArray:
    """Return the mean over each frame's open time of a light that rises at 0 with a time constant."""
    end, start = since_s + 1 / CAMERA_HZ, since_s
    return (_integral(end, rise_s) - _integral(start, rise_s)) * CAMERA_HZ


def _integral(since_s: FloatArray, rise_s: float) -> FloatArray:
    time_s = np.maximum(since_s, 0.0)
    return time_s if rise_s == 0 else time_s - rise_s * (1 - np.exp(-time_s / rise_s))


def _bench_frames(light: FloatArray, picture: FloatArray, random: np.random.Generator) -> Iterator[FloatArray]:
    rows, cols = 64, 104
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    lamp = np.clip(6.5 - np.hypot(x - 20, y - 32), 0, 1)
    screen = _soft(x, 44, 96) * _soft(y, 12, 52)
    ground = 42 + 6 * np.sin(x / 9) * np.cos(y / 7)
    for lit, shown in zip(light, picture, strict=True):
        frame = ground * (1 - screen) + (28 + 170 * shown) * screen
        frame = frame * (1 - lamp) + (34 + 205 * lit) * lamp
        yield frame + NOISE_CODES * random.standard_normal(frame.shape)


def _soft(along: FloatArray, first: float, last: float) -> FloatArray:
    return np.clip(along - first + 0.5, 0, 1) * np.clip(last - along + 0.5, 0, 1)


def blink_film(path: Path, frame_rate_hz: float, frames_dropped: int, random: np.random.Generator) -> None:
    """Record a blinking light with the device: frames that it drops are missing, the stamps of the rest are true."""
    times_s = np.arange(round(RECORDED_S * frame_rate_hz)) / frame_rate_hz
    gone = 1 + random.choice(times_s.size - 2, size=frames_dropped, replace=False)
    times_s = np.delete(times_s, gone)
    phase = random.uniform(0, 1)
    light = _blink_seen(times_s * BLINK_HZ + phase, BLINK_HZ / frame_rate_hz)
    _write(path, _lamp_frames(light, random), times_s)


def _blink_seen(turn: FloatArray, open_turns: float) -> FloatArray:
    """Return the share of each frame's open time with the light on, which is the first half of each turn."""

    def until(at: FloatArray) -> FloatArray:
        whole = np.floor(at)
        return whole / 2 + np.minimum(at - whole, 0.5)

    return (until(turn + open_turns) - until(turn)) / open_turns


def _lamp_frames(light: FloatArray, random: np.random.Generator) -> Iterator[FloatArray]:
    rows, cols = 64, 96
    y, x = np.mgrid[:rows, :cols].astype(np.float64)
    lamp = np.clip(13.5 - np.hypot(x - 48, y - 32), 0, 1)
    for lit in light:
        frame = 38 * (1 - lamp) + (30 + 200 * lit) * lamp
        yield frame + NOISE_CODES * random.standard_normal(frame.shape)


def _write(path: Path, frames: Iterator[FloatArray], times_s: FloatArray) -> None:
    """Write full-scale grey frames with their own time stamps as H.264; one thread, so that the bytes repeat."""
    with av.open(str(path), "w") as container:
        stream = None
        for frame, time_s in zip(frames, times_s, strict=True):
            if stream is None:
                stream = container.add_stream("libx264", rate=30, options={"crf": "14", "preset": "ultrafast"})
                stream.height, stream.width = frame.shape
                stream.pix_fmt = "yuv420p"
                stream.codec_context.thread_count = 1
                stream.time_base = stream.codec_context.time_base = Fraction(1, CLOCK_HZ)
            shown = av.VideoFrame.from_ndarray(_studio_planes(frame), format="yuv420p")
            shown.pts, shown.time_base = round(time_s * CLOCK_HZ), Fraction(1, CLOCK_HZ)
            container.mux(stream.encode(shown))
        if stream is not None:
            container.mux(stream.encode())


def _studio_planes(frame: FloatArray) -> npt.NDArray[np.uint8]:
    """Return luma of studio range (16 to 235, ITU-R BT.709) above two planes of no colour."""
    rows, cols = frame.shape
    planes = np.full((rows * 3 // 2, cols), 128, dtype=np.uint8)
    planes[:rows] = np.rint(16 + 219 * np.clip(frame, 0, 255) / 255)
    return planes
