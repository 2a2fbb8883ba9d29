"""Bright fields with known spots: the round view through an eyepiece, and the full flat frame of a sensor."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize, special

FloatArray = npt.NDArray[np.float64]

SUBPIXELS = 9  # to a side of a pixel, which averages


@dataclass(frozen=True)
class Spot:
    """A round spot: relative depth `contrast` at its centre, half of it reached at `diameter_px`, with a soft border.

    `softness` is the standard deviation of the border over the radius; `profile` is ``erf`` (disc with a blurred
    border), ``logistic``, ``gaussian`` (no plateau), ``disc`` (a disc convolved with a Gaussian, exactly) or
    ``blurred``: the same, but diameter and contrast are those of the disc before it was blurred, or ``sharp``, a disc
    that only the area of a pixel blurs. An oval spot is `stretch` times as wide as it is high, and its diameter that of
    the circle of the same area.
    """

    x: float
    y: float
    diameter_px: float
    contrast: float
    polarity: str = "dark"
    softness: float = 0.2
    profile: str = "erf"
    stretch: float = 1.0


@dataclass(frozen=True)
class Field:
    """A picture in 0..1 with what is known of it."""

    exposure: FloatArray
    spots: tuple[Spot, ...]
    shading_percent: float
    radius_px: float
    x: float
    y: float


def shading_percent_of(
    lit: Callable[[FloatArray, FloatArray], FloatArray],
    within_px: float,
    half_px: tuple[float, float] = (math.inf, math.inf),
) -> float:
    """Return peak to valley over the mean of light within a circle, or what a frame of half that size has of it.

    `lit` gives the light at places across and down from the middle. Pixels miss the circle by up to one of them, which
    in the corner of a frame is 0.2 % of the light: rings and rays are laid as close as is needed instead.
    """
    r, turn = np.meshgrid((np.arange(400) + 0.5) / 400 * within_px, np.arange(0, 2 * math.pi, math.pi / 720))
    across, down = r * np.cos(turn), r * np.sin(turn)
    inside = (np.abs(across) <= half_px[0]) & (np.abs(down) <= half_px[1])
    light = lit(across, down)[inside]
    rim = np.arange(0, 2 * math.pi, math.pi / 18000)
    border = lit(
        *(np.clip(within_px * way(rim), -half, half) for way, half in zip((np.cos, np.sin), half_px, strict=True))
    )
    swing = max(light.max(), border.max()) - min(light.min(), border.min())
    return float(100 * swing / np.average(light, weights=r[inside]))


def depth_of(spot: Spot, shape: tuple[int, int]) -> FloatArray:
    """Return the relative change of brightness that a spot makes in pixels, which average; negative for a dark one."""
    depth = np.zeros(shape)
    wide = math.sqrt(spot.stretch)
    reach = math.ceil(spot.diameter_px / 2 * (1 + 4 * spot.softness) * 2.5 * wide) + 4
    top, left = max(0, int(spot.y) - reach), max(0, int(spot.x) - reach)
    rows, cols = np.mgrid[top : min(shape[0], int(spot.y) + reach + 1), left : min(shape[1], int(spot.x) + reach + 1)]
    within = (np.arange(SUBPIXELS) - SUBPIXELS // 2) / SUBPIXELS
    for down, across in itertools.product(within, within):
        r = np.hypot((cols + across - spot.x) / wide, (rows + down - spot.y) * wide)
        depth[rows, cols] += spot.contrast * relative_profile(r, spot) / len(within) ** 2
    return depth if spot.polarity == "bright" else -depth


def relative_profile(r: FloatArray, spot: Spot) -> FloatArray:
    """Return the profile over the radius in pixels, close to 1 at the centre, half at half of the diameter."""
    radius = spot.diameter_px / 2
    width = spot.softness * radius
    if spot.profile == "sharp":
        return np.asarray(r < radius, dtype=float)
    if spot.profile == "gaussian":
        return np.exp(-math.log(2) * (r / radius) ** 2)
    if spot.profile == "logistic":
        return 1 / (1 + np.exp((r - radius) / (width * math.sqrt(3) / math.pi)))
    if spot.profile == "disc":
        return _disc_through_half(r / radius, spot.softness)
    if spot.profile == "blurred":
        return _blurred_disc(r / radius, spot.softness)
    return special.erfc((r - radius) / (width * math.sqrt(2))) / 2


def _blurred_disc(r: npt.ArrayLike, softness: float) -> FloatArray:
    return special.chndtr(softness**-2, 2, np.maximum(np.square(r) / softness**2, 1e-9))


def _disc_through_half(r: FloatArray, softness: float) -> FloatArray:
    """Return the profile of a blurred disc over r, scaled to be 1 at the centre and half of that at r = 1."""
    centre = _blurred_disc(0.0, softness)
    half = optimize.brentq(lambda at: _blurred_disc(at, softness) - centre / 2, 0.1, 2.0)
    return _blurred_disc(r * half, softness) / centre


def round_field(
    rng: np.random.Generator,
    *,
    size_px: tuple[int, int] = (900, 1000),
    radius_px: float = 400.0,
    offset_px: tuple[float, float] = (7.3, -4.6),
    spots: Sequence[Spot] = (),
    vignetting: float = 0.3,
    tilt: float = 0.0,
    fibre: float = 0.02,
    wire: float = 0.0,
    cells: float = 0.0,
    grain: float = 0.03,
    grain_px: float = 1.0,
    white: float = 0.01,
    level: float = 0.6,
    veil: float = 0.004,
    edge_px: float = 1.5,
    optics_px: float = 0.0,
    squeezed: float = 1.0,
    turned: float = 0.0,
    frames: int = 1,
) -> Field:
    """Return the view through an eyepiece: a bright disc on black with fibre texture and a scintillating screen.

    Parameters
    ----------
    vignetting : float
        Loss at the border of the field, growing with the square of the radius.
    fibre, wire, cells : float
        Rms of the fibre honeycomb, depth of dark lines between fibre bundles, rms of the gain of each bundle.
    grain, grain_px, white : float
        Rms of scintillation as a share of the local level after smoothing with `grain_px`, and of white noise as share
        of `level`.
    edge_px : float
        Standard deviation of the field's blurred border.
    optics_px : float
        Standard deviation of the blur that spots, texture and border all get on their way to the sensor.
    squeezed : float
        Width of the field over its height, as it is seen at an angle; spots stay as they are.
    turned : float
        Of that width against the horizontal, in radians, from right to down.
    frames : int
        Scintillation is that of the mean of this many frames.
    """
    rows, cols = size_px
    cx, cy = (cols - 1) / 2 + offset_px[0], (rows - 1) / 2 + offset_px[1]
    y, x = np.mgrid[0:rows, 0:cols].astype(float)
    across = ((x - cx) * math.cos(turned) + (y - cy) * math.sin(turned)) / squeezed
    down = (y - cy) * math.cos(turned) - (x - cx) * math.sin(turned)
    r = np.hypot(across, down)

    def lit(across: FloatArray, down: FloatArray) -> FloatArray:
        return 1 - vignetting * (across**2 + down**2) / radius_px**2 + tilt * across / radius_px

    clean = lit(across, down)
    shading = shading_percent_of(lit, 0.9 * radius_px)
    picture = clean * (1 + fibre_texture(rng, size_px, fibre, wire, cells))
    for spot in spots:
        picture *= 1 + depth_of(spot, size_px)
    border = special.erfc((r - radius_px) / (edge_px * math.sqrt(2))) / 2
    picture = level * picture * border
    if optics_px > 0:
        picture = ndimage.gaussian_filter(picture, optics_px)
    noise = ndimage.gaussian_filter(rng.normal(size=size_px), grain_px) if grain_px > 0 else rng.normal(size=size_px)
    noise *= grain / noise.std()
    picture = picture * (1 + noise / math.sqrt(frames)) + veil
    picture += rng.normal(0, white * level, size_px) * np.sqrt(np.maximum(picture, 0.01) / level) / math.sqrt(frames)
    return Field(np.clip(picture, 0, 1), tuple(spots), shading, radius_px, cx, cy)


def fibre_texture(
    rng: np.random.Generator, shape: tuple[int, int], fibre: float, wire: float, cells: float, cell_px: float = 34.0
) -> FloatArray:
    """Return the relative texture of a fibre plate: honeycomb of fibres, lines between and gain of the bundles."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    texture = np.zeros(shape)
    if fibre > 0:
        turn, period_px = rng.uniform(0, math.pi / 3), rng.uniform(2.6, 5.0)
        for k in range(3):
            angle = turn + k * math.pi / 3
            phase = rng.uniform(0, 2 * math.pi)
            texture += np.cos(2 * math.pi * (x * math.cos(angle) + y * math.sin(angle)) / period_px + phase)
        texture *= fibre / texture.std()
    if wire > 0 or cells > 0:
        texture += _bundles(rng, x, y, wire, cells, cell_px)
    return texture


