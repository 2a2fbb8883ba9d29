"""How well step wedges are measured, through files; run by hand with `make bench`.

Each bench prints one row: error (median, 90th percentile, mean), the share of results that value ± 2 u holds, the root
mean square of error over u, and refusals. Goals stand in the assertions.
"""

# ruff: noqa: T201  the tables are the purpose

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from inspect_app.errors import InspectError
from inspect_app.measure import measure
from inspect_app.model import Measured
from tests.truth.sensor import Sensor
from tests.truth.wedges import Wedge

CRITERIA = (1, 2, 10)
EACH = 16  # captures of each kind


@dataclass
class Tally:
    """Errors and standard uncertainties of one bench."""

    errors: list[float] = field(default_factory=list)
    doubts: list[float] = field(default_factory=list)
    refused: int = 0

    def add(self, error: float, doubt: float) -> None:
        """Add one result."""
        self.errors.append(error)
        self.doubts.append(doubt)

    @property
    def held(self) -> float:
        """Share of errors within 2 u."""
        return float(np.mean(np.abs(self.errors) <= 2 * np.array(self.doubts)))

    def percentile(self, share: float) -> float:
        """Return a percentile of the absolute error."""
        return float(np.quantile(np.abs(self.errors), share)) if self.errors else math.nan

    def row(self, title: str) -> str:
        """Return the printed row."""
        pulls = np.array(self.errors) / np.maximum(self.doubts, 1e-9)
        return (
            f"{title:26} median {self.percentile(0.5):.3f} p90 {self.percentile(0.9):.3f} "
            f"mean {np.mean(self.errors):+.3f} held {self.held:6.1%} pull {math.sqrt(np.mean(pulls**2)):.2f} "
            f"u {np.median(self.doubts):.3f} of {len(self.errors)} refused {self.refused}"
        )


def a_sensor(random: np.random.Generator, *, black_clipped: bool = False) -> Sensor:
    """Return a sensor whose noise in darkness is at least half a code."""
    bits = int(random.choice([10, 12, 14]))
    full_well_e = math.exp(random.uniform(math.log(3_000), math.log(40_000)))
    step_e = full_well_e / 2**bits
    read_noise_e = max(math.exp(random.uniform(math.log(1.5), math.log(12))), 0.7 * step_e)
    pedestal_dn = 0.0 if black_clipped else math.ceil(random.uniform(5, 9) * read_noise_e / step_e)
    return Sensor(full_well_e, read_noise_e, bits, pedestal_dn=pedestal_dn)


def a_wedge(random: np.random.Generator, *, black_clipped: bool = False, **fixed: Any) -> Wedge:
    """Return a wedge that reaches from above the full well to below the noise, standing any way."""
    stops_per_step = fixed.pop("stops_per_step", 1.0)
    over = fixed.pop("over_full_well", 1.15 * 2 ** random.uniform(0, 2))
    sensor = fixed.pop("sensor", None) or a_sensor(random, black_clipped=black_clipped)
    wedge = Wedge(
        sensor,
        over_full_well=over,
        stops_per_step=stops_per_step,
        step_px=(int(random.integers(24, 61)), int(random.integers(30, 81))),
        is_upright=bool(random.random() < 0.5),
        is_reversed=bool(random.random() < 0.5),
        seed=int(random.integers(1_000_000)),
    )
    wedge = replace(wedge, **fixed)
    reach = wedge.dynamic_range_stop(1) + math.log2(over)
    return replace(wedge, steps=max(6, math.ceil(reach / stops_per_step) + int(random.integers(1, 4))))


def linear(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random), "png"


def tilted(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, tilt_deg=random.uniform(-5, 5)), "tif"


def uneven(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, gap_px=(2, int(random.integers(8, 25)))), "png"


def without_gaps(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, gap_px=(0, int(random.integers(0, 3)))), "png"


