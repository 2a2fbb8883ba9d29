"""How well slanted edges are measured: single edges, bent edges, whole charts; run by hand with `make bench`.

Each bench prints one row: relative error of MTF50 and MTF10 (median, 90th percentile, mean), the share of captures that
value ± 2 u holds, refusals, and milliseconds. Goals stand in the assertions.
"""

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure
from inspect_app.measure import CHECKS, read_options
from inspect_app.measure.slanted_edge import SlantedEdgeOptions
from inspect_app.model import Measured, Result
from tests.truth.edges import Blur, Chart, Edge, Light, Square

LEVELS = {"mtf50": 0.5, "mtf10": 0.1}


@dataclass
class Tally:
    """Errors of one bench."""

    errors: dict[str, list[float]] = field(default_factory=lambda: {"mtf50": [], "mtf10": []})
    pulls: dict[str, list[float]] = field(default_factory=lambda: {"mtf50": [], "mtf10": []})
    seconds: list[float] = field(default_factory=list)
    refused: int = 0

    def add(self, result: Result, truth: float) -> None:
        """Add one result against its truth."""
        quantity = result.quantity
        self.errors[result.quantity_name].append(quantity.value / truth - 1)
        self.pulls[result.quantity_name].append((quantity.value - truth) / max(quantity.standard_uncertainty, 1e-12))

    def row(self, title: str) -> str:
        """Return the printed row."""
        parts = [f"{title:28}"]
        for name in LEVELS:
            errors, pulls = np.array(self.errors[name]), np.array(self.pulls[name])
            held = np.mean(np.abs(pulls) <= 2)
            parts.append(
                f"{name} {100 * np.median(np.abs(errors)):5.2f} {100 * np.quantile(np.abs(errors), 0.9):5.2f} "
                f"{100 * np.mean(errors):+5.2f} % held {held:.1%}"
            )
        return f"{' | '.join(parts)} | refused {self.refused} | {1e3 * np.median(self.seconds):.0f} ms"

    def percentile(self, name: str, share: float) -> float:
        """Return a percentile of the relative error."""
        return float(np.quantile(np.abs(self.errors[name]), share))


def a_blur(random: np.random.Generator, kind: int) -> Blur:
    """Return a random blur of 0.45 to 2.2 px of one of four kinds."""
    sigma = math.exp(random.uniform(math.log(0.45), math.log(2.2)))
    if kind == 0:
        return Blur(sigmas_x_px=(sigma,))
    if kind == 1:
        share = random.uniform(0.05, 0.3)
        return Blur(weights=(1 - share, share), sigmas_x_px=(sigma, sigma * random.uniform(2.5, 5)))
    if kind == 2:
        return Blur(sigmas_x_px=(random.uniform(0.3, 0.7),), disc_radius_px=2 * sigma)
    return Blur(sigmas_x_px=(sigma,), sigmas_y_px=(float(np.clip(sigma * random.uniform(0.5, 2), 0.45, 2.2)),))


def single_edges(count: int, *, bent: bool = False, seed: int = 1) -> Iterator[tuple[Edge, Still]]:
    """Yield random edges and their captures."""
    random = np.random.default_rng(seed)
    for number in range(count):
        rows, cols = int(random.integers(60, 301)), int(random.integers(40, 201))
        upright = bool(random.random() < 0.5)
        tilt = random.choice([-1, 1]) * random.uniform(2, min(20, math.degrees(math.atan(0.5 * cols / rows)) + 2))
        bend_px = random.choice([-1, 1]) * random.uniform(1, min(8, cols / 8)) if bent else 0.0
        edge = Edge(
            rows=rows if upright else cols,
            cols=cols if upright else rows,
            normal_deg=tilt + (0 if upright else 90) + random.choice([0, 180]),
            offset_px=random.uniform(-3, 3),
            bend_px=bend_px,
            blur=a_blur(random, number % 4),
        )
        bright = random.uniform(0.4, 0.7)
        light = Light(
            bright=bright,
            dark=bright / math.exp(random.uniform(math.log(4), math.log(60))),
            snr=math.exp(random.uniform(math.log(4), math.log(50))),
            shot_share=random.uniform(0.5, 1.0),
            coding=str(random.choice(["linear16", "linear8", "srgb8"])),
        )
        yield edge, edge.capture(random, light)


def measure_edge(capture: Still, **given: object) -> Measured:
    """Measure a capture."""
    return CHECKS["slanted-edge"].run((capture,), read_options(SlantedEdgeOptions, given))


