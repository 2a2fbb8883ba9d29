"""The bench simulator: captures of invented devices whose true figures are known, the same bytes from the same seed."""

from demo_fleet.simulator.bench import CHECKS_AT_THE_BENCH, Performed, perform
from demo_fleet.simulator.label import label_photo
from demo_fleet.simulator.truth import Battery, Blur, DeviceTruth, FieldOfView, Kind, Mode, Sensor, Spot, TubeData

__all__ = [
    "CHECKS_AT_THE_BENCH",
    "Battery",
    "Blur",
    "DeviceTruth",
    "FieldOfView",
    "Kind",
    "Mode",
    "Performed",
    "Sensor",
    "Spot",
    "TubeData",
    "label_photo",
    "perform",
]