def in_bright_surround(random: np.random.Generator) -> tuple[Wedge, str]:
    """Return a wedge whose gaps are as bright as some of its steps, its widths and gaps uneven."""
    wedge = a_wedge(random, gap_px=(2, int(random.integers(8, 30))), stops_per_step=0.5, tilt_deg=random.uniform(-2, 2))
    return replace(
        wedge, width_spread=0.2, surround=float(np.exp(random.uniform(math.log(0.003), math.log(0.4))))
    ), "png"


def fine_steps(random: np.random.Generator) -> tuple[Wedge, str]:
    stops = float(random.choice([0.1, 0.15, 0.2, 0.3]) * math.log2(10))
    return a_wedge(random, stops_per_step=stops, gap_px=(int(random.integers(0, 8)),) * 2), "png"


def flare(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, veil=random.uniform(0.001, 0.02)), "png"


def headroom(random: np.random.Generator) -> tuple[Wedge, str]:
    wedge = a_wedge(random, over_full_well=2 ** random.uniform(0, 1.2))
    return replace(wedge, sensor=replace(wedge.sensor, headroom=random.uniform(0.03, 0.3))), "tif"


def touching(random: np.random.Generator) -> tuple[Wedge, str]:
    """Return a wedge with a step whose noise reaches the clipping level."""
    wedge = a_wedge(random)
    noise = math.sqrt(wedge.sensor.full_well_e) / wedge.sensor.full_well_e
    return replace(wedge, over_full_well=(1 + random.uniform(-4, 2) * noise) * 2.0 ** random.integers(0, 4)), "png"


def right_aligned(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, is_right_aligned=True), "tif"


def many_clipped(random: np.random.Generator) -> tuple[Wedge, str]:
    over = 2 ** random.uniform(3, 6)
    gap = int(random.integers(2, 7))
    return a_wedge(random, over_full_well=over, gap_px=(gap, gap), tilt_deg=random.uniform(-5, 5)), "png"


def black_clipped(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, black_clipped=True), "png"


def one_frame(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, frames=1), "png"


def gamma(random: np.random.Generator) -> tuple[Wedge, str]:
    sensor = Sensor(random.uniform(3_000, 9_000), random.uniform(4, 12), 12)
    return a_wedge(random, sensor=sensor, transfer="power:2.2", code_bits=8), "png"


def srgb(random: np.random.Generator) -> tuple[Wedge, str]:
    sensor = Sensor(random.uniform(3_000, 9_000), random.uniform(4, 12), 12, pedestal_dn=float(random.integers(0, 30)))
    return a_wedge(random, sensor=sensor, transfer="srgb", code_bits=8, frames=int(random.choice([2, 4, 8]))), "png"


def srgb_without_pedestal(random: np.random.Generator) -> tuple[Wedge, str]:
    """Return a wedge whose dark noise is 0.5 to 1.5 codes, cut off at black."""
    full_well_e = math.exp(random.uniform(math.log(8_000), math.log(50_000)))
    read_noise_e = max(2.0, full_well_e / 255 / 12.92 * random.uniform(0.5, 1.5))
    sensor = Sensor(full_well_e, read_noise_e, 14)
    return a_wedge(random, sensor=sensor, transfer="srgb", code_bits=8, frames=int(random.choice([1, 2, 4]))), "png"


def srgb_flare(random: np.random.Generator) -> tuple[Wedge, str]:
    wedge, form = srgb(random)
    return replace(wedge, veil=random.uniform(0.001, 0.02)), form


def jpeg(random: np.random.Generator) -> tuple[Wedge, str]:
    sensor = Sensor(random.uniform(1_000, 3_000), random.uniform(15, 30), 12)
    return a_wedge(random, sensor=sensor, transfer="srgb", code_bits=8, frames=2), "jpg"


def small_patches(random: np.random.Generator) -> tuple[Wedge, str]:
    size = (int(random.integers(12, 21)), int(random.integers(12, 31)))
    gap = int(random.integers(0, 6))
    return a_wedge(random, step_px=size, gap_px=(gap, gap), tilt_deg=random.uniform(-2, 2)), "png"


