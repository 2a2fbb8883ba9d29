"""Pictures of a field under a strobe through a rolling shutter, with exactly known readout time."""

from pathlib import Path

import numpy as np
import tifffile
from PIL import Image
from scipy.ndimage import gaussian_filter


def overlap(time_s: np.ndarray, strobe_hz: float, on_s: float, open_s: float) -> np.ndarray:
    """Return the share of each row's open time, from `time_s` on, during which the strobe is lit (closed form)."""
    period_s = 1 / strobe_hz

    def lit_until(moment_s: np.ndarray) -> np.ndarray:
        turns = np.floor(moment_s / period_s)
        return turns * on_s + np.minimum(moment_s - turns * period_s, on_s)

    return (lit_until(time_s + open_s) - lit_until(time_s)) / open_s


def strobe_picture(
    rng: np.random.Generator,
    *,
    readout_s: float = 0.0092,
    strobe_hz: float = 400.0,
    duty: float = 0.2,
    open_s: float = 0.0003,
    rows: int = 480,
    cols: int = 320,
    snr: float = 30.0,
    ambient: float = 0.05,
    texture: float = 0.0,
    fall_off: float = 0.2,
    level: float = 0.6,
    start: float | None = None,
) -> np.ndarray:
    """Return exposure of shape (rows, cols): bands times texture times vignette, plus noise.

    `snr` is the height of the bands over the noise of the mean of a row, `start` the share of the strobe's period that
    is over when the first row opens, by chance if it is not given.
    """
    start_s = (rng.random() if start is None else start) / strobe_hz
    row_s = start_s + np.arange(rows) * readout_s / rows
    band = overlap(row_s, strobe_hz, duty / strobe_hz, open_s)
    light = ambient + (1 - ambient) * band / max(band.max(), 1e-9)
    y, x = np.mgrid[:rows, :cols]
    radius = np.hypot((y - rows / 2) / (rows / 2), (x - cols / 2) / (cols / 2)) / 2**0.5
    scene = level * (1 - fall_off * radius**2) * (1 + texture * _smooth(rng, rows, cols))
    noise = level / snr * np.sqrt(cols)
    return scene * light[:, None] + noise * rng.standard_normal((rows, cols))


def _smooth(rng: np.random.Generator, rows: int, cols: int, grain_px: int = 12) -> np.ndarray:
    coarse = rng.standard_normal((rows // grain_px + 2, cols // grain_px + 2))
    y, x = np.arange(rows) / grain_px, np.arange(cols) / grain_px
    i, j = y.astype(int), x.astype(int)
    fy, fx = (y - i)[:, None], (x - j)[None, :]
    return (
        coarse[np.ix_(i, j)] * (1 - fy) * (1 - fx)
        + coarse[np.ix_(i + 1, j)] * fy * (1 - fx)
        + coarse[np.ix_(i, j + 1)] * (1 - fy) * fx
        + coarse[np.ix_(i + 1, j + 1)] * fy * fx
    )


def patterned(
    rng: np.random.Generator,
    rows: int,
    cols: int,
    kind: str,
    *,
    depth: float = 0.12,
    grain_px: float = 12.0,
    lean_deg: float = 3.0,
) -> np.ndarray:
    """Return what stands behind a field, by which its light is multiplied, shape (rows, cols): about 1 ± `depth`.

    ``bricks`` lie in courses of half a grain with dark joints, a ``weave`` repeats every two grains and leans by
    `lean_deg`, lower on the right, ``blobs`` have a standard width of one grain.
    """
    y, x = np.mgrid[:rows, :cols]
    if kind == "bricks":
        high, wide = max(6, round(grain_px / 2)), round(2 * grain_px)
        joints = (y % high < 2) | ((x + (y // high % 2) * wide // 2) % wide < 2)
        tones = rng.standard_normal((rows // high + 1, cols // wide + 2))
        raised = np.where(joints, -1.5, 0.5 * tones[y // high, (x + (y // high % 2) * wide // 2) // wide])
    elif kind == "weave":
        lean = np.deg2rad(lean_deg)
        along, across = x * np.cos(lean) + y * np.sin(lean), y * np.cos(lean) - x * np.sin(lean)
        raised = np.sin(np.pi * along / grain_px) + np.sin(np.pi * across / grain_px)
    else:
        raised = gaussian_filter(rng.standard_normal((rows, cols)), grain_px, mode="wrap")
    return np.clip(1 + depth * (raised - raised.mean()) / raised.std(), 0.05, None)


def in_round_field(
    rng: np.random.Generator,
    picture: np.ndarray,
    *,
    radius_px: float,
    row: float,
    col: float,
    blur_px: float = 1.5,
    noise: float = 0.02,
) -> np.ndarray:
    """Return a picture as through a tube: dark but for noise beyond a round border that is blurred a little."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    lit = 1 / (1 + np.exp((np.hypot(y - row, x - col) - radius_px) / blur_px))
    return picture * lit + (1 - lit) * noise * rng.standard_normal(picture.shape)


def busy(rng: np.random.Generator, picture: np.ndarray) -> np.ndarray:
    """Return a picture with dark things before it, upright stripes behind it, light from one side, or none of these."""
    rows, cols = picture.shape
    seen = picture.copy()
    kind = rng.choice(["things", "stripes", "side", "plain"])
    if kind == "stripes":
        seen *= 1 + rng.uniform(0.02, 0.12) * np.sign(np.sin(np.arange(cols) * rng.uniform(0.05, 0.4)))
    if kind == "side":
        seen *= 1 + rng.uniform(-0.5, 0.5) * np.linspace(-1, 1, rows)[:, None]
    for _ in range(int(rng.integers(2, 7)) if kind == "things" else 0):
        high, wide = int(rng.integers(10, rows // 4)), int(rng.integers(8, cols // 3))
        top, left = int(rng.integers(0, rows - high)), int(rng.integers(0, cols - wide))
        seen[top : top + high, left : left + wide] *= rng.uniform(0.4, 1.0)
    return seen


def write_video_frame(path: Path, exposure: np.ndarray) -> Path:
    """Write exposure 0 to 1 as an 8-bit grey PNG with the transfer curve of sRGB (IEC 61966-2-1)."""
    light = np.clip(exposure, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    Image.fromarray(np.round(255 * codes).astype(np.uint8)).save(path)
    return path


def write_picture(path: Path, exposure: np.ndarray) -> Path:
    """Write exposure 0 to 1 as a 16-bit grey TIFF."""
    codes = np.round(np.clip(exposure + 0.02, 0, 1) * 65535).astype(np.uint16)
    tifffile.imwrite(path, codes, photometric="minisblack")
    return path
