"""Slanted edges and charts whose spatial frequency response is known exactly, as captures in memory.

Nothing here is shared with the program: the blurred edge is written in closed form, or by fine quadrature for the disc
of defocus and for blurs that only their transform defines; each pixel is integrated by Gauss-Legendre nodes, and the
true response along the edge's normal is the product of the blur's transform and that of the square pixel.
"""

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile
from scipy import interpolate, optimize, special

from inspect_app.capture import Still

Array = npt.NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, kw_only=True)
class Blur:
    """A blur: weights of Gaussians with their standard deviations along x and y in pixels, and a disc of defocus."""

    weights: tuple[float, ...] = (1.0,)
    sigmas_x_px: tuple[float, ...] = (1.0,)
    sigmas_y_px: tuple[float, ...] | None = None
    disc_radius_px: float = 0.0

    def sigmas_along(self, normal_deg: float) -> list[float]:
        """Return the standard deviations of the Gaussians along a normal, in pixels."""
        angle = math.radians(normal_deg)
        others = self.sigmas_y_px or self.sigmas_x_px
        return [
            math.hypot(x * math.cos(angle), y * math.sin(angle)) for x, y in zip(self.sigmas_x_px, others, strict=True)
        ]

    def transfer(self, frequency_cy_px: Array, normal_deg: float) -> Array:
        """Return the transform of blur and pixel along a normal at given frequencies."""
        f = np.asarray(frequency_cy_px, dtype=float)
        angle = math.radians(normal_deg)
        return self.optics(f, normal_deg) * np.sinc(f * math.cos(angle)) * np.sinc(f * math.sin(angle))

    def optics(self, f: Array, normal_deg: float) -> Array:
        """Return the transform of the blur alone."""
        total = np.zeros_like(f)
        for weight, sigma in zip(self.weights, self.sigmas_along(normal_deg), strict=True):
            total += weight * np.exp(-2 * (math.pi * sigma * f) ** 2)
        if self.disc_radius_px > 0:
            u = 2 * math.pi * self.disc_radius_px * np.maximum(f, 1e-12)
            total *= 2 * special.j1(u) / u
        return total

    def frequency_at(self, level: float, normal_deg: float) -> float:
        """Return the lowest frequency at which the transform falls to a level, in cycles per pixel."""
        grid = np.linspace(0, 1.2, 4801)
        below = np.flatnonzero(self.transfer(grid, normal_deg) < level)
        last = grid[below[0]]

        def above(f: float) -> float:
            return float(self.transfer(np.array([f]), normal_deg)[0] - level)

        return float(optimize.brentq(above, last - grid[1], last))

    def edge(self, normal_deg: float) -> Callable[[Array], Array]:
        """Return the blurred unit step (without pixel) as a function of the signed distance in pixels."""
        sigmas = self.sigmas_along(normal_deg)
        if self.disc_radius_px <= 0:

            def step(s: Array) -> Array:
                parts = [w * special.ndtr(s / sigma) for w, sigma in zip(self.weights, sigmas, strict=True)]
                return np.sum(parts, axis=0)

            return step
        radius = self.disc_radius_px
        # the disc's line spread is a half ellipse: Gauss quadrature of the second Chebyshev kind is exact for it
        k = np.arange(1, 65)
        nodes = radius * np.cos(k * math.pi / 65)
        masses = 2 / 65 * np.sin(k * math.pi / 65) ** 2
        reach = radius + 8 * max(sigmas) + 1
        table_s = np.arange(-reach, reach, 1 / 256)
        table = np.zeros_like(table_s)
        for weight, sigma in zip(self.weights, sigmas, strict=True):
            for node, mass in zip(nodes, masses, strict=True):
                table += weight * mass * special.ndtr((table_s - node) / sigma)

        def disc_step(s: Array) -> Array:
            return np.interp(s, table_s, table, left=0.0, right=1.0)

        return disc_step