def small_in_picture(random: np.random.Generator) -> tuple[Wedge, str]:
    room = (int(random.integers(60, 300)), int(random.integers(60, 300)))
    gap = int(random.integers(2, 12))
    wedge = a_wedge(random, room_px=room, gap_px=(gap, gap), tilt_deg=random.uniform(-5, 5))
    return replace(wedge, step_px=(int(random.integers(16, 32)), int(random.integers(20, 40)))), "png"


def among_labels(random: np.random.Generator) -> tuple[Wedge, str]:
    frame = int(random.integers(0, 9))
    gap = int(random.integers(2, 12))
    return a_wedge(random, labels=True, frame_px=frame, gap_px=(gap, gap), tilt_deg=random.uniform(-3, 3)), "png"


def within_white(random: np.random.Generator) -> tuple[Wedge, str]:
    """Return a wedge whose surround and gaps are saturated, its brightest step perhaps not."""
    wedge = a_wedge(random, gap_px=(2, 9), over_full_well=2 ** random.uniform(-0.4, 1))
    return replace(wedge, surround=2.0, tilt_deg=random.uniform(-2, 2)), "png"


def without_clipping(random: np.random.Generator) -> tuple[Wedge, str]:
    return a_wedge(random, over_full_well=random.uniform(0.55, 0.98)), "png"


KINDS = {
    "linear": linear,
    "tilt": tilted,
    "uneven gaps": uneven,
    "no gaps": without_gaps,
    "steps of 0.1 to 0.3 D": fine_steps,
    "flare": flare,
    "well below white": headroom,
    "step touches white": touching,
    "right-aligned codes": right_aligned,
    "many clipped, tilt": many_clipped,
    "one frame": one_frame,
    "small patches": small_patches,
    "small in the picture": small_in_picture,
    "labels and frame": among_labels,
    "8-bit gamma": gamma,
    "8-bit sRGB": srgb,
    "8-bit sRGB, flare": srgb_flare,
    "black clipped": black_clipped,
    "JPEG": jpeg,
    "widths uneven, bright surround": in_bright_surround,
    "within white": within_white,
    "without clipping": without_clipping,
    "without pedestal, sRGB": srgb_without_pedestal,
}


def pictures(name: str) -> Iterator[tuple[int, Wedge, str]]:
    """Yield the captures of one kind."""
    for number in range(EACH):
        random = np.random.default_rng([sorted(KINDS).index(name), number])
        yield number, *KINDS[name](random)


def measured_of(wedge: Wedge, form: str, folder: Path) -> Measured:
    """Measure a wedge through files."""
    given = {"steps": wedge.steps, "stops_per_step": wedge.stops_per_step, "transfer": wedge.transfer}
    paths = wedge.write(folder, form)
    try:
        return measure("step-wedge", {"scene": paths}, given)
    finally:
        for path in paths:
            path.unlink()


def tally_wedges(name: str, folder: Path) -> Tally:
    """Measure all captures of a kind; print those far off or refused."""
    tally = Tally()
    for number, wedge, form in pictures(name):
        try:
            measured = measured_of(wedge, form, folder)
        except InspectError as error:
            print(f"  {name} {number}: {error}")
            tally.refused += 1
            continue
        for result in measured.results[: len(CRITERIA)]:
            criterion = float(result.condition["snr_criterion"])
            error = result.quantity.value - wedge.range_shown_stop(criterion)
            tally.add(error, result.quantity.standard_uncertainty)
            if abs(error) > max(0.1, 3 * result.quantity.standard_uncertainty):
                print(
                    f"  {name} {number}: SNR {criterion:g}, {error:+.3f} ({result.quantity.standard_uncertainty:.3f})"
                )
    return tally


@pytest.mark.parametrize("name", KINDS)
def test_wedges(name: str, tmp_path: Path) -> None:
    tally = tally_wedges(name, tmp_path)

    print(f"\n{tally.row(name)}")
    assert tally.refused == 0
    assert tally.percentile(0.9) < 0.15
