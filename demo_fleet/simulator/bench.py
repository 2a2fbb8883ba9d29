"""The bench: what an inspector brings back from one check of one device under stated conditions."""

import math
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from demo_fleet.simulator.discharge import discharge_log
from demo_fleet.simulator.fields import frame_field, round_field
from demo_fleet.simulator.files import save_png8, save_png16
from demo_fleet.simulator.films import BLINK_HZ, blink_film, latency_film
from demo_fleet.simulator.optics import dot_grid, tilted_edge
from demo_fleet.simulator.sensing import expose, odd_pixels
from demo_fleet.simulator.strobe import STROBE_HZ, strobe_field
from demo_fleet.simulator.truth import DeviceTruth, Kind, Sensor
from demo_fleet.simulator.wedge import STEPS, STOPS_PER_STEP, step_wedge

Condition = Mapping[str, str | int | float]

EDGE_SHAPE: Final = (256, 320)  # rows, columns: the middle of the recorded picture
BRIGHT_FILL: Final = 0.8  # of the full well, for a reflectance of 1 at 1 lux and above
STARLIGHT_LX: Final = 0.05  # at and below it the gain is full and pictures are means of many frames
STARLIGHT_E: Final = 60.0  # electrons a frame for a reflectance of 1
STARLIGHT_FULL_SCALE_E: Final = 90.0
STARLIGHT_FRAMES: Final = 16
EVEN_REFLECTANCE: Final = 0.75
TARGET_DISTANCE_M: Final = 3.0
DARK_FRAMES: Final = 2
WEDGE_FRAMES: Final = 2
NOISE_FRAMES: Final = 4
NOISE_SHAPE: Final = (240, 320)


@dataclass(frozen=True, slots=True, kw_only=True)
class Performed:
    """Files by role, and options of the check as texts; more options than a form may ask for."""

    files: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    options: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    truth: DeviceTruth
    condition: Condition
    items: tuple[str, ...]
    folder: Path
    name: str
    random: np.random.Generator

    @property
    def illuminance_lx(self) -> float:
        return float(self.condition.get("illuminance_lx", 1))

    def path(self, ending: str) -> Path:
        self.folder.mkdir(parents=True, exist_ok=True)
        return self.folder / f"{self.name}{ending}"


def perform(
    truth: DeviceTruth, check: str, condition: Condition, folder: Path, *, items: Sequence[str] = ()
) -> Performed:
    """Do one check of one device at the simulated bench.

    Parameters
    ----------
    truth : DeviceTruth
        The device.
    check : str
        Name of the check.
    condition : mapping
        Of the step: ``illuminance_lx``, ``axis``, ``mode``, where the step has them.
    folder : Path
        Where the captures are written; it is made when it is missing.
    items : sequence of str, optional
        Of the checklist, for the check ``look``.

    Returns
    -------
    Performed
        Files by role and options; the same device, check and condition give the same bytes.

    Raises
    ------
    KeyError
        There is no such check at this bench, or the device has no such mode or illuminance.
    """
    name = "-".join([check, *(f"{value}".replace(" ", "-") for _, value in sorted(condition.items()))])
    random = np.random.default_rng([truth.seed, zlib.crc32(name.encode())])
    task = _Task(truth=truth, condition=condition, items=tuple(items), folder=folder, name=name, random=random)
    return _BENCH[check](task)


def _bar_target(task: _Task) -> Performed:
    resolution = task.truth.reading(task.illuminance_lx, str(task.condition["axis"]))
    element = math.floor(6 * math.log2(resolution / TARGET_DISTANCE_M) + 1e-9)
    reading = f"{element // 6},{element % 6 + 1}"
    return Performed(options={"reading": (reading, reading), "distance_m": f"{TARGET_DISTANCE_M:.2f}"})


def _exposure(task: _Task) -> tuple[Sensor, float, int]:
    """Return the sensor at its gain, electrons for a reflectance of 1, and how many frames are averaged."""
    sensor = task.truth.sensor
    if task.illuminance_lx <= STARLIGHT_LX:
        return replace(sensor, full_well_e=STARLIGHT_FULL_SCALE_E), STARLIGHT_E, STARLIGHT_FRAMES
    return sensor, BRIGHT_FILL * sensor.full_well_e, 1


def _slanted_edge(task: _Task) -> Performed:
    axis, blur = str(task.condition["axis"]), task.truth.blur(task.illuminance_lx)
    target = tilted_edge(*EDGE_SHAPE, blur, axis, offset_px=task.random.uniform(-3, 3))
    sensor, white_e, frames = _exposure(task)
    codes = expose(white_e * target, sensor, task.random, frames=frames)
    return Performed(
        files={"scene": (save_png16(task.path(".png"), codes),)},
        options={"pixel_angle_mrad": f"{task.truth.pixel_angle_mrad:g}"},
    )


