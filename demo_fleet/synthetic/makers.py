"""The invented makers of the synthetic fleet, their classes of device, and how these behave."""

from dataclasses import dataclass
from string import Template
from typing import Final

METHOD: Final = "invented from a seed for a synthetic fleet; no capture was measured"
NOTE: Final = "Synthetic fleet, invented: no such parties, devices or figures exist, and nothing was captured."
EDGE, STARLIGHT, NOISE, BATTERY = "slanted-edge.1lx", "slanted-edge.0.005lx", "noise", "battery"
STEPS: Final = (EDGE, STARLIGHT, NOISE, BATTERY)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait:
    """One quantity of a class: what is usual, by how much devices, lots and the bench scatter, all relative.

    `per_year` is how the maker's process drifts from delivery to delivery, `ageing_per_year` how a device does in use.
    """

    step: str
    quantity_name: str
    unit: str
    usual: float
    axis: str = ""
    of_devices: float = 0.05
    of_lots: float = 0.015
    of_bench: float = 0.015
    per_year: float = 0.0
    ageing_per_year: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """One maker with the one class that it delivers under one contract."""

    name: str
    contract: str
    device_class: str
    prefix: str
    sharpness: float
    ratio: float
    runtime_min: float
    drift: float

    @property
    def traits(self) -> tuple[Trait, ...]:
        """What is measured of its devices: ten quantities in four steps."""
        sharp = [
            Trait(step=step, quantity_name="mtf50_cy_mrad", unit="cy/mrad", usual=self.sharpness * share * side,
                  axis=axis, per_year=self.drift)
            for step, share in ((EDGE, 1.0), (STARLIGHT, 0.7))
            for axis, side in (("horizontal", 1.0), ("vertical", 0.97))
        ]  # fmt: skip
        noise = [
            Trait(step=NOISE, quantity_name=name, unit=unit, usual=usual, of_devices=0.06, of_bench=0.02)
            for name, unit, usual in (("snr", "1", self.ratio), ("snr_total", "1", self.ratio * 0.93),
                                      ("fixed_pattern", "%", 2.4))
        ]  # fmt: skip
        battery = [
            Trait(step=BATTERY, quantity_name=name, unit=unit, usual=usual, of_devices=0.03, of_bench=0.008,
                  ageing_per_year=-0.03)
            for name, unit, usual in (
                ("runtime", "min", self.runtime_min),
                ("capacity", "mAh", self.runtime_min * 16.6),
                ("energy", "Wh", self.runtime_min * 0.06),
            )
        ]  # fmt: skip
        return (*sharp, *noise, *battery)


MAKERS: Final = (
    Maker(name="Quillmere Devices", contract="SYN-201", device_class="synthetic monocular, compact", prefix="QM",
          sharpness=0.55, ratio=6.0, runtime_min=190, drift=0.0),
    Maker(name="Tarnbeck Imaging", contract="SYN-202", device_class="synthetic monocular, large sensor", prefix="NV",
          sharpness=0.80, ratio=9.0, runtime_min=240, drift=-0.012),
    Maker(name="Ostrel Night Works", contract="SYN-203", device_class="synthetic goggle, two tubes", prefix="NV",
          sharpness=0.62, ratio=7.5, runtime_min=300, drift=0.0),
    Maker(name="Fennmoor Optical", contract="SYN-204", device_class="synthetic clip-on", prefix="FM",
          sharpness=0.48, ratio=5.2, runtime_min=150, drift=0.006),
)  # fmt: skip
"""Two of them number their devices alike: the same serial is two devices."""

_FORM: Final = Template("""
device_class = "$device_class"
title = "Synthetic inspection, $device_class"
revision = "A"

[[step]]
id = "slanted-edge.{illuminance_lx}lx"
check = "slanted-edge"
title = "Slanted edge, {illuminance_lx} lux"
instruction = "Synthetic: nobody captured anything."
instruments = ["illuminance meter"]
  [step.for_each]
  illuminance_lx = [1, 0.005]
  [step.fixed]
  pixel_angle_mrad = 0.5
  [[step.question]]
  name = "scene"
  label = "Picture of the edge"

[[step]]
id = "noise"
check = "noise"
title = "Noise of an even field"
instruction = "Synthetic: nobody captured anything."
instruments = ["uniform source"]
  [step.condition]
  illuminance_lx = 0.005
  [[step.question]]
  name = "scene"
  label = "Frames of the even field"

[[step]]
id = "battery"
check = "battery"
title = "Battery"
instruction = "Synthetic: nobody captured anything."
instruments = ["battery logger"]
  [[step.question]]
  name = "scene"
  label = "Log of the discharge"
""")
_CONTRACT: Final = Template("""
number = "$contract"
revision = "1"
title = "Synthetic contract, $device_class"
buyer = "Brackwater Sound Rescue Service"
supplier = "$name"
note = "$note"
""")
_LIMIT: Final = Template("""
[[limit]]
device_class = "$device_class"
clause = "$clause"
title = "$title"
check = "$check"
quantity = "$quantity"
unit = "$unit"
at_least = $at_least
condition = { $condition }
decision_rule = "$rule"
severity = "$severity"
""")


def form_text(maker: Maker) -> str:
    """Return the form of a maker's class."""
    return _FORM.substitute(device_class=maker.device_class)


def contract_text(maker: Maker) -> str:
    """Return the contract with a maker: four demands, each met by most devices with little to spare."""
    head = _CONTRACT.substitute(contract=maker.contract, device_class=maker.device_class, name=maker.name, note=NOTE)
    demands = (
        ("4.1", "MTF50 at 1 lux, worst axis", "slanted-edge", "mtf50_cy_mrad", "cy/mrad", maker.sharpness * 0.85,
         "illuminance_lx = 1", "guarded", "major"),
        ("4.2", "MTF50 near starlight, worst axis", "slanted-edge", "mtf50_cy_mrad", "cy/mrad",
         maker.sharpness * 0.7 * 0.85, "illuminance_lx = 0.005", "iso14253-buyer", "critical"),
        ("4.3", "Signal-to-noise ratio near starlight", "noise", "snr", "1", maker.ratio * 0.84,
         "illuminance_lx = 0.005", "simple", "minor"),
        ("4.4", "Runtime", "battery", "runtime", "min", maker.runtime_min * 0.92, "", "simple", "major"),
    )  # fmt: skip
    return head + "".join(
        _LIMIT.substitute(
            device_class=maker.device_class, clause=clause, title=title, check=check, quantity=quantity, unit=unit,
            at_least=f"{at_least:.4g}", condition=condition, rule=rule, severity=severity,
        )
        for clause, title, check, quantity, unit, at_least, condition, rule, severity in demands
    )  # fmt: skip
