"""Films of a light and its picture, and of a blinking light, with exactly known times."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from scipy import ndimage

CLOCK = 90_000  # ticks a second of the files' time stamps


def write_film(
    path: Path,
    frames: Iterable[np.ndarray],
    times_s: Sequence[float],
    *,
    codec: str = "libx264",
    quality: int = 12,
    options: dict[str, str] | None = None,
) -> Path:
    """Write frames of 8-bit full-scale grey, shape (rows, cols), with their own time stamps; luma is studio range."""
    with av.open(str(path), "w") as container:
        stream = None
        for frame, time_s in zip(frames, times_s, strict=False):
            if stream is None:
                stream = container.add_stream(codec, rate=30)
                stream.height, stream.width = frame.shape
                stream.pix_fmt = "yuv420p"
                stream.time_base = stream.codec_context.time_base = Fraction(1, CLOCK)
                if codec == "libx264":
                    stream.options = {"crf": str(quality), "preset": "ultrafast", **(options or {})}
                elif options:
                    stream.options = options
            picture = av.VideoFrame.from_ndarray(_studio(frame), format="yuv420p")
            picture.pts, picture.time_base = round(time_s * CLOCK), Fraction(1, CLOCK)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    return path


def _studio(frame: np.ndarray) -> np.ndarray:
    rows, cols = frame.shape
    planes = np.full((rows * 3 // 2, cols), 128, dtype=np.uint8)
    planes[:rows] = np.round(16 + 219 * np.clip(frame, 0, 255) / 255.0)
    return planes


def lit(kind: str, width_s: float, since_s: np.ndarray) -> np.ndarray:
    """Return the integral of a response from its onset: ``step``, ``decay`` of time constant, ``ramp`` of length."""
    time = np.maximum(since_s, 0.0)
    if kind == "step" or width_s == 0:
        return time
    if kind == "decay":
        return time - width_s * (1 - np.exp(-time / width_s))
    inside = np.minimum(time, width_s)
    return inside**2 / (2 * width_s) + time - inside


def exposed(kind: str, width_s: float, onset_s: float, times_s: np.ndarray, open_s: float) -> np.ndarray:
    """Return the mean of a response over each frame's open time, from 0 before to 1 after."""
    since = times_s - onset_s
    return (lit(kind, width_s, since + open_s) - lit(kind, width_s, since)) / open_s


