"""Discharge logs of a battery whose runtime, charge and energy are known in closed form."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np


@dataclass(frozen=True)
class Discharge:
    """Voltage falls as v0 - a t - b t² ... - c (exp(k (t - t_end)) - exp(-k t_end)); current is constant or v / R."""

    start_v: float = 4.1
    fall_v_per_s: float = 4e-5
    knee_v: float = 0.6
    knee_s: float = 900.0
    end_s: float = 14_000.0
    current_a: float = 0.35
    load_ohm: float | None = None

    def voltage(self, t: np.ndarray) -> np.ndarray:
        """Return volts at seconds."""
        return self.start_v - self.fall_v_per_s * t - self.knee_v * np.exp((t - self.end_s) / self.knee_s)

    def current(self, t: np.ndarray) -> np.ndarray:
        """Return amperes at seconds."""
        return np.full_like(t, self.current_a) if self.load_ohm is None else self.voltage(t) / self.load_ohm

    def crossing_s(self, cutoff_v: float) -> float:
        """Bisection to 1e-6 s: the curve falls monotonically."""
        low, high = 0.0, 3 * self.end_s
        while high - low > 1e-6:
            middle = (low + high) / 2
            low, high = (middle, high) if self.voltage(np.array(middle)) > cutoff_v else (low, middle)
        return (low + high) / 2

    def capacity_mah(self, cutoff_v: float) -> float:
        """Return the charge until the crossing."""
        return self._integral(self.current, cutoff_v) / 3.6

    def energy_wh(self, cutoff_v: float) -> float:
        """Return the energy until the crossing."""
        return self._integral(lambda t: self.current(t) * self.voltage(t), cutoff_v) / 3600

    def _integral(self, rate, cutoff_v: float) -> float:
        """Gauss-Legendre on 200 panels: exact to rounding for these curves."""
        nodes, weights = np.polynomial.legendre.leggauss(12)
        edges = np.linspace(0, self.crossing_s(cutoff_v), 201)
        half = np.diff(edges) / 2
        t = (edges[:-1] + half)[:, None] + half[:, None] * nodes
        return float((rate(t) * weights * half[:, None]).sum())


def write_log(
    path: Path,
    times: Sequence[float] | np.ndarray,
    volts: Sequence[float] | np.ndarray,
    amperes: np.ndarray | None = None,
    *,
    header: list[str] | None = None,
    mark: str = ".",
) -> Path:
    """Write a log; a decimal comma goes with semicolons."""
    columns = [times, volts] if amperes is None else [times, volts, amperes]
    names = header or ["time_s", "voltage_v", "current_a"][: len(columns)]
    separator = ";" if mark == "," else ","
    rows = (separator.join(f"{value:.6f}".replace(".", mark) for value in row) for row in zip(*columns, strict=True))
    path.write_text("\n".join([separator.join(names), *rows]) + "\n")
    return path