def _blemish(task: _Task) -> Performed:
    view = task.truth.view
    options = {"field_diameter_mm": f"{view.diameter_mm:g}"}
    if task.truth.kind is Kind.INTENSIFIER:
        field_e = 0.6 * task.truth.sensor.full_well_e * round_field(view, task.random)
        codes = expose(field_e, task.truth.sensor, task.random, frames=STARLIGHT_FRAMES)
        return Performed(files={"scene": (save_png8(task.path(".png"), codes),)}, options=options)
    sensor, shape = task.truth.sensor, task.truth.shape
    glow_e, gain = odd_pixels(sensor, shape, task.random)
    lit_e = 0.5 * sensor.full_well_e * frame_field(view, *shape)
    scene = expose(lit_e, sensor, task.random, glow_e=glow_e, gain=gain, pedestal_e=sensor.pedestal_e)
    dark = [
        expose(np.zeros(shape), sensor, task.random, glow_e=glow_e, pedestal_e=sensor.pedestal_e)
        for _ in range(DARK_FRAMES)
    ]
    files = {
        "scene": (save_png16(task.path(".png"), scene),),
        "dark": tuple(save_png16(task.path(f"-dark{number}.png"), codes) for number, codes in enumerate(dark, 1)),
    }
    return Performed(files=files, options=options)


def _step_wedge(task: _Task) -> Performed:
    sensor = task.truth.sensor
    wedge_e = step_wedge(sensor)
    frames = [expose(wedge_e, sensor, task.random, pedestal_e=sensor.pedestal_e) for _ in range(WEDGE_FRAMES)]
    return Performed(
        files={"scene": tuple(save_png16(task.path(f"-{n}.png"), codes) for n, codes in enumerate(frames, 1))},
        options={"steps": str(STEPS), "stops_per_step": f"{STOPS_PER_STEP:g}"},
    )


def _latency(task: _Task) -> Performed:
    path = task.path(".mp4")
    latency_film(path, task.truth.mode(str(task.condition["mode"])).latency_ms, task.random)
    return Performed(files={"scene": (path,)})


def _readout(task: _Task) -> Performed:
    light = strobe_field(*task.truth.shape, task.truth.mode(str(task.condition["mode"])).readout_ms, task.random)
    codes = expose(0.7 * task.truth.sensor.full_well_e * light, task.truth.sensor, task.random)
    return Performed(files={"scene": (save_png8(task.path(".png"), codes),)}, options={"strobe_hz": f"{STROBE_HZ:g}"})


def _battery(task: _Task) -> Performed:
    path = task.path(".csv")
    path.write_text(discharge_log(task.truth.battery, task.random), encoding="utf-8")
    return Performed(files={"scene": (path,)}, options={"cutoff_v": f"{task.truth.battery.cutoff_v:g}"})


def _noise(task: _Task) -> Performed:
    sensor, white_e, _ = _exposure(task)
    pattern = 1 + sensor.fixed_pattern_percent / 100 * task.random.standard_normal(NOISE_SHAPE)
    even_e = np.full(NOISE_SHAPE, EVEN_REFLECTANCE * white_e)
    frames = [expose(even_e, sensor, task.random, gain=pattern) for _ in range(NOISE_FRAMES)]
    return Performed(
        files={"scene": tuple(save_png16(task.path(f"-{n}.png"), codes) for n, codes in enumerate(frames, 1))}
    )


def _distortion(task: _Task) -> Performed:
    target = dot_grid(*task.truth.shape, task.truth.distortion_percent, task.truth.blur(1))
    codes = expose(BRIGHT_FILL * task.truth.sensor.full_well_e * target, task.truth.sensor, task.random)
    return Performed(files={"scene": (save_png8(task.path(".png"), codes),)})


def _frame_rate(task: _Task) -> Performed:
    path, mode = task.path(".mp4"), task.truth.mode(str(task.condition["mode"]))
    blink_film(path, mode.frame_rate_hz, mode.frames_dropped, task.random)
    return Performed(files={"scene": (path,)}, options={"blink_hz": f"{BLINK_HZ:g}"})


def _look(task: _Task) -> Performed:
    unknown = {*task.truth.bad_items, *task.truth.doubtful_items} - {*task.items}
    if unknown:
        raise KeyError(f"the checklist has no item {sorted(unknown)}")
    answers = dict.fromkeys(task.items, "yes") | dict.fromkeys(task.truth.doubtful_items, "cannot tell")
    answers |= dict.fromkeys(task.truth.bad_items, "no")
    return Performed(options={"item": tuple(f"{item}={answer}" for item, answer in answers.items())})


def _tube_data(task: _Task) -> Performed:
    tube = task.truth.tube
    if tube is None:
        raise KeyError("tube-data")
    return Performed(
        options={
            "gain": f"{tube.gain_cd_m2_lx:g} cd/m²/lx",
            "ebi": f"{tube.ebi_ulx:g}",
            "snr": f"{tube.snr:g}",
            "halo_mm": f"{tube.halo_mm:g}",
            "resolution_lp_mm": f"{tube.resolution_lp_mm:g}",
            "snr_uncertainty_percent": f"{tube.uncertainty_percent:g}",
            "resolution_uncertainty_percent": f"{tube.uncertainty_percent:g}",
        }
    )


_BENCH: Final[Mapping[str, Callable[[_Task], Performed]]] = {
    "bar-target": _bar_target,
    "battery": _battery,
    "blemish": _blemish,
    "distortion": _distortion,
    "frame-rate": _frame_rate,
    "latency": _latency,
    "look": _look,
    "noise": _noise,
    "readout": _readout,
    "slanted-edge": _slanted_edge,
    "step-wedge": _step_wedge,
    "tube-data": _tube_data,
}
CHECKS_AT_THE_BENCH: Final = frozenset(_BENCH)
"""Names of the checks that this bench can do."""
