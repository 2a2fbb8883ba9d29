"""Whole captures of every kind that the readers know, small enough to be measured by the thousand."""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import imagecodecs
import numpy as np
import tifffile
from PIL import Image

from tests.truth.discharge import Discharge
from tests.truth.edges import Chart, Edge, Light, Square
from tests.truth.films import exposed, latency_frames, write_film
from tests.truth.grids import Grid
from tests.truth.sensor import Sensor
from tests.truth.strobe import strobe_picture
from tests.truth.wedges import Wedge

Scene = Callable[[np.random.Generator], np.ndarray]

PICTURE_CHECKS = ("slanted-edge", "distortion", "blemish", "noise", "readout", "step-wedge")


@dataclass(frozen=True, kw_only=True)
class Capture:
    """The bytes of a whole file, the ending of its name, and the checks that take it."""

    content: bytes
    ending: str
    checks: Sequence[str]


def _edge(random: np.random.Generator) -> np.ndarray:
    return Edge(rows=70, cols=50, normal_deg=random.uniform(-20, 110)).capture(random, Light(snr=20)).exposure


def _chart(random: np.random.Generator) -> np.ndarray:
    square = Square(centre_x=80, centre_y=60, side_px=60, turn_deg=random.uniform(3, 12))
    return Light(snr=40).capture(Chart(rows=120, cols=160, squares=(square,)).ideal(), random).exposure


def _grid(random: np.random.Generator) -> np.ndarray:
    kind = str(random.choice(["dots", "crosses", "lines", "squares"]))
    grid = Grid(rows=140, cols=180, spacing_px=26, k1=-0.05, kind=kind, mark_px=5 if kind in ("dots", "crosses") else 0)
    return Light(snr=40).capture(grid.ideal(), random).exposure


def _bands(random: np.random.Generator) -> np.ndarray:
    return strobe_picture(random, rows=240, cols=40)


def _wedge(random: np.random.Generator) -> np.ndarray:
    sensor = Sensor(full_well_e=20_000, read_noise_e=3, bits=12)
    wedge = Wedge(sensor=sensor, steps=12, step_px=(14, 24), gap_px=(3, 3), room_px=(12, 12), frames=1)
    return wedge.stills()[0].exposure


def _field(random: np.random.Generator) -> np.ndarray:
    y, x = np.mgrid[:130, :150]
    disc = 0.6 / (1 + np.exp(np.clip(np.hypot(x - 74, y - 63) - 56, -30, 30)))
    disc[50:56, 70:75] *= 0.5
    return disc + random.normal(0, 0.01, disc.shape)


def _flat(random: np.random.Generator) -> np.ndarray:
    return 0.4 + random.normal(0, 0.02, (90, 110))


def _tiny(random: np.random.Generator) -> np.ndarray:
    return random.random((int(random.integers(1, 9)), int(random.integers(1, 9))))


def _thin(random: np.random.Generator) -> np.ndarray:
    picture = random.random((int(random.integers(1, 4)), int(random.integers(200, 3000))))
    return picture if random.random() < 0.5 else picture.T


def _wide(random: np.random.Generator) -> np.ndarray:
    picture = np.full((int(random.integers(600, 1500)), int(random.integers(600, 1500))), 0.3)
    picture[:, int(random.integers(0, picture.shape[1])) :] = 0.7
    return picture + random.normal(0, 0.02, picture.shape)


SCENES: Sequence[tuple[Scene, Sequence[str], int]] = (
    (_edge, ("slanted-edge",), 6),
    (_chart, ("slanted-edge",), 4),
    (_grid, ("distortion",), 6),
    (_bands, ("readout",), 6),
    (_wedge, ("step-wedge",), 6),
    (_field, ("blemish",), 6),
    (_flat, ("noise", "blemish"), 6),
    (_tiny, PICTURE_CHECKS, 3),
    (_thin, PICTURE_CHECKS, 3),
    (_wide, PICTURE_CHECKS, 1),
)
"""Scene, the checks that it was made for, and how often it is taken."""