def latency_frames(
    rng: np.random.Generator,
    times_s: np.ndarray,
    stimulus: np.ndarray,
    response: np.ndarray,
    *,
    rows: int = 96,
    cols: int = 160,
    noise: float = 2.0,
    shake_px: float = 0.0,
    sway_px: float = 0.0,
    levels: tuple[float, float] = (25.0, 190.0),
) -> Iterable[np.ndarray]:
    """Yield frames of a bench: texture, an LED at the left, a screen at the right, perhaps shaken and noisy.

    `response` is one number a frame, or one for each row of the screen, shape (n, lines). Shake is another one in each
    frame, sway (rms) wanders over some frames.
    """
    texture = 40 + 12 * rng.standard_normal((rows // 4 + 3, cols // 4 + 3)).repeat(4, axis=0).repeat(4, axis=1)
    sway = sway_px * _wander(rng, len(stimulus)) if sway_px else np.zeros((len(stimulus), 2))
    y, x = np.mgrid[:rows, :cols].astype(float)
    low, high = levels
    top, bottom = 0.2 * rows, 0.8 * rows
    for light, picture, held in zip(stimulus, response, sway, strict=True):
        dx, dy = shake_px * rng.standard_normal(2) + held
        moved = ndimage.shift(texture, (dy, dx), order=1, mode="nearest") if dx or dy else texture
        scene = moved[4 : 4 + rows, 4 : 4 + cols].copy()
        screen = _soft_box(x - dx, y - dy, (0.45 * cols, top, 0.9 * cols, bottom))
        lines = np.atleast_1d(picture)
        shown = lines[np.clip((y[:, 0] - dy - top) / (bottom - top) * len(lines), 0, len(lines) - 1).astype(int)]
        scene = scene * (1 - screen) + (low + (high - low) * shown[:, None]) * screen
        spot = np.clip(5.5 - np.hypot(x - dx - 0.2 * cols, y - dy - 0.5 * rows), 0, 1)
        scene = scene * (1 - spot) + (30 + 210 * light) * spot
        yield np.clip(scene + noise * rng.standard_normal(scene.shape), 0, 255)


def _wander(rng: np.random.Generator, frames: int) -> np.ndarray:
    """Return a hand's path in x and y, shape (frames, 2), of standard deviation 1, remembered over six frames."""
    kept = np.exp(-np.arange(30) / 6)
    path = np.stack([np.convolve(rng.standard_normal(frames + 29), kept, "valid") for _ in range(2)], axis=1)
    return path / path.std(axis=0)


def _soft_box(x: np.ndarray, y: np.ndarray, edges: tuple[float, float, float, float]) -> np.ndarray:
    left, top, right, bottom = edges
    across = np.clip(x - left + 0.5, 0, 1) * np.clip(right - x + 0.5, 0, 1)
    return across * np.clip(y - top + 0.5, 0, 1) * np.clip(bottom - y + 0.5, 0, 1)


def uneven_times_s(rng: np.random.Generator, fps: float, frames: int, dropped: int = 2) -> np.ndarray:
    """Return when the frames of a variable rate are shot: intervals differ by some per cent, a few frames are gone."""
    times_s = np.cumsum(1 + rng.uniform(0, 0.15, frames + dropped)) / fps
    gone = 1 + rng.choice(frames + dropped - 2, size=dropped, replace=False)
    return np.delete(times_s - times_s[0], gone)


def half_s(kind: str, width_s: float) -> float:
    """Return when a response has gone half of its way, after its onset."""
    return width_s * float(np.log(2)) if kind == "decay" else width_s / 2


def latency_film(
    path: Path,
    rng: np.random.Generator,
    *,
    fps: float = 240.0,
    light_s: float | Sequence[float] = 0.15,
    lag_s: float = 0.05,
    kind: str = "step",
    width_s: float = 0.0,
    shutter: float = 1.0,
    frames: int = 120,
    times_s: np.ndarray | None = None,
    played_at_fps: float | None = None,
    quality: int = 12,
    **looks: float | int | tuple[float, float],
) -> Path:
    """Film a bench: the LED lights at the first `light_s`, goes out at the next ...; its picture changes `lag_s` later.

    `kind` is one of `lit`, or ``scan``: a screen that is renewed line by line, the last one `width_s` after the first.
    """
    shot = np.arange(frames) / fps if times_s is None else times_s
    open_s, lines = shutter / fps, np.linspace(0, width_s, 64) if kind == "scan" else np.zeros(1)
    stimulus, response = np.zeros(len(shot)), np.zeros((len(shot), len(lines)))
    own_kind, own_s = ("step", 0.0) if kind == "scan" else (kind, width_s)
    for number, moment_s in enumerate(np.atleast_1d(light_s)):
        sign = 1 - 2 * (number % 2)
        stimulus += sign * exposed("step", 0.0, moment_s, shot, open_s)
        response += sign * exposed(own_kind, own_s, moment_s + lag_s + lines, shot[:, None], open_s)
    stamps = shot if played_at_fps is None else shot * fps / played_at_fps
    return write_film(path, latency_frames(rng, shot, stimulus, response, **looks), stamps, quality=quality)


def blink_film(
    path: Path,
    rng: np.random.Generator,
    *,
    fps: float = 60.0,
    blink_hz: float = 3.7,
    duty: float = 0.5,
    frames: int = 240,
    dropped: Sequence[int] = (),
    shutter: float = 1.0,
    noise: float = 2.0,
    keep_gaps: bool = False,
) -> Path:
    """Film a blinking LED; frames of the numbers `dropped` are not in the film, its clock hides that by default."""
    numbers = np.array([number for number in range(frames) if number not in set(dropped)])
    open_s, period_s = shutter / fps, 1 / blink_hz
    moment_s = numbers / fps + rng.random() * period_s

    def lit_until(t: np.ndarray) -> np.ndarray:
        turns = np.floor(t / period_s)
        return turns * duty * period_s + np.minimum(t - turns * period_s, duty * period_s)

    light = (lit_until(moment_s + open_s) - lit_until(moment_s)) / open_s
    stamps = numbers / fps if keep_gaps else np.arange(len(numbers)) / fps
    still = np.zeros(len(light))
    return write_film(path, latency_frames(rng, numbers / fps, light, still, noise=noise), stamps)


def flickering_film(
    path: Path,
    rng: np.random.Generator,
    *,
    fps: float,
    lag_s: float,
    depth: float,
    decay_s: float,
    refresh_hz: float = 60.0,
    light_s: float = 0.15,
    frames: int = 130,
    quality: int = 12,
    **looks: float | int | tuple[float, float],
) -> Path:
    """Film a screen that lights up with a renewal and then loses `depth` of its light by a decay, until the next one.

    Means over the open time are taken at 40 instants of each frame.
    """
    shot = np.arange(frames) / fps
    since_s = shot[:, None] + (np.arange(40) + 0.5) / 40 / fps - light_s - lag_s
    glow = 1 - depth + depth * np.exp(-np.mod(since_s, 1 / refresh_hz) / decay_s)
    response = np.where(since_s >= 0, glow, 0.0).mean(axis=1)
    stimulus = exposed("step", 0.0, light_s, shot, 1 / fps)
    return write_film(path, latency_frames(rng, shot, stimulus, response, **looks), shot, quality=quality)