@dataclass(frozen=True, kw_only=True)
class TailedBlur(Blur):
    """A round blur that no one or two Gaussians are: a tube's, one with scattered light, a lens at its limit.

    `stretch` below 1 is the exponent m of exp(-(2 pi^2 sigma^2 f^2)^m), by which tubes and fibre plates are described
    (common practice, no source); `scattered` is the share of a halo whose point spread falls exponentially with the
    radius, to 1 / e within `path_px`. `cutoff_cy_px` is that of diffraction at a round aperture, beyond which nothing
    passes.
    """

    stretch: float = 1.0
    cutoff_cy_px: float = math.inf
    scattered: float = 0.0
    path_px: float = 3.0

    def optics(self, f: Array, normal_deg: float) -> Array:
        """Return the transform of the blur alone; that of exp(-r / L) in the plane is (1 + (2 pi f L)^2)^(-3/2)."""
        sharp = super().optics(f, normal_deg)
        if self.stretch != 1:
            sharp = np.exp(-((2 * (math.pi * self.sigmas_x_px[0] * f) ** 2) ** self.stretch))
        v = np.minimum(f / self.cutoff_cy_px, 1.0)
        sharp = sharp * 2 / math.pi * (np.arccos(v) - v * np.sqrt(1 - v**2))
        return (1 - self.scattered) * sharp + self.scattered / (1 + (2 * math.pi * f * self.path_px) ** 2) ** 1.5

    def edge(self, normal_deg: float) -> Callable[[Array], Array]:
        """Return the blurred unit step as a function of the signed distance: its sine transform, by midpoints."""
        places, width = 32_000, 5e-4
        f = (np.arange(12_000) + 0.5) * width
        density = self.optics(f, normal_deg) / (math.pi * f) * width
        turn = np.exp(1j * math.pi * np.arange(places) / places)
        table = np.imag(turn * np.fft.ifft(density, places) * places)[: places // 10]
        table_s = np.arange(table.size) / (places * width)
        shape = interpolate.CubicSpline(table_s, table)

        def step(s: Array) -> Array:
            return np.asarray(0.5 + np.sign(s) * shape(np.minimum(np.abs(s), table_s[-1])))

        return step


@dataclass(frozen=True, kw_only=True)
class Light:
    """How an exposure of 0 to 1 becomes stored codes: levels, noise, shading and coding."""

    dark: float = 0.16
    bright: float = 0.64
    snr: float = math.inf
    """Mean over noise on the bright side."""
    shot_share: float = 0.7
    """Part of the bright side's variance that is proportional to exposure."""
    shading: float = 0.0
    """Loss of light at the picture's corner, by the square of the distance from its centre."""
    shading_centre: tuple[float, float] | None = None
    shading_along: tuple[float, float] = (1.0, 1.0)
    """How far the loss follows the squares of x and of y: a lamp on either side leaves (1, 0)."""
    coding: str = "linear16"
    """``linear16``, ``linear8`` or ``srgb8``."""

    def exposure(self, ideal: Array, random: np.random.Generator) -> Array:
        """Return the exposure, with its noise, of an ideal picture whose values run from 0 (dark) to 1 (bright)."""
        rows, cols = ideal.shape
        exposure = self.dark + (self.bright - self.dark) * ideal
        if self.shading:
            centre_x, centre_y = self.shading_centre or ((cols - 1) / 2, (rows - 1) / 2)
            y, x = np.mgrid[:rows, :cols]
            radius2 = self.shading_along[0] * (x - centre_x) ** 2 + self.shading_along[1] * (y - centre_y) ** 2
            exposure = exposure * (1 - self.shading * radius2 / (0.25 * (rows**2 + cols**2)))
        if math.isfinite(self.snr):
            variance = (self.bright / self.snr) ** 2
            shot = self.shot_share * variance * np.maximum(exposure, 0) / self.bright
            exposure = exposure + random.normal(size=exposure.shape) * np.sqrt(shot + (1 - self.shot_share) * variance)
        return exposure

    def capture(self, ideal: Array, random: np.random.Generator, name: str = "edge.png") -> Still:
        """Return the capture of an ideal picture whose values run from 0 (dark) to 1 (bright)."""
        return still(self.exposure(ideal, random), self.coding, name)

    def keep(self, ideal: Array, random: np.random.Generator, folder: Path, *, as_tiff: bool = False) -> Path:
        """Write the capture as a PNG or TIFF file and return its path."""
        codes = codes_of(self.exposure(ideal, random), self.coding)
        path = folder / ("capture.tif" if as_tiff else "capture.png")
        if as_tiff:
            tifffile.imwrite(path, codes)
        else:
            path.write_bytes(imagecodecs.png_encode(codes))
        return path

    @property
    def transfer(self) -> str:
        """The transfer that undoes the coding."""
        return "srgb" if self.coding == "srgb8" else "linear"


def codes_of(exposure: Array, coding: str) -> npt.NDArray[np.unsignedinteger]:
    """Return an exposure of 0 to 1 as stored codes."""
    top = 65535 if coding == "linear16" else 255
    stored = _encode_srgb(exposure) if coding == "srgb8" else exposure
    return np.clip(np.rint(stored * top), 0, top).astype(np.uint16 if top > 255 else np.uint8)


def still(exposure: Array, coding: str = "linear16", name: str = "edge.png") -> Still:
    """Store an exposure of 0 to 1 as codes and read it back, as a file would."""
    codes = codes_of(exposure, coding)
    top = int(np.iinfo(codes.dtype).max)
    read = _decode_srgb(codes / top) if coding == "srgb8" else codes / top
    step = (
        float(_decode_srgb(np.array(0.735 + 1 / top)) - _decode_srgb(np.array(0.735))) if coding == "srgb8" else 1 / top
    )
    return Still(
        name=name,
        sha256=hashlib.sha256(codes.tobytes()).hexdigest(),
        exposure=np.asarray(read, dtype=np.float64),
        clipped=codes >= top,
        bit_depth=16 if top == 65535 else 8,
        code_step=step,
    )


def _encode_srgb(linear: Array) -> Array:
    """IEC 61966-2-1, from memory."""
    positive = np.maximum(linear, 0)
    return np.where(positive <= 0.0031308, 12.92 * positive, 1.055 * positive ** (1 / 2.4) - 0.055)


def _decode_srgb(stored: Array) -> Array:
    return np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True, kw_only=True)
