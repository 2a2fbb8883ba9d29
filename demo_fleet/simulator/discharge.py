"""The log of a battery that drives its device until it stops."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import interpolate, optimize

from demo_fleet.simulator.truth import Battery

FloatArray = npt.NDArray[np.float64]

INTERVAL_S: Final = 30.0
AFTER_CUTOFF_S: Final = 180.0
VOLTAGE_NOISE_V: Final = 0.002
CURRENT_NOISE_A: Final = 0.001

# Voltage at rest of a lithium-ion cell over its charge; shape as in published curves of the chemistry (from memory).
_CHARGE: Final = (0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0)
_REST_V: Final = (2.70, 3.12, 3.32, 3.45, 3.56, 3.62, 3.69, 3.79, 3.92, 4.03, 4.18)


def voltage_v(battery: Battery, time_s: FloatArray | float) -> FloatArray:
    """Return the voltage under load, without noise."""
    used = battery.current_a * np.asarray(time_s) / 3.6 / battery.capacity_mah
    rest = interpolate.PchipInterpolator(_CHARGE, _REST_V)(1 - used)
    return np.asarray(rest - battery.current_a * battery.resistance_ohm, dtype=np.float64)


def runtime_min(battery: Battery) -> float:
    """Return the true time to the cutoff voltage."""
    whole_s = 3.6 * battery.capacity_mah / battery.current_a
    return float(optimize.brentq(lambda time_s: float(voltage_v(battery, time_s)) - battery.cutoff_v, 0, whole_s)) / 60


def discharge_log(battery: Battery, random: np.random.Generator) -> str:
    """Return a CSV log time_s,voltage_v,current_a to three minutes after the cutoff."""
    time_s = np.arange(0, 60 * runtime_min(battery) + AFTER_CUTOFF_S, INTERVAL_S)
    volts = voltage_v(battery, time_s) + VOLTAGE_NOISE_V * random.standard_normal(time_s.size)
    amperes = battery.current_a + CURRENT_NOISE_A * random.standard_normal(time_s.size)
    rows = [f"{t:.0f},{v:.4f},{a:.4f}" for t, v, a in zip(time_s, volts, amperes, strict=True)]
    return "\n".join(["time_s,voltage_v,current_a", *rows]) + "\n"
