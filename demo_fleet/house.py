"""The invented house that receives the fleet: its people, its contracts and the instruments of its bench."""

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Final

from inspect_app.model import Calibration, Role

ISSUER: Final = "Brackwater Sound Rescue Service\nReceiving Inspection (invented for demonstration)"
CONTRACTS: Final = tuple(sorted((Path(__file__).parent / "contracts").glob("*.toml")))

# login, name, role; the first one inspects, the second one approves, the last one reads what two readers read
ACCOUNTS: Final = (
    ("inspector", "Mara Oakfen", Role.INSPECTOR),
    ("approver", "Tobin Reddle", Role.APPROVER),
    ("auditor", "Ines Marrowby", Role.AUDITOR),
    ("administrator", "Odo Pellick", Role.ADMINISTRATOR),
    ("reader", "Sela Wrenfold", Role.INSPECTOR),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedInstrument:
    """An instrument of the bench; one with a negative `due_in_days` is past its calibration."""

    kind: str
    name: str
    serial: str
    calibrated_days_ago: int = 120
    due_in_days: int = 245

    def calibration(self, today: date) -> Calibration:
        """Return its calibration as of the day the demo is made."""
        return Calibration(
            certificate=f"CAL-{self.serial}",
            laboratory="Holm Reach Calibration (invented)",
            calibrated_on=today - timedelta(days=self.calibrated_days_ago),
            due_on=today + timedelta(days=self.due_in_days),
        )


def _instrument(kind: str, name: str, serial: str) -> PlannedInstrument:
    return PlannedInstrument(kind=kind, name=name, serial=serial)


INSTRUMENTS: Final = (
    _instrument("illuminance meter", "Illuminance meter, 0.1 mlx to 100 lx", "BX-LM-01"),
    _instrument("bar target", "Three-bar target, groups \N{MINUS SIGN}2 to 1", "BX-BT-02"),
    _instrument("edge chart", "Slanted-edge chart, contrast 10:1", "BX-EC-01"),
    _instrument("uniform source", "Integrating sphere, 2856 K", "BX-US-01"),
    _instrument("step wedge", "Transmission wedge, 21 steps of one stop", "BX-SW-01"),
    _instrument("dot grid", "Dot grid, 20 mm pitch", "BX-DG-01"),
    _instrument("high-speed camera", "High-speed camera, 240 frames per second", "BX-HC-01"),
    _instrument("strobe", "Strobe with crystal clock", "BX-ST-01"),
    PlannedInstrument(kind="strobe", name="Strobe, spare", serial="BX-ST-02", calibrated_days_ago=460, due_in_days=-95),
    _instrument("blinking light", "Blinking light with crystal clock", "BX-BL-01"),
    _instrument("battery logger", "Battery logger, four channels", "BX-LG-01"),
    _instrument("bench camera", "Bench camera, 16 bit, with relay lens", "BX-BC-01"),
)
