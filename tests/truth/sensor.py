"""A sensor with known full well, read noise and gain, its closed-form truth, and stills made of its frames."""

import hashlib
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Still

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """A linear sensor: electrons in, codes out; the full well stands at the highest code, or below it by `headroom`."""

    full_well_e: float
    read_noise_e: float
    bits: int
    pedestal_dn: float = 0.0
    headroom: float = 0.0

    @property
    def step_e(self) -> float:
        """Electrons of one code."""
        return self.full_well_e / ((2**self.bits - 1) * (1 - self.headroom) - self.pedestal_dn)

    def relative_code(self, mean_e: float) -> float:
        """Return the code of electrons as a share of the highest, without noise."""
        return min((mean_e / self.step_e + self.pedestal_dn) / (2**self.bits - 1), 1.0)

    def expose(self, mean_e: FloatArray, rng: np.random.Generator, *, gain_map: FloatArray | None = None) -> FloatArray:
        """Return codes of one frame: shot noise, gain pattern, read noise, pedestal, rounding and clipping."""
        signal = np.minimum(rng.poisson(mean_e).astype(float), self.full_well_e)
        if gain_map is not None:
            signal = signal * gain_map
        read = rng.normal(0.0, self.read_noise_e, np.shape(mean_e))
        codes = np.round((signal + read) / self.step_e + self.pedestal_dn)
        return np.clip(codes, 0, 2**self.bits - 1)

    def dynamic_range_stop(self, snr: float, veil_e: float = 0.0, *, with_quantisation: bool = True) -> float:
        """Return log2 of full well over the signal at which the SNR falls to `snr`, with a veil's shot noise."""
        noise = self.read_noise_e**2 + veil_e + (self.step_e**2 / 12 if with_quantisation else 0.0)
        faintest = (snr**2 + math.sqrt(snr**4 + 4 * snr**2 * noise)) / 2
        return math.log2((self.full_well_e - veil_e) / faintest)


def still_of_codes(
    codes: FloatArray, bits: int = 16, *, name: str = "scene.tif", role: str = "scene", power: float = 1.0
) -> Still:
    """Return the still that reading a file of these codes gives; `power` is the exponent of its transfer."""
    highest = 2**bits - 1
    relative = np.asarray(codes, dtype=float) / highest
    digest = hashlib.sha256(np.ascontiguousarray(codes).tobytes() + name.encode()).hexdigest()
    return Still(
        name=name,
        sha256=digest,
        exposure=relative**power,
        clipped=np.asarray(codes) >= highest,
        bit_depth=8 if bits <= 8 else 16,
        code_step=power * 0.5 ** (1 - 1 / power) / highest,
        role=role,
    )


def still_of(
    exposure: FloatArray, bits: int = 16, *, name: str = "scene.tif", role: str = "scene", power: float = 1.0
) -> Still:
    """Return the still of an exposure in 0..1: encoded with a power, rounded to codes, clipped, decoded."""
    codes = np.round(np.clip(exposure, 0, 1) ** (1 / power) * (2**bits - 1))
    return still_of_codes(codes, bits, name=name, role=role, power=power)
