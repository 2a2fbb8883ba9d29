"""Accuracy and speed of blemish map, noise and step wedge, as tables of figures; run by hand with `make bench`."""

# ruff: noqa: T201  the tables are the purpose

import math
import time

import numpy as np
import pytest
from skimage.feature import blob_log

from inspect_app.errors import InspectError
from inspect_app.measure.blemish import BlemishOptions, blemish
from inspect_app.measure.noise import NoiseOptions, noise
from inspect_app.measure.step_wedge import StepWedgeOptions, step_wedge
from tests.truth.fields import Field, Spot, round_field, scattered_spots, sensor_flat
from tests.truth.sensor import Sensor, still_of
from tests.truth.wedges import Wedge

FIELD_MM = 18.0


def random_field(seed: int, spots: int, hardness: float = 1.0) -> tuple[Field, float]:
    """Return a field of random texture, vignetting and scale, and its micrometres per pixel.

    `hardness` scales the strength of all textures and noises.
    """
    rng = np.random.default_rng(seed)
    radius = float(rng.uniform(280, 700))
    um_px = 1000 * FIELD_MM / (2 * radius)
    side = math.ceil(2 * radius + rng.uniform(40, 200))
    offset = (float(rng.uniform(-15, 15)), float(rng.uniform(-15, 15)))
    centre = ((side - 1) / 2 + offset[0], (side - 1) / 2 + offset[1])
    drawn = scattered_spots(rng, spots, centre=centre, within_px=0.96 * radius, diameters_px=(40 / um_px, 400 / um_px))
    field = round_field(
        rng,
        size_px=(side, side),
        radius_px=radius,
        offset_px=offset,
        spots=drawn,
        vignetting=float(rng.uniform(0.1, 0.6)),
        tilt=float(rng.uniform(-0.05, 0.05)),
        fibre=hardness * float(rng.uniform(0.005, 0.04)),
        wire=hardness * float(rng.uniform(0, 0.05)),
        cells=hardness * float(rng.uniform(0, 0.012)),
        grain=hardness * float(rng.uniform(0.01, 0.05)),
        grain_px=float(rng.uniform(0.6, 1.8)),
        white=hardness * float(rng.uniform(0.005, 0.02)),
        level=float(rng.uniform(0.3, 0.7)),
        edge_px=float(rng.uniform(0.8, 4)),
    )
    return field, um_px


def quantile(errors: list[float], share: float) -> float:
    return float(np.quantile(np.abs(errors), share)) if errors else math.nan


def score(fields: range, spots: int, hardness: float = 1.0) -> dict[str, float]:
    """Return recall of spots that must be found, precision, and errors against the drawn truth."""
    wanted = found_wanted = reported = right = held = sized = zone_right = 0
    diameter_um: list[float] = []
    contrast: list[float] = []
    shading: list[float] = []
    held_shading = 0
    for seed in fields:
        field, um_px = random_field(seed, spots, hardness)
        measured = blemish((still_of(field.exposure),), BlemishOptions(field_diameter_mm=FIELD_MM))
        quantity = next(r.quantity for r in measured.results if r.quantity_name == "shading")
        shading.append(quantity.value - field.shading_percent)
        held_shading += abs(shading[-1]) <= 2 * quantity.standard_uncertainty
        reported += len(measured.features)
        for feature in measured.features:
            spot = nearest(field.spots, feature.x, feature.y)
            if spot is None:
                print("false", seed, round(feature.x), round(feature.y), feature.diameter_px, feature.contrast)
                continue
            right += 1
            sized += 1
            error = 1000 * (feature.diameter_mm or 0) - spot.diameter_px * um_px
            diameter_um.append(error)
            contrast.append(feature.contrast / spot.contrast - 1)
            held += abs(error) <= 2000 * (feature.diameter_uncertainty_mm or 0)
            r_mm = math.hypot(spot.x - field.x, spot.y - field.y) * um_px / 1000
            zone_right += feature.zone == (1 if r_mm < 2.8 else 2 if r_mm < 7.35 else 3)
        for spot in field.spots:
            if spot.diameter_px * um_px < 85:
                continue
            wanted += 1
            hit = any(math.hypot(f.x - spot.x, f.y - spot.y) < max(3, spot.diameter_px / 2) for f in measured.features)
            found_wanted += hit
            if not hit:
                print("missed", seed, spot, round(spot.diameter_px * um_px))
    return {
        "recall": found_wanted / max(wanted, 1),
        "precision": right / max(reported, 1),
        "diameter p90 µm": quantile(diameter_um, 0.9),
        "contrast p90 %": 100 * quantile(contrast, 0.9),
        "contrast bias %": 100 * float(np.median(contrast)) if contrast else math.nan,
        "shading p90": quantile(shading, 0.9),
        "shading bias": float(np.mean(shading)),
        "diameter held": held / max(sized, 1),
        "shading held": held_shading / len(fields),
        "zone right": zone_right / max(sized, 1),
        "reported": reported,
    }