def _bundles(
    rng: np.random.Generator, x: FloatArray, y: FloatArray, wire: float, cells: float, cell_px: float
) -> FloatArray:
    turn = rng.uniform(0, math.pi / 3)
    u, v = x * math.cos(turn) + y * math.sin(turn), -x * math.sin(turn) + y * math.cos(turn)
    q, r = (2 / 3 * u) / cell_px, (-u / 3 + math.sqrt(3) / 3 * v) / cell_px
    cube = np.stack([q, -q - r, r])
    whole = np.round(cube)
    worst = np.abs(whole - cube).argmax(axis=0)
    for axis in range(3):
        others = whole.sum(axis=0) - whole[axis]
        whole[axis] = np.where(worst == axis, -others, whole[axis])
    away = cube - whole
    reach = np.max(np.abs([away[0] - away[1], away[1] - away[2], away[2] - away[0]]), axis=0)
    line = np.exp(-(((1 - reach) * cell_px * 0.87 / 1.2) ** 2) / 2)
    names = (whole[0] - whole[0].min()) * 1000 + (whole[2] - whole[2].min())
    _, place = np.unique(names, return_inverse=True)
    place = place.reshape(x.shape)
    gain = rng.normal(0, cells, place.max() + 1)[place]
    strength = rng.uniform(0.2, 1.0, place.max() + 1)[place]
    return gain - wire * strength * line