class Edge:
    """One edge through a picture: bright on the side to which its normal points.

    `normal_deg` is measured from the x axis towards y; `bend_px` is the sagitta of its arc over the picture's height
    (or width, for a normal nearer to y); `offset_px` moves it off the centre along x (or y).
    """

    rows: int = 100
    cols: int = 60
    normal_deg: float = 5.0
    offset_px: float = 0.0
    bend_px: float = 0.0
    blur: Blur = field(default_factory=Blur)

    @property
    def axis(self) -> str:
        """The image axis that the normal is nearer to."""
        return "horizontal" if abs(math.cos(math.radians(self.normal_deg))) >= math.sqrt(0.5) else "vertical"

    def ideal(self) -> Array:
        """Return the picture without noise, 0 to 1, each pixel integrated."""
        total = np.zeros((self.rows, self.cols))
        step = self.blur.edge(self.normal_deg)
        y, x = np.mgrid[: self.rows, : self.cols].astype(float)
        for node_y, weight_y in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
            for node_x, weight_x in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
                total += weight_x * weight_y * step(self.distance(x + node_x, y + node_y))
        return total

    def distance(self, x: Array, y: Array) -> Array:
        """Return the signed distance of points from the edge, in pixels."""
        angle = math.radians(self.normal_deg)
        u = x - (self.cols - 1) / 2 - (self.offset_px if self.axis == "horizontal" else 0)
        v = y - (self.rows - 1) / 2 - (self.offset_px if self.axis == "vertical" else 0)
        across = u * math.cos(angle) + v * math.sin(angle)
        if self.bend_px == 0:
            return across
        along = -u * math.sin(angle) + v * math.cos(angle)
        length = self.rows if self.axis == "horizontal" else self.cols
        radius = length**2 / (8 * self.bend_px)
        return np.sign(radius) * (np.hypot(across + radius, along) - abs(radius)) - 2 / 3 * self.bend_px

    def mtf(self, level: float) -> float:
        """Return the true frequency at which the response falls to a level, in cycles per pixel."""
        return self.blur.frequency_at(level, self.normal_deg)

    def capture(self, random: np.random.Generator, light: Light | None = None) -> Still:
        """Return a capture of the edge."""
        return (light or Light()).capture(self.ideal(), random)