def spoilt(picture: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Return a scene with something wrong in the light itself: saturated, black, constant, cut, doubled, turned."""
    rows, cols = picture.shape
    ways: Sequence[Callable[[], np.ndarray]] = (
        lambda: picture * random.choice([0.0, 1e-4, 0.02, 3.0, 50.0]),
        lambda: np.full_like(picture, random.choice([0.0, 0.5, 1.0])),
        lambda: np.where(random.random(picture.shape) < 0.3, random.choice([0.0, 1.0]), picture),
        lambda: picture[: int(random.integers(1, rows + 1)), : int(random.integers(1, cols + 1))],
        lambda: np.hstack([picture, picture[:, ::-1]]),
        lambda: np.where(np.mgrid[:rows, :cols][0] < random.integers(0, rows + 1), 0.0, picture),
        lambda: np.rint(picture * 3) / 3,
        lambda: 1 - picture,
        lambda: picture.T,
        lambda: np.repeat(picture[:1], rows, axis=0),
        lambda: np.where(np.indices(picture.shape).sum(axis=0) % 2 == 0, picture, 0.0),
    )
    return ways[int(random.integers(len(ways)))]()


def picture(random: np.random.Generator) -> Capture:
    """Return a picture file of a random scene in a random one of the formats."""
    weights = np.array([weight for _, _, weight in SCENES], dtype=float)
    scene, checks, _ = SCENES[int(random.choice(len(SCENES), p=weights / weights.sum()))]
    light = scene(random)
    if random.random() < 0.25:
        light = spoilt(light, random)
    encode, ending = _ENCODERS[int(random.integers(len(_ENCODERS)))]
    return Capture(content=encode(np.ascontiguousarray(light), random), ending=ending, checks=checks)


def whole(check: str, random: np.random.Generator) -> Capture:
    """Return an undamaged capture that a check measures."""
    if check in ("latency", "frame-rate"):
        return Capture(content=_film("mp4", "libx264", check), ending="mp4", checks=(check,))
    if check == "battery":
        columns = _discharge(random)[1]
        lines = [",".join(columns), *(",".join(map(str, row)) for row in zip(*columns.values(), strict=True))]
        return Capture(content="\n".join(lines).encode(), ending="csv", checks=(check,))
    scene = next(scene for scene, checks, _ in SCENES if checks[0] == check)
    return Capture(content=imagecodecs.png_encode(_codes(scene(random), 16)), ending="png", checks=(check,))


def _codes(light: np.ndarray, bits: int) -> np.ndarray:
    highest = 2**bits - 1
    return np.rint(np.clip(light, 0, 1) * highest).astype(np.uint16 if bits > 8 else np.uint8)


def _colour(codes: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(np.dstack([codes, codes // 2, codes]))


def _png(light: np.ndarray, random: np.random.Generator) -> bytes:
    codes = _codes(light, int(random.choice([8, 16])))
    stored = _colour(codes) if random.random() < 0.3 else codes
    return imagecodecs.png_encode(stored, out=2 * stored.nbytes + 1000)  # its own buffer is too small for one pixel


def _png_by_pillow(light: np.ndarray, random: np.random.Generator) -> bytes:
    drawn = Image.fromarray(_codes(light, 8))
    exif = Image.Exif()
    exif[0x0112] = int(random.integers(0, 12))
    return _saved(drawn.convert(str(random.choice(["L", "RGB", "P", "1", "LA", "RGBA"]))), "PNG", exif=exif)


def _jpeg(light: np.ndarray, random: np.random.Generator) -> bytes:
    drawn = Image.fromarray(_codes(light, 8)).convert(str(random.choice(["L", "RGB", "CMYK"], p=[0.5, 0.4, 0.1])))
    exif = Image.Exif()
    exif[0x0112] = int(random.integers(0, 12))
    return _saved(drawn, "JPEG", quality=int(random.integers(30, 100)), progressive=bool(random.integers(2)), exif=exif)


def _saved(drawn: Image.Image, form: str, **options: object) -> bytes:
    stream = io.BytesIO()
    drawn.save(stream, form, **options)
    return stream.getvalue()


def _tiff(light: np.ndarray, random: np.random.Generator) -> bytes:
    codes = _codes(light, int(random.choice([8, 16])))
    if random.random() < 0.2:
        codes = _colour(codes)
    options: dict[str, object] = {
        "compression": random.choice(np.array([None, "lzw", "zlib", "zstd", "packbits"], dtype=object)),
        "bigtiff": bool(random.integers(2)),
        "byteorder": str(random.choice(["<", ">"])),
        "photometric": "rgb" if codes.ndim == 3 else str(random.choice(["minisblack", "miniswhite"])),
    }
    if min(codes.shape[:2]) > 16 and random.random() < 0.3:
        options["tile"] = (16, 16)
    elif random.random() < 0.5:
        options["rowsperstrip"] = int(random.integers(1, 40))
    return _written(codes, **options)


def _odd_tiff(light: np.ndarray, random: np.random.Generator) -> bytes:
    """Return a TIFF of numbers that are no camera codes, some of them no numbers at all."""
    values = light.astype(str(random.choice(["float16", "float32", "float64"])))
    holes = random.random(values.shape) < random.choice([0.0, 0.01, 1.0])
    values[holes] = random.choice([np.nan, np.inf, -np.inf])
    if random.random() < 0.3:
        values = np.rint(np.nan_to_num(values) % 100).astype(str(random.choice(["int16", "uint32", "int8", "uint64"])))
    return _written(values, bigtiff=bool(random.integers(2)))


def _pages(light: np.ndarray, random: np.random.Generator) -> bytes:
    """Return a TIFF of several pages: the same frame again and again, or each with its own noise."""
    codes = _codes(light[:120, :120], 16)
    stack = [codes] * int(random.integers(2, 6))
    if random.random() < 0.6:
        stack = [np.clip(page + random.normal(0, 300, page.shape), 0, 65535).astype(np.uint16) for page in stack]
    if random.random() < 0.3:
        stack[-1] = stack[-1][: max(1, len(stack[-1]) // 2)]
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as writer:
        for page in stack:
            writer.write(page, contiguous=False)
    return stream.getvalue()


def _written(values: np.ndarray, **options: object) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def _netpbm(light: np.ndarray, random: np.random.Generator) -> bytes:
    codes = _codes(light, int(random.choice([8, 16])))
    kind = b"P5"
    if random.random() < 0.4:
        codes, kind = _colour(codes), b"P6"
    highest = b"255" if codes.dtype == np.uint8 else b"65535"
    size = f"{codes.shape[1]} {codes.shape[0]}".encode()
    return kind + b"\n" + size + b"\n" + highest + b"\n" + codes.astype(codes.dtype.newbyteorder(">")).tobytes()


_ENCODERS = (
    (_png, "png"),
    (_png, "png"),
    (_png_by_pillow, "png"),
    (_jpeg, "jpg"),
    (_jpeg, "jpg"),
    (_tiff, "tif"),
    (_tiff, "tif"),
    (_tiff, "tif"),
    (_odd_tiff, "tif"),
    (_pages, "tif"),
    (_netpbm, "pgm"),
)

FILM_FORMS = (
    ("mp4", "libx264"),
    ("mov", "libx264"),
    ("mkv", "libx264"),
    ("mkv", "ffv1"),
    ("webm", "libvpx"),
    ("avi", "libx264"),
    ("ts", "libx264"),
)


@cache
def _film(form: str, codec: str, kind: str) -> bytes:
    """Return a film of 60 frames: a light and its picture 40 ms later, or a light that blinks."""
    random = np.random.default_rng(24)
    times_s = np.arange(60) / 120
    light = exposed("step", 0.0, 0.1, times_s, 1 / 120) if kind == "latency" else (times_s * 9 % 1 < 0.5).astype(float)
    screen = exposed("step", 0.0, 0.14, times_s, 1 / 120) if kind == "latency" else np.zeros(60)
    frames = latency_frames(random, times_s, light, screen, rows=48, cols=80)
    with TemporaryDirectory() as folder:
        return write_film(Path(folder) / f"film.{form}", frames, times_s, codec=codec).read_bytes()


def film(random: np.random.Generator) -> Capture:
    """Return a film file of a latency scene or of a blinking light."""
    form, codec = FILM_FORMS[int(random.integers(len(FILM_FORMS)))]
    kind = str(random.choice(["latency", "frame-rate"]))
    return Capture(content=_film(form, codec, kind), ending=form, checks=(kind,))


def log(random: np.random.Generator) -> Capture:
    """Return a log of a discharge or of a latency, as one of the ways in which loggers write them."""
    name, columns = _discharge(random) if random.random() < 0.6 else _trace(random)
    separator, point = ((",", "."), (";", ","), ("\t", "."), (";", "."), ("\t", ","))[int(random.integers(5))]
    cells = [[f"{value:.6g}".replace(".", point) for value in row] for row in zip(*columns.values(), strict=True)]
    lines = [separator.join(row) for row in [list(columns), *cells]]
    text = str(random.choice(["\n", "\r\n"])).join(lines) + "\n"
    if random.random() < 0.1:
        text = "# made by a logger\n" + text
    encoding = str(random.choice(["utf-8", "utf-8-sig", "utf-16"], p=[0.7, 0.15, 0.15]))
    ending = "tsv" if separator == "\t" else "csv"
    return Capture(content=text.encode(encoding), ending=ending, checks=(name,))


def _discharge(random: np.random.Generator) -> tuple[str, dict[str, np.ndarray]]:
    run = Discharge(end_s=random.uniform(2000, 20_000))
    time_s = np.arange(0, run.end_s + 3000, random.choice([30.0, 60.0, 300.0]))
    columns = {"time_s": time_s, "voltage_v": run.voltage(time_s) + random.normal(0, 0.003, time_s.shape)}
    if random.random() < 0.7:
        columns["current_a"] = run.current(time_s)
    if random.random() < 0.3:
        columns["temperature_c"] = np.full(time_s.shape, 21.0)
    return "battery", columns


def _trace(random: np.random.Generator) -> tuple[str, dict[str, np.ndarray]]:
    time_ms = np.arange(0, 300, random.choice([0.5, 1.0, 4.0]))
    stimulus = (time_ms > 80) + random.normal(0, 0.02, time_ms.shape)
    response = 1 / (1 + np.exp(np.clip((140 - time_ms) / 3, -50, 50))) + random.normal(0, 0.02, time_ms.shape)
    return "latency", {"time_ms": time_ms, "stimulus": stimulus, "response": response}
