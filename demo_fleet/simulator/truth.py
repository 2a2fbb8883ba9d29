"""What is true of an invented device: the figures that its captures are made from, and that a test may ask for."""

import math
from dataclasses import dataclass, field
from enum import StrEnum


class Kind(StrEnum):
    """How a device makes its picture."""

    DIGITAL = "digital"
    INTENSIFIER = "intensifier"


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """The Gaussian blur of a picture at one illuminance, as standard deviations along x and y in pixels."""

    illuminance_lx: float
    sigma_x_px: float
    sigma_y_px: float

    def sigma_px(self, axis: str) -> float:
        """Return the blur along an axis, ``horizontal`` being x."""
        return self.sigma_x_px if axis == "horizontal" else self.sigma_y_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A linear sensor.

    Parameters
    ----------
    full_well_e : float
        Electrons at the highest code.
    read_noise_e : float
        Standard deviation in electrons.
    bits : int
        Of its converter; files hold the codes spread over 16 bits.
    fixed_pattern_percent : float
        Standard deviation of the pixels' gain.
    hot_pixels, dead_pixels : int
        How many there are; a hot cluster counts each of its pixels.
    hot_cluster : bool
        The hot pixels lie side by side.
    """

    full_well_e: float = 12_000.0
    read_noise_e: float = 3.0
    bits: int = 12
    fixed_pattern_percent: float = 0.5
    hot_pixels: int = 0
    dead_pixels: int = 0
    hot_cluster: bool = False

    @property
    def step_e(self) -> float:
        """Electrons of one code."""
        return float(self.full_well_e / (2**self.bits - 1))

    @property
    def pedestal_e(self) -> float:
        """Electrons that its black level stands above the lowest code: six times the read noise, so none is cut off."""
        return 6 * self.read_noise_e

    def dynamic_range_stop(self, snr: float) -> float:
        """Return log2 of the full well over the signal at which the signal-to-noise ratio falls to `snr`.

        Shot noise, read noise and rounding count (EMVA 1288, clause 2; ISO 15739 for the criterion).
        """
        floor = self.read_noise_e**2 + self.step_e**2 / 12
        faintest_e = (snr**2 + math.sqrt(snr**4 + 4 * snr**2 * floor)) / 2
        return math.log2(self.full_well_e / faintest_e)

    def snr(self, mean_e: float, frames: int = 1) -> float:
        """Return the temporal signal-to-noise ratio of an even field of so many electrons."""
        return mean_e / math.sqrt((mean_e + self.read_noise_e**2 + self.step_e**2 / 12) / frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A spot on the tube face or in the optics: its place from the centre of the field, and its size."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    contrast: float
    polarity: str = "dark"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldOfView:
    """The bright field: its size in mm (diameter of a round one, diagonal of a frame), its texture and its spots.

    `vignetting` is the relative loss of light at the border, growing with the square of the radius.
    """

    diameter_mm: float = 18.0
    vignetting: float = 0.15
    fibre: float = 0.0
    spots: tuple[Spot, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """A capture mode: how late its picture is, how long its sensor takes to read out, how fast it records."""

    name: str
    latency_ms: float
    readout_ms: float
    frame_rate_hz: float = 50.0
    frames_dropped: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """One lithium cell under a constant current."""

    capacity_mah: float = 3000.0
    current_a: float = 1.0
    resistance_ohm: float = 0.12
    cutoff_v: float = 3.2


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeData:
    """What the supplier states of a tube; `uncertainty_percent` is that of its ratio and its resolution."""

    gain_cd_m2_lx: float
    ebi_ulx: float
    snr: float
    halo_mm: float
    resolution_lp_mm: float
    uncertainty_percent: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceTruth:
    """All that the bench could find out about one device.

    Parameters
    ----------
    seed : int
        Of every noise in its captures: the same seed gives the same bytes.
    kind : Kind
        Digital or intensifier.
    shape : tuple of int
        Rows and columns of a whole recorded picture.
    pixel_angle_mrad : float
        Angle that one pixel of an edge picture sees.
    blurs : tuple of Blur
        One per illuminance.
    reading_cy_mrad : tuple of (illuminance, axis, resolution)
        What eyes resolve on the bar target.
    distortion_percent : float
        Radial local geometric distortion at the corner of the dot grid.
    doubtful_items, bad_items : tuple of str
        Items of the checklist that nobody can tell, and that are not as ordered.
    """

    seed: int
    kind: Kind
    shape: tuple[int, int] = (480, 640)
    pixel_angle_mrad: float
    blurs: tuple[Blur, ...]
    reading_cy_mrad: tuple[tuple[float, str, float], ...]
    sensor: Sensor = field(default_factory=Sensor)
    view: FieldOfView = field(default_factory=FieldOfView)
    modes: tuple[Mode, ...] = ()
    battery: Battery = field(default_factory=Battery)
    distortion_percent: float = -1.0
    tube: TubeData | None = None
    doubtful_items: tuple[str, ...] = ()
    bad_items: tuple[str, ...] = ()

    def blur(self, illuminance_lx: float) -> Blur:
        """Return the blur at an illuminance; KeyError where the device has none."""
        return {blur.illuminance_lx: blur for blur in self.blurs}[illuminance_lx]

    def mode(self, name: str) -> Mode:
        """Return the capture mode of a name; KeyError where the device has none."""
        return {mode.name: mode for mode in self.modes}[name]

    def reading(self, illuminance_lx: float, axis: str) -> float:
        """Return the resolution that eyes find, in cy/mrad; KeyError where there is none."""
        return {(light, along): value for light, along, value in self.reading_cy_mrad}[illuminance_lx, axis]
