"""Frames of a step wedge through a known sensor, as stills or as files, and the dynamic range that they must give."""

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import tifffile
from PIL import Image
from scipy import ndimage, optimize

from inspect_app.capture import Still
from inspect_app.capture.transfer import decoder
from tests.truth.sensor import Sensor

FloatArray = npt.NDArray[np.float64]
JPEG_QUALITY = 92


@dataclass(frozen=True)
class Wedge:
    """A strip of steps, brightest first, and how it stands before the sensor.

    `over_full_well` is the exposure of the brightest step in full wells; `veil` a uniform flare as a share of the full
    well; `glare` the share of light that each step throws around it, within about `glare_px`. `transfer` is linear,
    srgb or power:G, as the command takes it; `gap_px` bounds the dark gaps between steps. `room_px` is the dark
    surround at the ends of the strip and above and below it, `surround` its light in full wells, which the gaps have as
    well. Widths of the steps stray by up to the share `width_spread` of `step_px`. `frame_px` is the width of a bright
    frame along the picture's border, `labels` puts bright marks beside the strip. With `is_right_aligned` linear codes
    stand as the sensor gave them at the lower end of 16 bits; otherwise they fill them.
    """

    sensor: Sensor
    steps: int = 21
    stops_per_step: float = 1.0
    over_full_well: float = 1.5
    step_px: tuple[int, int] = (36, 60)
    gap_px: tuple[int, int] = (6, 6)
    tilt_deg: float = 0.0
    veil: float = 0.0
    glare: float = 0.0
    glare_px: float = 60.0
    blur_px: float = 0.8
    is_upright: bool = False
    is_reversed: bool = False
    frames: int = 2
    transfer: str = "linear"
    code_bits: int = 16
    pattern: float = 0.004
    flicker: float = 0.0
    room_px: tuple[int, int] = (40, 40)
    frame_px: int = 0
    surround: float = 0.0
    width_spread: float = 0.0
    labels: bool = False
    is_right_aligned: bool = False
    seed: int = 0
    names: str = "wedge"

    def stills(self) -> tuple[Still, ...]:
        """Return the frames, as read with the transfer."""
        highest = 2**self.code_bits - 1
        decode = decoder(self.transfer)
        middle = np.array([highest // 2, highest // 2 + 1])
        return tuple(
            Still(
                name=f"{self.names}{k}.png",
                sha256=hashlib.sha256(codes.tobytes()).hexdigest(),
                exposure=decode(codes, highest),
                clipped=codes >= highest,
                bit_depth=8 if self.code_bits == 8 else 16,
                code_step=float(np.diff(decode(middle, highest))[0]),
            )
            for k, codes in enumerate(self.codes())
        )

    def write(self, folder: Path, form: str = "png") -> tuple[Path, ...]:
        """Write the frames as ``png``, ``tif`` or ``jpg`` files."""
        paths = tuple(folder / f"{self.names}{k}.{form}" for k in range(self.frames))
        for path, codes in zip(paths, self.codes(), strict=True):
            stored = codes.astype(np.uint8 if self.code_bits == 8 else np.uint16)
            if form == "tif":
                tifffile.imwrite(path, stored)
            elif form == "jpg":
                Image.fromarray(stored).save(path, quality=JPEG_QUALITY)
            else:
                Image.fromarray(stored).save(path)
        return paths

    def codes(self) -> tuple[FloatArray, ...]:
        """Return the codes of each frame, 0 to the highest of `code_bits`."""
        rng = np.random.default_rng(self.seed)
        scene = self._scene(rng)
        gain_map = 1 + rng.normal(0, self.pattern, scene.shape)
        frames = []
        for _ in range(self.frames):
            light = scene * (1 + self.flicker * rng.normal())
            frames.append(self._stored(self.sensor.expose(light * self.sensor.full_well_e, rng, gain_map=gain_map)))
        return tuple(frames)

    def _stored(self, codes: FloatArray) -> FloatArray:
        highest = 2**self.sensor.bits - 1
        if self.transfer != "linear" or self.code_bits == 8:
            return np.asarray(np.round(encoded(codes / highest, self.transfer) * (2**self.code_bits - 1)))
        if self.is_right_aligned:
            return codes
        shift = 2 ** (16 - self.sensor.bits)
        return np.asarray(codes * shift + (shift - 1) * (codes == highest))

    def _scene(self, rng: np.random.Generator) -> FloatArray:
        """Return the exposure in full wells."""
        gaps = rng.integers(self.gap_px[0], self.gap_px[1] + 1, self.steps)
        width, height = self.step_px
        spread = round(self.width_spread * width)
        widths = width + (rng.integers(-spread, spread + 1, self.steps) if spread else np.zeros(self.steps, dtype=int))
        length = int(widths.sum() + gaps.sum())
        reach = math.ceil(abs(math.sin(math.radians(self.tilt_deg))) * length / 2)
        size = (height + 2 * self.room_px[1] + 2 * reach, length + 2 * self.room_px[0])
        y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(float)
        angle = math.radians(self.tilt_deg)
        middle_x, middle_y = (size[1] - 1) / 2, (size[0] - 1) / 2
        along = (x - middle_x) * math.cos(angle) + (y - middle_y) * math.sin(angle) + length / 2
        across = -(x - middle_x) * math.sin(angle) + (y - middle_y) * math.cos(angle)
        starts = np.concatenate([[0], np.cumsum(widths + gaps)[:-1]])
        scene = np.full(size, self.surround)
        in_strip = np.abs(across) <= height / 2
        for k, start in enumerate(starts):
            inside = in_strip & (along >= start) & (along < start + widths[k])
            scene[inside] = self.over_full_well * 2.0 ** (-self.stops_per_step * k)
        if self.labels:
            self._add_labels(scene, across, along, starts)
        if self.frame_px:
            border = np.ones(size, dtype=bool)
            border[self.frame_px : -self.frame_px, self.frame_px : -self.frame_px] = False
            scene[border] = self.over_full_well
        scene = ndimage.gaussian_filter(scene, self.blur_px) if self.blur_px else scene
        if self.glare:
            scene = scene + self.glare * ndimage.gaussian_filter(np.minimum(scene, 4), self.glare_px)
        scene = scene + self.veil
        if self.is_reversed:
            scene = scene[:, ::-1]
        return np.ascontiguousarray(scene.T) if self.is_upright else scene

    def _add_labels(self, scene: FloatArray, across: FloatArray, along: FloatArray, starts: FloatArray) -> None:
        """Draw three bars, as of figures, beside every other step, half as bright as the brightest step."""
        width, height = self.step_px
        beside = (across > height / 2 + 8) & (across < height / 2 + 20)
        for start in starts[::2]:
            for bar in range(3):
                left = start + width * (0.2 + 0.2 * bar)
                scene[beside & (along >= left) & (along < left + 3)] = 0.5 * self.over_full_well

    @property
    def highest_signal_e(self) -> float:
        """Electrons over the flare at which the mean response clips."""
        return self.sensor.full_well_e * (1 - self.veil)

    def dynamic_range_stop(self, snr: float) -> float:
        """Return log2 of the clipping signal over the one whose incremental SNR is `snr`."""
        return math.log2(self.highest_signal_e / self.faintest_signal_e(snr))

    def range_shown_stop(self, snr: float) -> float:
        """Return the part of the dynamic range that the steps of this wedge reach, or miss by less than a stop."""
        brightest = self.over_full_well * self.sensor.full_well_e
        darkest = brightest * 2 ** (-self.stops_per_step * (self.steps - 1))
        highest, faintest = self.highest_signal_e, self.faintest_signal_e(snr)
        shown = highest if brightest > highest / 2 else brightest
        return math.log2(shown / (faintest if darkest < 2 * faintest else darkest))

    def faintest_signal_e(self, snr: float) -> float:
        """Return the electrons over the flare whose incremental SNR is `snr`."""
        sensor, veil_e = self.sensor, self.veil * self.sensor.full_well_e

        def shortfall(log_signal: float) -> float:
            signal = math.exp(log_signal)
            noise = sensor.read_noise_e**2 + signal + veil_e + sensor.step_e**2 / 12
            if self.transfer != "linear" or self.code_bits == 8:
                noise += self._code_e(signal + veil_e) ** 2 / 12
            return math.log(signal / math.sqrt(noise) / snr)

        return math.exp(optimize.brentq(shortfall, math.log(1e-3), math.log(sensor.full_well_e)))

    def _code_e(self, mean_e: float) -> float:
        """Return the electrons of one stored code at a mean."""
        highest = 2**self.code_bits - 1
        code = float(encoded(np.array(self.sensor.relative_code(mean_e)), self.transfer)) * highest
        below, above = decoder(self.transfer)(np.array([max(code - 0.5, 0.0), max(code - 0.5, 0.0) + 1]), highest)
        return float(above - below) * (2**self.sensor.bits - 1) * self.sensor.step_e


def encoded(relative: FloatArray, transfer: str) -> FloatArray:
    """Return codes as a share of the highest, before rounding; IEC 61966-2-1 for srgb."""
    if transfer == "linear":
        return relative
    if transfer == "srgb":
        return np.where(
            relative <= 0.0031308, 12.92 * relative, 1.055 * np.maximum(relative, 1e-9) ** (1 / 2.4) - 0.055
        )
    return np.asarray(relative ** (1 / float(transfer.removeprefix("power:"))))