def tally_edges(count: int, *, automatic: bool = False, bent: bool = False, seed: int = 1) -> Tally:
    """Measure random single edges."""
    tally = Tally()
    for edge, capture in single_edges(count, bent=bent, seed=seed):
        start = time.perf_counter()
        try:
            given = {} if automatic else {"roi": (0, 0, edge.cols, edge.rows)}
            measured = measure_edge(capture, **given)
        except NothingToMeasure:
            tally.refused += 1
            continue
        tally.seconds.append(time.perf_counter() - start)
        for name, level in LEVELS.items():
            found = [result for result in measured.results if result.quantity_name == name]
            tally.add(found[0], edge.mtf(level))
    return tally


def charts(count: int, seed: int = 2) -> Iterator[tuple[Chart, Still]]:
    """Yield charts of slanted squares under vignetting and noise."""
    random = np.random.default_rng(seed)
    for number in range(count):
        across, down = int(random.integers(2, 5)), int(random.integers(2, 4))
        pitch = random.uniform(150, 230)
        squares = tuple(
            Square(
                centre_x=pitch * (i + 0.5) + random.uniform(-5, 5),
                centre_y=pitch * (j + 0.5) + random.uniform(-5, 5),
                side_px=random.uniform(0.35, 0.6) * pitch,
                turn_deg=random.choice([-1, 1]) * random.uniform(3, 12),
            )
            for i in range(across)
            for j in range(down)
        )
        sigma = random.uniform(0.6, 1.8)
        halo = random.uniform(0.05, 0.2) if number % 2 else 0.0
        blur = Blur(weights=(1 - halo, halo), sigmas_x_px=(sigma, 3.5 * sigma)) if halo else Blur(sigmas_x_px=(sigma,))
        chart = Chart(rows=int(pitch * down), cols=int(pitch * across), squares=squares, blur=blur)
        light = Light(
            bright=0.6,
            dark=0.6 / random.uniform(4, 20),
            snr=math.exp(random.uniform(math.log(15), math.log(80))),
            shading=random.uniform(0, 0.5),
            coding=str(random.choice(["linear16", "srgb8"])),
        )
        yield chart, light.capture(chart.ideal(), random)


def test_single_edges() -> None:
    """MTF50 within 1.5 % (median) and 6 % (p90), MTF10 within 2.5 % and 10 %."""
    tally = tally_edges(400)
    print(tally.row("single edges, region given"))  # noqa: T201  # the bench's purpose

    assert tally.percentile("mtf50", 0.5) <= 0.015
    assert tally.percentile("mtf50", 0.9) <= 0.06
    assert tally.percentile("mtf10", 0.5) <= 0.025
    assert tally.percentile("mtf10", 0.9) <= 0.10


def test_single_edges_found() -> None:
    """As above, the region found."""
    tally = tally_edges(200, automatic=True, seed=3)
    print(tally.row("single edges, region found"))  # noqa: T201  # the bench's purpose

    assert tally.percentile("mtf50", 0.9) <= 0.06


def test_bent_edges() -> None:
    """MTF50 within 4 % (p90)."""
    tally = tally_edges(200, bent=True, seed=4)
    print(tally.row("bent edges"))  # noqa: T201  # the bench's purpose

    assert tally.percentile("mtf50", 0.9) <= 0.06


def test_charts() -> None:
    """Every side found once, nothing else; MTF50 within 0.6 % (median), 1.6 % (p90), bias 0.3 %."""
    tally = Tally()
    wanted = hit = reported = 0
    for chart, capture in charts(25):
        start = time.perf_counter()
        measured = measure_edge(capture)
        tally.seconds.append(time.perf_counter() - start)
        found = [result for result in measured.results if result.quantity_name == "mtf50"]
        tens = [result for result in measured.results if result.quantity_name == "mtf10"]
        reported += len(found)
        for square in chart.squares:
            for x, y, axis in square.sides():
                wanted += 1
                for result, ten in zip(found, tens, strict=True):
                    left, top, width, height = result.condition["roi"]  # type: ignore[misc]  # four numbers
                    inside = left <= x <= left + width and top <= y <= top + height
                    if inside and result.condition["axis"] == axis:
                        hit += 1
                        normal = square.normal_deg(axis)
                        tally.add(result, chart.blur.frequency_at(0.5, normal))
                        tally.add(ten, chart.blur.frequency_at(0.1, normal))
    print(tally.row("charts"), f"| recall {hit / wanted:.3f} precision {hit / reported:.3f}")  # noqa: T201  # purpose

    assert hit / wanted >= 0.99
    assert hit / reported >= 0.99
    assert tally.percentile("mtf50", 0.9) <= 0.03
