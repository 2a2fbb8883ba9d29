"""Accuracy of noise and step wedge, as tables of figures; run by hand with `make bench`."""

# ruff: noqa: T201  the tables are the purpose

import math

import numpy as np
import pytest

from inspect_app.errors import InspectError
from inspect_app.measure.noise import NoiseOptions, noise
from inspect_app.measure.step_wedge import StepWedgeOptions, step_wedge
from tests.truth.sensor import Sensor, still_of
from tests.truth.wedges import Wedge


def quantile(errors: list[float], share: float) -> float:
    return float(np.quantile(np.abs(errors), share)) if errors else math.nan


def show(title: str, figures: dict[str, float]) -> None:
    print(f"\n{title}")
    for name, value in figures.items():
        print(f"  {name:<18} {value:9.4g}")


WEDGES = {
    "linear": {"sensor": Sensor(10_000, 2, 12, pedestal_dn=100)},
    "14 bits": {"sensor": Sensor(30_000, 3, 14, pedestal_dn=500)},
    "small": {"sensor": Sensor(4_000, 5, 10, pedestal_dn=60)},
    "one frame": {"sensor": Sensor(4_000, 5, 12, pedestal_dn=60), "frames": 1},
    "tilt": {"sensor": Sensor(4_000, 5, 12, pedestal_dn=60), "tilt_deg": 3.0},
    "tilt upright": {"sensor": Sensor(8_000, 5, 12, pedestal_dn=60), "tilt_deg": -4.0, "is_upright": True},
    "uneven gaps": {"sensor": Sensor(10_000, 5, 12, pedestal_dn=60), "gap_px": (2, 20)},
    "no gaps": {"sensor": Sensor(10_000, 5, 12, pedestal_dn=60), "gap_px": (0, 0)},
    "flare 1 %": {"sensor": Sensor(10_000, 2, 12, pedestal_dn=60), "veil": 0.01},
    "flare 3 %": {"sensor": Sensor(10_000, 2, 12, pedestal_dn=60), "veil": 0.03},
    "glare": {"sensor": Sensor(10_000, 2, 12, pedestal_dn=60), "glare": 0.01},
    "8-bit gamma": {"sensor": Sensor(6_000, 6, 12), "power": 2.2, "code_bits": 8},
    "8-bit gamma, flare": {"sensor": Sensor(6_000, 6, 12), "power": 2.2, "code_bits": 8, "veil": 0.005},
    "8-bit gamma, uneven": {"sensor": Sensor(6_000, 6, 12), "power": 2.2, "code_bits": 8, "gap_px": (3, 15)},
    "black clipped": {"sensor": Sensor(4_000, 5, 12)},
    "black clipped, one": {"sensor": Sensor(8_000, 4, 12), "frames": 1},
    "flicker": {"sensor": Sensor(8_000, 4, 12, pedestal_dn=60), "flicker": 0.03},
    "small steps": {"sensor": Sensor(8_000, 4, 12, pedestal_dn=60), "step_px": (18, 26), "gap_px": (3, 7)},
    "half stops": {"sensor": Sensor(8_000, 4, 12, pedestal_dn=60), "stops_per_step": 0.5, "steps": 30},
}


@pytest.mark.parametrize("name", WEDGES)
def test_wedges(name: str) -> None:
    errors, held, refused = [], 0, 0
    for seed in range(10):
        over = 1.2 * 2 ** float(np.random.default_rng(seed).uniform(0, 1.5))
        wedge = Wedge(over_full_well=over, seed=seed, **WEDGES[name])
        try:
            measured = step_wedge(
                wedge.stills(), StepWedgeOptions(steps=wedge.steps, stops_per_step=wedge.stops_per_step)
            )
        except InspectError as error:
            print(name, seed, error)
            refused += 1
            continue
        for result in measured.results[:3]:
            error = result.quantity.value - wedge.dynamic_range_stop(float(result.condition["snr_criterion"]))
            errors.append(error)
            held += abs(error) <= 2 * result.quantity.standard_uncertainty
            if abs(error) > 0.15:
                print(name, seed, dict(result.condition), round(error, 3), measured.warnings)
    show(
        f"wedge, {name}",
        {
            "median": float(np.median(np.abs(errors))),
            "bias": float(np.mean(errors)),
            "p90": quantile(errors, 0.9),
            "held": held / max(len(errors), 1),
            "refused": refused,
        },
    )
    assert quantile(errors, 0.9) < 0.2


def test_noise_of_stacks() -> None:
    errors: dict[str, list[float]] = {"snr": [], "snr_total": [], "fixed_pattern": []}
    held = dict.fromkeys(errors, 0)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        shape, count = (int(rng.integers(100, 400)), int(rng.integers(100, 400))), int(rng.integers(2, 16))
        mean, temporal, pattern = rng.uniform(0.1, 0.6), rng.uniform(0.002, 0.02), rng.uniform(0.001, 0.01)
        slope = 1 + rng.uniform(-0.2, 0.2) * np.linspace(-1, 1, shape[1])[None, :]
        slope = slope * (1 + rng.uniform(-0.1, 0.1) * np.linspace(-1, 1, shape[0])[:, None] ** 2)
        slope /= slope.mean()
        scene = mean * slope + rng.normal(0, pattern, shape)
        flicker = rng.normal(0, rng.uniform(0, 0.05), count)
        flicker -= flicker.mean()
        stills = tuple(
            still_of(scene * (1 + flicker[k]) + rng.normal(0, temporal, shape), name=f"{k}") for k in range(count)
        )
        truth = {
            "snr": mean / temporal,
            "snr_total": mean / math.hypot(temporal, pattern),
            "fixed_pattern": 100 * pattern / mean,
        }
        for result in noise(stills, NoiseOptions()).results:
            error = result.quantity.value - truth[result.quantity_name]
            errors[result.quantity_name].append(error / truth[result.quantity_name])
            held[result.quantity_name] += abs(error) <= 2 * result.quantity.standard_uncertainty
    for name, values in errors.items():
        show(f"noise, {name}", {"p90 %": 100 * quantile(values, 0.9), "held": held[name] / len(values)})
    assert quantile(errors["snr"], 0.9) < 0.01