@dataclass(frozen=True, kw_only=True)
class Square:
    """A dark square on a bright ground, turned by `turn_deg`."""

    centre_x: float
    centre_y: float
    side_px: float
    turn_deg: float

    def sides(self) -> list[tuple[float, float, str]]:
        """Return the middle of each side (x, y) and the axis of its normal."""
        found = []
        for quarter in range(4):
            angle = math.radians(self.turn_deg + 90 * quarter)
            middle_x = self.centre_x + self.side_px / 2 * math.cos(angle)
            middle_y = self.centre_y + self.side_px / 2 * math.sin(angle)
            found.append((middle_x, middle_y, "horizontal" if abs(math.cos(angle)) >= math.sqrt(0.5) else "vertical"))
        return found

    def normal_deg(self, axis: str) -> float:
        """Return the direction of the normal of the sides of one axis."""
        return self.turn_deg if axis == "horizontal" else self.turn_deg + 90


@dataclass(frozen=True, kw_only=True)
class Chart:
    """Slanted squares on a bright ground, among other things that are dark too; a blur of round Gaussians only."""

    rows: int
    cols: int
    squares: tuple[Square, ...]
    clutter: tuple[Square, ...] = ()
    blur: Blur = field(default_factory=Blur)

    def ideal(self) -> Array:
        """Return the picture without noise: 1 on the ground, 0 in squares and clutter."""
        ground = np.ones((self.rows, self.cols))
        reach = 6 * max(self.blur.sigmas_x_px) + 2
        for square in (*self.squares, *self.clutter):
            half = square.side_px * math.sqrt(0.5) + reach
            x0, x1 = (int(np.clip(square.centre_x + sign * half, 0, self.cols)) for sign in (-1, 1))
            y0, y1 = (int(np.clip(square.centre_y + sign * half, 0, self.rows)) for sign in (-1, 1))
            y, x = np.mgrid[y0:y1, x0:x1].astype(float)
            for node_y, weight_y in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
                for node_x, weight_x in zip(_NODES / 2, _WEIGHTS / 2, strict=True):
                    ground[y0:y1, x0:x1] -= weight_x * weight_y * self._cover(square, x + node_x, y + node_y)
        return ground

    def _cover(self, square: Square, x: Array, y: Array) -> Array:
        angle = math.radians(square.turn_deg)
        u = (x - square.centre_x) * math.cos(angle) + (y - square.centre_y) * math.sin(angle)
        v = -(x - square.centre_x) * math.sin(angle) + (y - square.centre_y) * math.cos(angle)
        half = square.side_px / 2
        cover = np.zeros_like(x)
        for weight, sigma in zip(self.blur.weights, self.blur.sigmas_x_px, strict=True):
            box_u = special.ndtr((u + half) / sigma) - special.ndtr((u - half) / sigma)
            box_v = special.ndtr((v + half) / sigma) - special.ndtr((v - half) / sigma)
            cover += weight * box_u * box_v
        return cover