@dataclass(frozen=True)
class Flat:
    """A full frame flat and its dark frames, in 0..1, with what is known of them."""

    exposure: FloatArray
    darks: tuple[FloatArray, ...]
    spots: tuple[Spot, ...]
    shading_percent: float
    dead: tuple[tuple[int, int], ...]
    hot: tuple[tuple[int, int], ...]


def sensor_flat(
    rng: np.random.Generator,
    *,
    size_px: tuple[int, int] = (600, 800),
    spots: Sequence[Spot] = (),
    dead: int = 0,
    hot: int = 0,
    vignetting: float = 0.15,
    tilt: float = 0.05,
    level: float = 0.5,
    noise: float = 0.008,
    row_noise: float = 0.004,
    column_noise: float = 0.0,
    pattern: float = 0.005,
    pedestal: float = 0.01,
    dark_noise: float = 0.001,
    darks: int = 0,
) -> Flat:
    """Return a flat frame with dust, row noise, dead pixels, and dark frames with hot pixels.

    Noise, row noise and pattern are shares of full scale for the dark frames, of the level for the flat. The radius of
    a full frame is half of its diagonal.
    """
    rows, cols = size_px
    half_px, radius_px = ((cols - 1) / 2, (rows - 1) / 2), math.hypot(rows, cols) / 2

    def lit(across: FloatArray, down: FloatArray) -> FloatArray:
        return 1 - vignetting * (across**2 + down**2) / radius_px**2 + tilt * across / half_px[0]

    y, x = np.mgrid[-half_px[1] : half_px[1] : rows * 1j, -half_px[0] : half_px[0] : cols * 1j]
    clean = lit(x, y)
    shading = shading_percent_of(lit, 0.9 * radius_px, half_px)
    picture = clean * (1 + rng.normal(0, pattern, size_px))
    for spot in spots:
        picture *= 1 + depth_of(spot, size_px)
    dead_at = _places(rng, dead, size_px, spots)
    hot_at = _places(rng, hot, size_px, spots)
    for row, col in dead_at:
        picture[row, col] *= rng.uniform(0, 0.3)
    glow = np.zeros(size_px)
    for row, col in hot_at:
        glow[row, col] = rng.uniform(0.02, 0.5)
    lines = rng.normal(0, row_noise, (rows, 1)) + rng.normal(0, column_noise, (1, cols))
    flat = level * (picture + rng.normal(0, noise, size_px) * np.sqrt(clean) + lines) + glow + pedestal
    dark_frames = tuple(
        np.clip(pedestal + glow + rng.normal(0, dark_noise, size_px) + rng.normal(0, dark_noise / 3, (rows, 1)), 0, 1)
        for _ in range(darks)
    )
    return Flat(np.clip(flat, 0, 1), dark_frames, tuple(spots), shading, dead_at, hot_at)


def _places(
    rng: np.random.Generator, count: int, shape: tuple[int, int], spots: Sequence[Spot]
) -> tuple[tuple[int, int], ...]:
    taken: list[tuple[int, int]] = []
    while len(taken) < count:
        row, col = int(rng.integers(0, shape[0])), int(rng.integers(0, shape[1]))
        free = all(math.hypot(s.x - col, s.y - row) > s.diameter_px + 6 for s in spots)
        if free and all(math.hypot(r - row, c - col) > 4 for r, c in taken):
            taken.append((row, col))
    return tuple(taken)


def scattered_spots(
    rng: np.random.Generator,
    count: int,
    *,
    centre: tuple[float, float],
    within_px: float,
    diameters_px: tuple[float, float],
    contrasts: tuple[float, float] = (0.08, 0.8),
    bright_share: float = 0.2,
    profiles: Sequence[str] = ("erf", "logistic", "disc", "blurred", "gaussian"),
    half_size_px: tuple[float, float] | None = None,
) -> tuple[Spot, ...]:
    """Return spots that do not touch, within a circle, or within a rectangle of half width and height."""
    spots: list[Spot] = []
    while len(spots) < count:
        if half_size_px is None:
            r, angle = within_px * math.sqrt(rng.uniform()), rng.uniform(0, 2 * math.pi)
            x, y = centre[0] + r * math.cos(angle), centre[1] + r * math.sin(angle)
        else:
            x = centre[0] + rng.uniform(-1, 1) * half_size_px[0]
            y = centre[1] + rng.uniform(-1, 1) * half_size_px[1]
        d = math.exp(rng.uniform(*np.log(diameters_px)))
        if any(math.hypot(s.x - x, s.y - y) < 1.3 * (s.diameter_px + d) + 10 for s in spots):
            continue
        contrast = math.exp(rng.uniform(*np.log(contrasts)))
        polarity = "bright" if rng.uniform() < bright_share else "dark"
        if polarity == "bright":
            contrast = min(contrast, 0.5)
        softness = max(rng.uniform(0.08, 0.35), 0.8 / d)
        spots.append(Spot(x, y, d, contrast, polarity, softness, str(rng.choice(list(profiles)))))
    return tuple(spots)
