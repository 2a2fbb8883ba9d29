"""The invented fleet: three shipments, four lots, forty-two arrivals, and what is wrong with which serial.

Brackwater Sound Rescue Service, Quillmere Devices and Ferrowick Optronics do not exist; no serial is a real one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from demo_fleet.inspection import Mishap
from demo_fleet.simulator import Battery, Blur, DeviceTruth, FieldOfView, Kind, Mode, Sensor, Spot, TubeData
from inspect_app.model import Outcome

STANDARD: Final = "digital monocular, standard sensor"
LARGE: Final = "digital monocular, large sensor"
INTENSIFIER: Final = "intensifier monocular"
LIVE, RECORDING = "live view", "recording"
STARLIGHT_LX: Final = 0.005
PACKING_LISTS: Final = Path(__file__).parent / "packing_lists"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedDevice:
    """One arrival: what the device is in truth, and what its inspection must come to.

    `clauses` are those of the contract that must be among the deciding ones; empty for an accepted device. A device
    that is not on the packing list, or was here before, says so in `note`.
    """

    serial: str
    device_class: str
    truth: DeviceTruth
    story: str = "as ordered"
    expected: Outcome = Outcome.ACCEPTED
    clauses: tuple[str, ...] = ()
    mishap: Mishap | None = None
    is_on_list: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedShipment:
    """What arrived together: `missing` serials stand on the packing list and were not in the boxes."""

    reference: str
    contract_number: str
    packing_list: Path
    received_days_ago: int
    devices: tuple[PlannedDevice, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """What is wrong with one serial."""

    story: str
    clauses: tuple[str, ...]
    expected: Outcome = Outcome.REJECTED
    change: Callable[[DeviceTruth], DeviceTruth] = lambda truth: truth
    mishap: Mishap | None = None
    is_on_list: bool = True
    note: str = ""


def _near(random: np.random.Generator, middle: float, spread: float) -> float:
    """Return a figure as production scatters it: evenly within the spread, to four digits."""
    return float(f"{middle + spread * random.uniform(-1, 1):.4g}")


def _blurs(random: np.random.Generator, at_one_lux_px: float, near_starlight_px: float) -> tuple[Blur, ...]:
    return tuple(
        Blur(illuminance_lx=light, sigma_x_px=_near(random, sigma, 0.04), sigma_y_px=_near(random, sigma, 0.04))
        for light, sigma in ((1, at_one_lux_px), (STARLIGHT_LX, near_starlight_px))
    )


def _readings(at_one_lux: float, near_starlight: float) -> tuple[tuple[float, str, float], ...]:
    return tuple(
        (light, axis, value)
        for light, value in ((1.0, at_one_lux), (STARLIGHT_LX, near_starlight))
        for axis in ("horizontal", "vertical")
    )


def _modes(random: np.random.Generator, readout_ms: float) -> tuple[Mode, ...]:
    return (
        Mode(name=LIVE, latency_ms=_near(random, 41, 3), readout_ms=_near(random, readout_ms, 0.4)),
        Mode(
            name=RECORDING,
            latency_ms=_near(random, 58, 4),
            readout_ms=_near(random, readout_ms, 0.4),
            frames_dropped=int(random.integers(0, 2)),
        ),
    )


def standard_truth(seed: int) -> DeviceTruth:
    """Return a digital monocular with a standard sensor as it should be."""
    random = np.random.default_rng(seed)
    return DeviceTruth(
        seed=seed,
        kind=Kind.DIGITAL,
        shape=(480, 640),
        pixel_angle_mrad=0.5,
        blurs=_blurs(random, 0.76, 1.10),
        reading_cy_mrad=_readings(0.98, 0.62),
        sensor=Sensor(
            full_well_e=6000,
            read_noise_e=_near(random, 5.5, 0.3),
            hot_pixels=int(random.integers(0, 5)),
            dead_pixels=int(random.integers(0, 3)),
        ),
        view=FieldOfView(diameter_mm=6.0, vignetting=_near(random, 0.18, 0.03)),
        modes=_modes(random, 12.0),
        battery=Battery(capacity_mah=_near(random, 3100, 80), current_a=1.0),
        distortion_percent=_near(random, -1.3, 0.3),
    )


def large_truth(seed: int) -> DeviceTruth:
    """Return a digital monocular with a large sensor as it should be."""
    random = np.random.default_rng(seed)
    return DeviceTruth(
        seed=seed,
        kind=Kind.DIGITAL,
        shape=(600, 960),
        pixel_angle_mrad=0.35,
        blurs=_blurs(random, 0.70, 0.95),
        reading_cy_mrad=_readings(1.30, 0.90),
        sensor=Sensor(
            full_well_e=15_000,
            read_noise_e=_near(random, 3.4, 0.2),
            hot_pixels=int(random.integers(0, 6)),
            dead_pixels=int(random.integers(0, 3)),
        ),
        view=FieldOfView(diameter_mm=13.3, vignetting=_near(random, 0.22, 0.03)),
        modes=_modes(random, 14.6),
        battery=Battery(capacity_mah=_near(random, 3400, 80), current_a=1.4),
        distortion_percent=_near(random, -1.0, 0.3),
    )


def intensifier_truth(seed: int) -> DeviceTruth:
    """Return an intensifier monocular as it should be, with a spot or two that its contract allows."""
    random = np.random.default_rng(seed)
    allowed = (
        Spot(x_mm=_near(random, 4.4, 0.8), y_mm=_near(random, 1.5, 1.0), diameter_mm=0.115, contrast=0.5),
        Spot(x_mm=_near(random, -5.0, 0.8), y_mm=_near(random, -3.0, 0.8), diameter_mm=0.19, contrast=0.45),
    )
    return DeviceTruth(
        seed=seed,
        kind=Kind.INTENSIFIER,
        pixel_angle_mrad=0.4,
        blurs=_blurs(random, 0.74, 0.92),
        reading_cy_mrad=_readings(1.30, 1.02),
        sensor=Sensor(full_well_e=9000, read_noise_e=_near(random, 12, 1)),
        view=FieldOfView(
            vignetting=_near(random, 0.22, 0.04),
            fibre=_near(random, 0.02, 0.004),
            spots=allowed[: int(random.integers(0, 3))],
        ),
        battery=Battery(capacity_mah=_near(random, 3000, 60), current_a=0.9),
        distortion_percent=_near(random, -2.0, 0.4),
        tube=TubeData(
            gain_cd_m2_lx=round(_near(random, 17_500, 1500)),
            ebi_ulx=_near(random, 0.17, 0.04),
            snr=round(_near(random, 27, 1), 1),
            halo_mm=round(_near(random, 0.75, 0.08), 2),
            resolution_lp_mm=float(random.choice([64, 68, 72])),
        ),
    )


def _soft_vertically_near_starlight(truth: DeviceTruth) -> DeviceTruth:
    blurs = tuple(
        replace(blur, sigma_y_px=1.75) if blur.illuminance_lx == STARLIGHT_LX else blur for blur in truth.blurs
    )
    readings = tuple(
        (light, axis, 0.45 if (light, axis) == (STARLIGHT_LX, "vertical") else value)
        for light, axis, value in truth.reading_cy_mrad
    )
    return replace(truth, blurs=blurs, reading_cy_mrad=readings)


def _in_mode(name: str, **figures: float) -> Callable[[DeviceTruth], DeviceTruth]:
    def change(truth: DeviceTruth) -> DeviceTruth:
        modes = tuple(replace(mode, **figures) if mode.name == name else mode for mode in truth.modes)  # type: ignore[arg-type]  # only figures are changed
        return replace(truth, modes=modes)

    return change


def _with_spot(
    x_mm: float, y_mm: float, diameter_mm: float, polarity: str = "dark"
) -> Callable[[DeviceTruth], DeviceTruth]:
    def change(truth: DeviceTruth) -> DeviceTruth:
        spot = Spot(x_mm=x_mm, y_mm=y_mm, diameter_mm=diameter_mm, contrast=0.55, polarity=polarity)
        return replace(truth, view=replace(truth.view, spots=(*truth.view.spots, spot)))

    return change


def _weak_battery(truth: DeviceTruth) -> DeviceTruth:
    return replace(truth, battery=replace(truth.battery, capacity_mah=2250))


def _hot_cluster(truth: DeviceTruth) -> DeviceTruth:
    return replace(truth, sensor=replace(truth.sensor, hot_pixels=16, hot_cluster=True))


def _modest_tube(truth: DeviceTruth) -> DeviceTruth:
    if truth.tube is None:
        raise ValueError("this device has no tube")
    return replace(truth, tube=replace(truth.tube, snr=25.4, resolution_lp_mm=57.0))


_FAULTS: Final[Mapping[str, _Fault]] = {
    "QS-26-1003": _Fault(
        story="one axis soft near starlight", clauses=("4.3.1c", "4.2.1b"), change=_soft_vertically_near_starlight
    ),
    "QS-26-1005": _Fault(
        story="latency right in live view, wrong while recording",
        clauses=("4.7.2",),
        change=_in_mode(RECORDING, latency_ms=88.0),
    ),
    "QS-26-1008": _Fault(
        story="readout too slow while recording", clauses=("4.8.1",), change=_in_mode(RECORDING, readout_ms=16.6)
    ),
    "QS-26-1009": _Fault(story="weak battery", clauses=("4.10.1",), change=_weak_battery),
    "QS-26-1011": _Fault(
        story="latency inside its guard band",
        clauses=("4.7.1",),
        expected=Outcome.HELD,
        change=_in_mode(LIVE, latency_ms=49.7),
    ),
    "QL-26-2004": _Fault(story="a cluster of hot pixels", clauses=("4.11.1",), change=_hot_cluster),
    "QL-26-2006": _Fault(
        story="readout measured with a strobe past its calibration",
        clauses=("4.8.2",),
        expected=Outcome.HELD,
        mishap=Mishap(
            step="readout", overdue_instrument="strobe", reason="The other strobe was out on loan; to be repeated."
        ),
    ),
    "QL-26-2009": _Fault(story="dust in the central zone", clauses=("4.11.5",), change=_with_spot(0.9, -0.7, 0.11)),
    "FW-26-3002": _Fault(story="a spot in the central zone", clauses=("3.9.1",), change=_with_spot(1.1, 0.6, 0.19)),
    "FW-26-3005": _Fault(story="a tube below its figure of merit", clauses=("3.2.5", "3.2.6"), change=_modest_tube),
    "FW-26-3007": _Fault(
        story="scratched eyepiece",
        clauses=("3.1",),
        change=lambda truth: replace(truth, bad_items=("Eyepiece free of scratches and dirt",)),
    ),
    "FW-26-3010": _Fault(
        story="nobody could tell whether the screen flickers",
        clauses=("3.1",),
        expected=Outcome.HELD,
        change=lambda truth: replace(truth, doubtful_items=("No flicker, flashing or chicken wire",)),
    ),
    "FW-26-3012": _Fault(
        story="a bright spot in the central zone", clauses=("3.9.2",), change=_with_spot(-0.8, 1.2, 0.12, "bright")
    ),
    "QS-26-1023": _Fault(
        story="the light drifted during the bar target near starlight",
        clauses=("4.2.1b",),
        expected=Outcome.HELD,
        mishap=Mishap(
            step=f"bar-target.horizontal.{STARLIGHT_LX}lx",
            condition=("illuminance_lx", "0.0063"),
            reason="The lamp drifted between the two readings of the meter; to be repeated.",
        ),
    ),
    "QS-26-1077": _Fault(
        story="a serial that is not on the packing list",
        clauses=(),
        expected=Outcome.ACCEPTED,
        is_on_list=False,
        note="Not on the packing list; the supplier confirmed it by telephone.",
    ),
}

_RETURNED: Final = "QS-26-1009"


def _device(serial: str, device_class: str, truth: DeviceTruth) -> PlannedDevice:
    fault = _FAULTS.get(serial)
    if fault is None:
        return PlannedDevice(serial=serial, device_class=device_class, truth=truth)
    return PlannedDevice(
        serial=serial,
        device_class=device_class,
        truth=fault.change(truth),
        story=fault.story,
        expected=fault.expected,
        clauses=fault.clauses,
        mishap=fault.mishap,
        is_on_list=fault.is_on_list,
        note=fault.note,
    )


def _devices(
    prefix: str, device_class: str, numbers: range, make_truth: Callable[[int], DeviceTruth]
) -> tuple[PlannedDevice, ...]:
    return tuple(_device(f"{prefix}-{number}", device_class, make_truth(number)) for number in numbers)


SHIPMENTS: Final = (
    PlannedShipment(
        reference="QM-2026-017",
        contract_number="BSR-014",
        packing_list=PACKING_LISTS / "qm-2026-017.csv",
        received_days_ago=41,
        devices=(
            *_devices("QS-26", STANDARD, range(1001, 1013), standard_truth),
            *_devices("QL-26", LARGE, range(2001, 2011), large_truth),
        ),
    ),
    PlannedShipment(
        reference="FO-2026-004",
        contract_number="BSR-015",
        packing_list=PACKING_LISTS / "fo-2026-004.csv",
        received_days_ago=20,
        devices=_devices("FW-26", INTENSIFIER, range(3001, 3013), intensifier_truth),
    ),
    PlannedShipment(
        reference="QM-2026-022",
        contract_number="BSR-014",
        packing_list=PACKING_LISTS / "qm-2026-022.csv",
        received_days_ago=6,
        devices=(
            *_devices("QS-26", STANDARD, range(1021, 1027), standard_truth),
            PlannedDevice(
                serial=_RETURNED,
                device_class=STANDARD,
                truth=standard_truth(91_009),
                story="seen before and rejected for its battery, returned with a new cell",
                note="Rejected in shipment QM-2026-017 for its battery; returned with a new cell.",
            ),
            _device("QS-26-1077", STANDARD, standard_truth(1077)),
        ),
        missing=("QS-26-1027",),
    ),
)
"""Every shipment, oldest first."""
