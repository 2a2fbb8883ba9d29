"""Frames of a step wedge through a known sensor, and the dynamic range that they must give."""

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize

from inspect_app.capture import Still
from tests.truth.sensor import Sensor, still_of_codes

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Wedge:
    """A strip of steps, brightest first, and how it stands before the sensor.

    `over_full_well` is the exposure of the brightest step in full wells; `veil` a uniform flare as a share of the full
    well; `glare` the share of light that each step throws around it, within about `glare_px`. `power` is the exponent
    of the transfer, 1 for linear codes. `gap_px` bounds the dark gaps between steps.
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
    power: float = 1.0
    code_bits: int = 16
    pattern: float = 0.004
    flicker: float = 0.0
    margin_px: int = 40
    seed: int = 0
    names: str = field(default="wedge")

    def stills(self) -> tuple[Still, ...]:
        """Return the frames, as read with the transfer of `power`."""
        rng = np.random.default_rng(self.seed)
        scene = self._scene(rng)
        gain_map = 1 + rng.normal(0, self.pattern, scene.shape)
        stills = []
        for k in range(self.frames):
            light = scene * (1 + self.flicker * rng.normal())
            codes = self.sensor.expose(light * self.sensor.full_well_e, rng, gain_map=gain_map)
            if self.power != 1:
                relative = codes / (2**self.sensor.bits - 1)
                codes = np.round(relative ** (1 / self.power) * (2**self.code_bits - 1))
                stills.append(still_of_codes(codes, self.code_bits, name=f"{self.names}{k}.png", power=self.power))
            else:
                shift = 2 ** (16 - self.sensor.bits)
                full = codes * shift + (shift - 1) * (codes == 2**self.sensor.bits - 1)
                stills.append(still_of_codes(full, 16, name=f"{self.names}{k}.tif"))
        return tuple(stills)

    def _scene(self, rng: np.random.Generator) -> FloatArray:
        """Return the exposure in full wells."""
        gaps = rng.integers(self.gap_px[0], self.gap_px[1] + 1, self.steps)
        width, height = self.step_px
        length = int(self.steps * width + gaps.sum())
        reach = math.ceil(abs(math.sin(math.radians(self.tilt_deg))) * length / 2)
        size = (height + 2 * self.margin_px + 2 * reach, length + 2 * self.margin_px)
        y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(float)
        angle = math.radians(self.tilt_deg)
        middle_x, middle_y = (size[1] - 1) / 2, (size[0] - 1) / 2
        along = (x - middle_x) * math.cos(angle) + (y - middle_y) * math.sin(angle) + length / 2
        across = -(x - middle_x) * math.sin(angle) + (y - middle_y) * math.cos(angle)
        starts = np.concatenate([[0], np.cumsum(width + gaps)[:-1]])
        scene = np.zeros(size)
        in_strip = np.abs(across) <= height / 2
        for k, start in enumerate(starts):
            inside = in_strip & (along >= start) & (along < start + width)
            scene[inside] = self.over_full_well * 2.0 ** (-self.stops_per_step * k)
        scene = ndimage.gaussian_filter(scene, self.blur_px) if self.blur_px else scene
        if self.glare:
            scene = scene + self.glare * ndimage.gaussian_filter(np.minimum(scene, 4), self.glare_px)
        scene = scene + self.veil
        if self.is_reversed:
            scene = scene[:, ::-1]
        return np.ascontiguousarray(scene.T) if self.is_upright else scene

    def dynamic_range_stop(self, snr: float) -> float:
        """Return log2 of the clipping signal over the one whose incremental SNR is `snr`."""
        sensor, veil_e = self.sensor, self.veil * self.sensor.full_well_e
        highest = 2**self.code_bits - 1

        def shortfall(log_signal: float) -> float:
            signal = math.exp(log_signal)
            relative = min((signal + veil_e) / sensor.full_well_e + sensor.pedestal_dn / 2**sensor.bits, 1.0)
            noise = sensor.read_noise_e**2 + signal + veil_e + sensor.step_e**2 / 12
            if self.power != 1:
                coarse = self.power * relative ** (1 - 1 / self.power) / highest * sensor.full_well_e
                noise += coarse**2 / 12
            return math.log(signal / math.sqrt(noise) / snr)

        faintest = math.exp(optimize.brentq(shortfall, math.log(1e-3), math.log(sensor.full_well_e)))
        return math.log2((sensor.full_well_e - veil_e) / faintest)
