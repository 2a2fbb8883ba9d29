"""How honest the noise check's uncertainties are, as a table of figures; run by hand with `make bench`."""

# ruff: noqa: T201  the table is the purpose

import math
from collections.abc import Iterator

import numpy as np

from inspect_app.capture import Still
from inspect_app.measure.noise import NoiseOptions, noise
from tests.truth.sensor import still_of


def random_stacks(count: int) -> Iterator[tuple[tuple[Still, ...], dict[str, float]]]:
    """Yield stacks of shot noise under flicker and gradient, none clipped, and what is true of them."""
    for seed in range(count):
        rng = np.random.default_rng(seed)
        frames, shape = int(rng.integers(2, 16)), tuple(int(side) for side in rng.integers(30, 150, 2))
        mean = float(rng.uniform(0.1, 0.6))
        temporal = mean / 10 ** float(rng.uniform(0.5, 2))
        pattern = temporal * 10 ** float(rng.uniform(-1, 0.7))
        y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
        own = rng.normal(0, pattern, shape)
        scene = mean * (1 + rng.uniform(0, 0.2) * (x + y / 2)) + own
        flicker = rng.normal(size=frames) * rng.choice([0.05, 0.15]) * rng.random()
        flicker -= flicker.mean()
        lights = [scene * (1 + f) + rng.normal(0, temporal * math.sqrt(1 + f), shape) for f in flicker]
        if min(light.min() for light in lights) > 0 and max(light.max() for light in lights) < 1:
            level, own_pattern = float(scene.mean()), float(own.std())
            truth = {
                "snr": level / temporal,
                "snr_total": level / math.hypot(temporal, own_pattern),
                "fixed_pattern": 100 * own_pattern / level,
            }
            yield tuple(still_of(light, name=str(place)) for place, light in enumerate(lights)), truth


def test_2_u_hold_the_truth_about_95_times_in_100() -> None:
    errors: dict[str, list[tuple[float, float]]] = {}
    for stills, truth in random_stacks(500):
        for result in noise(stills, NoiseOptions()).results:
            name, found = result.quantity_name, result.quantity
            off = found.value - truth[name]
            errors.setdefault(name, []).append((off / truth[name], off / found.standard_uncertainty))
    for name, pairs in errors.items():
        relative, in_u = np.abs(np.array(pairs)).T
        held = float(np.mean(in_u <= 2))
        print(f"\n{name:<14} p90 {100 * np.quantile(relative, 0.9):.2f} %, held {held:.3f} of {len(pairs)}")
        assert 0.93 <= held <= 0.98