def nearest(spots: tuple[Spot, ...], x: float, y: float) -> Spot | None:
    return next((s for s in spots if math.hypot(s.x - x, s.y - y) < max(3, s.diameter_px / 2)), None)


def show(title: str, figures: dict[str, float]) -> None:
    print(f"\n{title}")
    for name, value in figures.items():
        print(f"  {name:<18} {value:9.4g}")


def test_round_fields_with_spots() -> None:
    figures = score(range(24), 14)

    show("round fields, 24 of 14 spots", figures)
    assert figures["recall"] >= 0.97
    assert figures["precision"] >= 0.98
    assert figures["diameter p90 µm"] <= 12


def test_round_fields_with_spots_under_mild_texture() -> None:
    figures = score(range(24, 48), 14, hardness=0.4)

    show("round fields under mild texture, 24 of 14 spots", figures)
    assert figures["recall"] >= 0.97


def test_clean_round_fields() -> None:
    figures = score(range(100, 120), 0)

    show("clean round fields, 20", figures)
    assert figures["reported"] == 0


def test_full_frames_with_dust() -> None:
    odd, diameter, contrast, shading = 0, [], [], []
    wanted = found = reported = right = 0
    for seed in range(16):
        rng = np.random.default_rng(1000 + seed)
        size = (int(rng.integers(400, 1100)), int(rng.integers(500, 1400)))
        spots = scattered_spots(
            rng,
            int(rng.integers(0, 12)) if seed % 4 else 0,
            centre=((size[1] - 1) / 2, (size[0] - 1) / 2),
            within_px=0,
            half_size_px=(0.46 * size[1], 0.46 * size[0]),
            diameters_px=(4, 40),
            bright_share=0,
        )
        flat = sensor_flat(
            rng,
            size_px=size,
            spots=spots,
            dead=int(rng.integers(0, 20)),
            hot=int(rng.integers(0, 30)),
            vignetting=float(rng.uniform(0, 0.4)),
            tilt=float(rng.uniform(-0.1, 0.1)),
            noise=float(rng.uniform(0.003, 0.015)),
            row_noise=float(rng.uniform(0, 0.01)),
            column_noise=float(rng.uniform(0, 0.004)),
            darks=4,
        )
        frames = (still_of(flat.exposure), *(still_of(dark, role="dark") for dark in flat.darks))
        measured = blemish(frames, BlemishOptions())
        values = {r.quantity_name: r.quantity.value for r in measured.results}
        odd += abs(values["dead_pixels"] - len(flat.dead)) + abs(values["hot_pixels"] - len(flat.hot))
        shading.append(values["shading"] - flat.shading_percent)
        reported += len(measured.features)
        wanted += len(spots)
        for feature in measured.features:
            spot = nearest(spots, feature.x, feature.y)
            if spot is None:
                print("false", seed, feature)
                continue
            right += 1
            diameter.append(feature.diameter_px - spot.diameter_px)
            contrast.append(feature.contrast / spot.contrast - 1)
        for spot in spots:
            hit = any(math.hypot(f.x - spot.x, f.y - spot.y) < max(3, spot.diameter_px / 2) for f in measured.features)
            found += hit
            if not hit:
                print("missed", seed, spot)
    show(
        "full frames, 16",
        {
            "recall": found / wanted,
            "precision": right / reported,
            "odd pixels off": odd,
            "diameter p90 px": quantile(diameter, 0.9),
            "contrast p90 %": 100 * quantile(contrast, 0.9),
            "shading p90": quantile(shading, 0.9),
        },
    )
    assert odd == 0


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


def test_a_map_of_12_megapixels_takes_seconds_and_blob_log_minutes() -> None:
    rng = np.random.default_rng(1)
    centre = (1999.5, 1499.5)
    spots = scattered_spots(rng, 40, centre=centre, within_px=1400, diameters_px=(13, 66))
    field = round_field(
        rng, size_px=(3000, 4000), radius_px=1480, offset_px=(0, 0), spots=spots, cells=0, wire=0, edge_px=3
    )
    still = still_of(field.exposure)
    started = time.process_time()
    measured = blemish((still,), BlemishOptions(field_diameter_mm=FIELD_MM))
    own = time.process_time() - started
    part = field.exposure[1000:1750, 1500:2500]
    started = time.process_time()
    blob_log(part, min_sigma=4.6, max_sigma=24, threshold=0.05)
    reference = (time.process_time() - started) * field.exposure.size / part.size
    show(
        "12 megapixels",
        {"own s": own, "blob_log s": reference, "ratio": reference / own, "spots": len(measured.features)},
    )
    assert reference > 20 * own
