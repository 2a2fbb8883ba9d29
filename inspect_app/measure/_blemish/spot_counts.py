"""Counting spots by zone and size class, with the doubt of those that lie at a border."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy import special

from inspect_app.model import Condition, Feature, Result
from inspect_app.quantity import Contribution, quantity_from_budget


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeClass:
    """Diameters above `above_mm` and up to `up_to_mm` (None: without end)."""

    above_mm: float
    up_to_mm: float | None

    @property
    def label(self) -> str:
        """As results carry it, in micrometres."""
        low = f"{1000 * self.above_mm:g}"
        return f">{low} µm" if self.up_to_mm is None else f"{low}-{1000 * self.up_to_mm:g} µm"

    def holds(self, diameter_mm: float) -> bool:
        """Say whether a diameter belongs to the class."""
        return diameter_mm > self.above_mm and (self.up_to_mm is None or diameter_mm <= self.up_to_mm)

    def probability(self, diameter_mm: float, u_mm: float) -> float:
        """Return how likely the true diameter belongs to the class, for a normal uncertainty."""
        if u_mm <= 0:
            return float(self.holds(diameter_mm))
        above = float(special.ndtr((diameter_mm - self.above_mm) / u_mm))
        beyond = 0.0 if self.up_to_mm is None else float(special.ndtr((diameter_mm - self.up_to_mm) / u_mm))
        return above - beyond


def size_classes(bounds_um: Sequence[float]) -> tuple[SizeClass, ...]:
    """Return the classes between ascending bounds, and the open one above the last."""
    bounds_mm = [bound / 1000 for bound in bounds_um]
    return tuple(SizeClass(above_mm=a, up_to_mm=b) for a, b in zip(bounds_mm, [*bounds_mm[1:], None], strict=True))


def zone_of(distance_mm: float, zone_diameters_mm: Sequence[float]) -> int | None:
    """Return the zone at a distance from the centre, 1 innermost; None outside of all."""
    for number, diameter in enumerate(zone_diameters_mm, start=1):
        if distance_mm <= diameter / 2:
            return number
    return None


def count_results(spots: Sequence[Feature], classes: Sequence[SizeClass], zones: Sequence[int]) -> tuple[Result, ...]:
    """Count spots in total, and per zone and size class where there are both.

    Parameters
    ----------
    spots : sequence of Feature
        Also those below the first class, whose doubt reaches into it.
    classes : sequence of SizeClass
        Empty where no scale is known: all spots then count, in total only.
    zones : sequence of int
        Numbers of the zones.

    Returns
    -------
    tuple of Result
        ``dark_spots`` and ``bright_spots``: the totals without condition, the others with zone and size_class. The
        uncertainty is the root of the sum of p (1 - p) over the spots, p being the probability that a spot belongs.
    """
    results = []
    for polarity in ("dark", "bright"):
        own = [spot for spot in spots if spot.polarity == polarity]
        whole = [SizeClass(above_mm=classes[0].above_mm, up_to_mm=None)] if classes else []
        results.append(count_result(f"{polarity}_spots", own, whole[0] if whole else None, {}))
        for zone in zones:
            in_zone = [spot for spot in own if spot.zone == zone]
            results += [
                count_result(f"{polarity}_spots", in_zone, size, {"zone": zone, "size_class": size.label})
                for size in classes
            ]
    return tuple(results)


def count_result(name: str, spots: Iterable[Feature], size: SizeClass | None, condition: Condition) -> Result:
    """Count the spots of one size class, or all of them where the class is None."""
    count, variance = 0, 0.0
    for spot in spots:
        if size is None or spot.diameter_mm is None:
            count += 1
            continue
        count += size.holds(spot.diameter_mm)
        p = size.probability(spot.diameter_mm, spot.diameter_uncertainty_mm or 0.0)
        variance += p * (1 - p)
    budget: tuple[Contribution, ...] = ()
    if variance > 1e-6:
        source = "spots whose diameter lies at the border of the size class"
        budget = (Contribution(source=source, distribution="normal", standard_uncertainty=math.sqrt(variance)),)
    return Result(
        quantity_name=name, quantity=quantity_from_budget(float(count), "1", budget), condition=condition, budget=budget
    )
